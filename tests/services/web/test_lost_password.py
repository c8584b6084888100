"""Somebody lost their password: a link comes by mail, good for an hour, once; nobody learns who is there."""

from __future__ import annotations

import re
from collections.abc import Iterator
from concurrent.futures import ThreadPoolExecutor
from datetime import timedelta
from pathlib import Path
from urllib.parse import urlsplit

import pytest

from rules.roles import Role
from services.store.club import Household
from services.use_cases.lost_password import FREE_LINKS, FREE_LINKS_FROM_AN_ADDRESS, LOST_FOR
from tests.mail_server import Answer, MailServer, mail_server
from tests.services.web.club_evening import PASSWORD, Evening, evening, sign
from tests.services.web.test_club_access import address

OTHER = "other dry words here"


@pytest.fixture
def mail() -> Iterator[MailServer]:
    with mail_server(security="none") as server:
        yield server


@pytest.fixture
def night(club_url: str, tmp_path: Path, mail: MailServer) -> Iterator[Evening]:
    with evening(club_url, tmp_path, mail) as made:
        yield made


@pytest.fixture
def mill(night: Evening, tmp_path: Path) -> Household:
    return night.club.add(f"Mill {tmp_path}")


def asked(night: Evening, email: str, **headers: str) -> tuple[int, str]:
    """Somebody asks for a link; what they are told."""
    answer = night.visitor().post("/forgotten", data={"email": email}, headers=headers)
    return answer.status_code, answer.text


def links(mail: MailServer, to: str) -> list[str]:
    """The paths of the links that came to this address, oldest first."""
    found = [
        re.search(r"https?://\S+/forgotten/\S+", one.message.get_content())
        for one in mail.received
        if one.to == to
    ]
    return [urlsplit(one[0]).path for one in found if one is not None]


def test_a_link_by_mail_opens_often_and_changes_the_password_once(
    night: Evening, mill: Household, mail: MailServer, tmp_path: Path
) -> None:
    email = address(tmp_path, "ines")
    here, elsewhere = night.person("Ines", (mill, Role.OWNER, None), email=email), night.visitor()
    sign(elsewhere, email)
    assert 'href="/forgotten"' in night.visitor().get("/sign-in").text
    assert asked(night, email.upper())[0] == asked(night, email)[0] == 200
    first, second = links(mail, email)
    letter = mail.received[-1].message
    assert (letter["Subject"], letter["Auto-Submitted"]) == ("gritledger: another password", "auto-generated")
    assert "If it was not you, do nothing" in letter.get_content()
    for _ in range(3):  # scanners open links
        assert "The new password" in night.visitor().get(first).text
    assert (here.get("/").status_code, sign(night.visitor(), email)) == (200, 303), "asking changed something"
    again = night.visitor()
    short = again.post(first, data={"password": "short"})
    assert (short.status_code, "12 characters or more" in short.text) == (422, True)
    assert again.post(first, data={"password": OTHER}).status_code == 303
    assert again.get("/people").status_code == 200, "signed in, and an owner still"
    assert (here.get("/").status_code, elsewhere.get("/").status_code) == (401, 401), "a session went on"
    assert (sign(night.visitor(), email), sign(night.visitor(), email, OTHER)) == (403, 303)
    for used in (first, second):  # the other one was for the password that is no more
        assert night.visitor().get(used).status_code == 410
        assert night.visitor().post(used, data={"password": PASSWORD}).status_code == 410
    assert sign(night.visitor(), email, OTHER) == 303


def test_a_link_ends_after_an_hour_and_cannot_be_made_up(
    night: Evening, mill: Household, mail: MailServer, tmp_path: Path
) -> None:
    email, others = address(tmp_path, "ines"), address(tmp_path, "marek")
    night.person("Ines", (mill, Role.OWNER, None), email=email)
    night.person("Marek", (mill, Role.RIDER, None), email=others)
    asked(night, email)
    (link,) = links(mail, email)
    number, until, proof = link.removeprefix("/forgotten/").split(".")
    marek = night.club.people.by_email(others)
    assert marek is not None
    for forged in (
        f"{marek.id}.{until}.{proof}",
        f"{number}.{int(until) + 3600}.{proof}",
        f"{number}.{until}.",
        f"{number}.{until}.{proof[:-1]}",
        f"{number}.{until}.{proof}x",
        f"{number}.99999999999.{proof}",
        f"99999999999.{until}.{proof}",
        f"{number}.{until}",
        "x",
        "a..b",
        "é.é.é",
    ):
        assert night.visitor().get(f"/forgotten/{forged}").status_code in (404, 410), forged
        assert night.visitor().post(f"/forgotten/{forged}", data={"password": OTHER}).status_code in (
            404,
            410,
        )
    night.late[0] = LOST_FOR - timedelta(seconds=2)
    assert night.visitor().get(link).status_code == 200
    night.late[0] = LOST_FOR
    assert night.visitor().get(link).status_code == 410
    assert night.visitor().post(link, data={"password": OTHER}).status_code == 410
    assert (sign(night.visitor(), email), sign(night.visitor(), others)) == (303, 303)


def test_who_asks_learns_nothing_and_is_counted(
    night: Evening, mill: Household, mail: MailServer, tmp_path: Path
) -> None:
    email = address(tmp_path, "ines")
    night.person("Ines", (mill, Role.OWNER, None), email=email)
    before = len(mail.received)
    told = [asked(night, one)[1].replace(one, "…") for one in (email, f"x{email}")]
    assert told[0] == told[1]
    assert len(mail.received) == before + 1
    for one in (email, f"x{email}"):
        statuses = [asked(night, one)[0] for _ in range(FREE_LINKS + 1)]
        assert statuses == [200] * (FREE_LINKS - 1) + [429, 429], one
    assert len(links(mail, email)) == FREE_LINKS
    assert sign(night.visitor(), email) == 303, "asking for links keeps nobody out"
    tail = abs(hash(tmp_path)) % 65536
    away = {"x-forwarded-for": f"2001:db8:1:{tail:x}::1"}
    statuses = [asked(night, f"{n}{email}", **away)[0] for n in range(FREE_LINKS_FROM_AN_ADDRESS + 1)]
    assert statuses == [200] * FREE_LINKS_FROM_AN_ADDRESS + [429]


def test_a_mail_that_is_not_taken_is_told_to_whoever_runs_the_club_alone(
    night: Evening, mill: Household, mail: MailServer, tmp_path: Path, caplog: pytest.LogCaptureFixture
) -> None:
    email = address(tmp_path, "ines")
    night.person("Ines", (mill, Role.OWNER, None), email=email)
    mail.script = lambda _address, _attempt: Answer(reply="451 not now")
    status, said = asked(night, email)
    assert (status, "451" in said, "Look into your mail" in said) == (200, False, True)
    assert "was not mailed: the mail server" in caplog.text
    assert email not in caplog.text


def test_two_who_use_a_link_at_once_choose_one_password(
    night: Evening, mill: Household, mail: MailServer, tmp_path: Path
) -> None:
    email = address(tmp_path, "ines")
    night.person("Ines", (mill, Role.OWNER, None), email=email)
    asked(night, email)
    (link,) = links(mail, email)

    def use(n: int) -> int:
        return night.visitor().post(link, data={"password": f"{OTHER} {n}"}).status_code

    with ThreadPoolExecutor(4) as pool:
        answers = list(pool.map(use, range(4)))
    assert sorted(answers) == [303, 410, 410, 410]
    assert sign(night.visitor(), email, f"{OTHER} {answers.index(303)}") == 303


def test_without_a_mail_server_the_page_says_whom_to_ask(club_url: str, tmp_path: Path) -> None:
    with evening(club_url, tmp_path) as night:
        page = night.visitor().get("/forgotten").text
        assert "Whoever runs the club can hand you a link" in page
        assert "<form" not in page
