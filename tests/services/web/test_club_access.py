"""A club's door: nobody is let in but by invitation and password, and only as far as their role goes."""

from __future__ import annotations

import re
from collections.abc import Iterator
from concurrent.futures import ThreadPoolExecutor
from datetime import timedelta
from pathlib import Path
from urllib.parse import urlsplit

import pytest
from argon2 import PasswordHasher
from starlette.testclient import TestClient

from rules.roles import MAY, Reach, Right, Role
from rules.vocabulary import RiderId
from services.app import household_app
from services.session_lifetime import CLUB_IDLE, CLUB_LONGEST
from services.store.club import Household
from services.use_cases import memberships, passwords
from services.use_cases.sign_in import FREE_FROM_AN_ADDRESS, FREE_TRIES
from services.web.page_rights import DECISIONS, Door, decided
from tests.mail_server import mail_server
from tests.put_into import into
from tests.services.web.club_evening import (
    PASSWORD,
    Evening,
    evening,
    link_in,
    sign,
    token_of,
)
from tests.services.web.conftest import token_in


@pytest.fixture
def night(club_url: str, tmp_path: Path) -> Iterator[Evening]:
    with evening(club_url, tmp_path) as made:
        yield made


@pytest.fixture
def mill(night: Evening, tmp_path: Path) -> Household:
    return night.household(f"Mill {tmp_path.name} {tmp_path.parent.name}")


@pytest.fixture
def quay(night: Evening, tmp_path: Path) -> Household:
    return night.household(f"Quay {tmp_path.name} {tmp_path.parent.name}")


def test_a_password_is_hashed_at_the_full_cost(monkeypatch: pytest.MonkeyPatch) -> None:
    """64 MiB in 3 passes: RFC 9106, section 4, second choice (https://www.rfc-editor.org/rfc/rfc9106)."""
    monkeypatch.setattr(passwords, "PasswordHasher", PasswordHasher)
    assert passwords.hashed_password(PASSWORD).startswith("$argon2id$v=19$m=65536,t=3,p=4$")


def address(tmp_path: Path, name: str) -> str:
    return f"{name}@{tmp_path.name.replace('_', '-')}.{tmp_path.parent.name}.example"


def routes(client: TestClient) -> set[tuple[str, str]]:
    """Every method and path that the application answers, whoever registered it."""
    found: set[tuple[str, str]] = set()
    waiting = [("", route) for route in client.app.routes]  # type: ignore[attr-defined]
    while waiting:
        prefix, route = waiting.pop()
        inner = getattr(route, "routes", None) or getattr(
            getattr(route, "original_router", None), "routes", None
        )
        if getattr(route, "methods", None):
            found |= {(method, prefix + route.path) for method in route.methods if method != "HEAD"}
        elif inner:
            api = "/api" if any("web.api" in getattr(one.endpoint, "__module__", "") for one in inner) else ""
            waiting += [(prefix + api, one) for one in inner]
    return found


def filled(path: str) -> str:
    """The path of some thing that is there."""
    return path.replace("{number}", "1").replace("{name}", "rides").replace("{form}", "mail")


# --- every route


def test_every_route_has_a_decision_and_every_decision_its_route(night: Evening) -> None:
    there = routes(night.visitor())
    assert len(there) > 90
    undecided = {(method, path) for method, path in there if decided(method, path) is None}
    assert undecided == set(), "a new page says in services/web/page_rights.py whom it lets in"
    listed = {
        (method, path)
        for methods in DECISIONS.values()
        for method, paths in methods.items()
        for path in paths.split()
    }
    assert listed - there == set()
    assert decided("GET", "/not/a/page") is None
    assert decided("POST", "/rides") is None


def test_without_a_sign_in_nothing_is_seen_and_nothing_changed(night: Evening, mill: Household) -> None:
    stranger, before = night.visitor(), night.writes(mill)
    for method, path in sorted(routes(stranger)):
        answer = stranger.request(method, filled(path), data={} if method == "POST" else None)
        if decided(method, path) is Door.ANYONE:
            assert answer.status_code in (200, 403, 404, 410, 422), path
        else:
            assert answer.status_code == 401, (method, path)
        assert "Plover" not in answer.text, path
        assert mill.name not in answer.text, path
    forged = night.visitor()
    forged.cookies.set("gritledger_member", "x" * 43)
    assert forged.get("/chains").status_code == 401
    assert night.writes(mill) == before


@pytest.mark.parametrize("role", list(Role))
def test_every_role_opens_its_own_pages_and_no_other(night: Evening, mill: Household, role: Role) -> None:
    who = night.person("Ines", (mill, role, RiderId(1)))
    token, before, opened = token_of(who, "/me"), night.writes(mill), 0
    household_token = token_in(who.get("/care").text) or token_in(who.get("/care/reading").text)
    for method, path in sorted(routes(who)):
        needs = decided(method, path)
        if not isinstance(needs, Right) or path in ("/drop/files", "/drop/piece"):
            continue
        form = {"the_page": household_token} if method == "POST" else None
        if MAY[needs][role] is Reach.NONE:
            answer = who.request(method, filled(path), data=form)
            assert answer.status_code == 403, (method, path)
            assert "may" in answer.text, path
            assert "Plover" not in answer.text, path
        elif method == "GET":
            answer = who.get(filled(path), follow_redirects=True)
            assert answer.status_code in (200, 404, 422), (path, answer.status_code, answer.text[-500:])
            opened += answer.status_code == 200
    assert opened >= {Role.OWNER: 30, Role.MECHANIC: 15, Role.RIDER: 20}[role]
    assert token != household_token
    assert night.writes(mill) == before


def test_members_of_another_household_see_and_change_nothing_of_it(
    night: Evening, mill: Household, quay: Household
) -> None:
    """The right member is the control: the same addresses show it to them."""
    insider = night.person("Ines", (mill, Role.OWNER, None))
    outsider = night.person("Marek", (quay, Role.OWNER, None))
    with night.club.store(mill.number).writing() as tx:
        into(tx).add_bike("Only in the mill", tx.equipment.find_rider("Ines").id)
    before = night.writes(mill)
    token, seen = token_of(outsider, "/care"), 0
    for method, path in sorted(routes(outsider)):
        if not isinstance(decided(method, path), Right) or path.startswith("/drop/"):
            continue
        form = {"the_page": token} if method == "POST" else None
        with night.club.store(mill.number).reading() as tx:
            chain, ride = tx.garage().chains[0].id, tx.rides.rides()[0].id
        number = str(ride if path.startswith(("/rides", "/api/rides")) else chain)
        there = filled(path.replace("{number}", number))
        answer = outsider.request(method, there, data=form)
        assert "Only in the mill" not in answer.text, path
        assert mill.name not in answer.text, path
        if method == "GET":
            seen += "Only in the mill" in insider.get(there).text
    assert seen >= 4, "the pages would show it to nobody"
    for path in (
        f"/at/{mill.number}/why/1",
        f"/at/{mill.number}/chains",
        "/at/x/chains",
        "/at/1//evil.invalid",
    ):
        assert outsider.get(path).status_code == 404, path
    their_page = token_of(outsider, "/me")
    assert outsider.post(f"/households/{mill.number}", data={"the_page": their_page}).status_code == 404
    assert (
        outsider.post(f"/me/leave/{mill.number}", data={"the_page": their_page, "sure": "1"}).status_code
        == 404
    )
    assert night.writes(mill) == before


def test_the_token_of_one_household_is_not_taken_in_another(
    night: Evening, mill: Household, quay: Household
) -> None:
    """A form left open in one tab while another tab looks at another household writes nothing there."""
    who = night.person("Ines", (mill, Role.OWNER, None), (quay, Role.OWNER, None))
    assert who.get("/", follow_redirects=True).status_code == 200
    who.post(f"/households/{mill.number}", data={"the_page": token_of(who, "/households")})
    of_mill = token_of(who, "/care")
    who.post(f"/households/{quay.number}", data={"the_page": token_of(who, "/households")})
    before = night.writes(quay)
    form = {"chain": "1", "kind": "drip", "the_page": of_mill}
    assert who.post("/care/treatment", data=form).status_code == 403
    assert night.writes(quay) == before
    # A link from a mail names its household, and leads to it.
    answer = who.get(f"/at/{mill.number}/chains?where=bike")
    assert (answer.status_code, answer.headers["location"]) == (303, "/chains?where=bike")
    assert mill.name in who.get("/chains").text


def test_what_a_rider_says_of_their_own_stands_and_of_others_not(night: Evening, mill: Household) -> None:
    store = night.club.store(mill.number)
    with store.reading() as tx:
        garage = tx.garage()
        ines, tomas = (tx.equipment.find_rider(name).id for name in ("Ines", "Tomás"))
        rides = {one.rider: one.id for one in tx.rides.rides()}
    chains = {garage.bike(one.bike).owner: one.chain for one in garage.fittings}
    rider = night.person("Ines", (mill, Role.RIDER, ines))
    token, before = token_of(rider, "/care"), night.writes(mill)

    def say(path: str, **form: str) -> tuple[int, str]:
        answer = rider.post(path, data={"the_page": token, **form})
        return answer.status_code, answer.text

    status, said = say("/care/treatment", chain=str(chains[tomas]), kind="drip")
    assert (status, "of their own alone" in said) == (403, True)
    assert say(f"/rides/{rides[tomas]}/conditions", word="wet")[0] == 403
    assert say("/settings/fit", chain=str(chains[ines]), bike="1")[0] == 403
    assert night.writes(mill) == before
    assert say("/care/treatment", chain=str(chains[ines]), kind="drip")[0] == 303
    assert say(f"/rides/{rides[ines]}/conditions", word="wet")[0] == 303
    assert "<td>Ines</td>" in rider.get("/corrections").text  # who said it
    with store.reading() as tx:
        mine = [one for one in tx.changes.all_() if one.by == "Ines"]
    owner = night.person("Olga", (mill, Role.OWNER, None))
    form = {"the_page": token_of(owner, "/care"), "chain": str(chains[tomas]), "kind": "drip"}
    assert owner.post("/care/treatment", data=form).status_code == 303
    with store.reading() as tx:
        theirs = next(one for one in tx.changes.all_() if one.by == "Olga")
    assert say(f"/corrections/{theirs.number}/undo")[0] == 403
    assert all(say(f"/corrections/{one.number}/undo")[0] == 303 for one in mine)


def test_a_page_shows_no_form_that_would_be_refused(night: Evening, mill: Household) -> None:
    rider = night.person("Ines", (mill, Role.RIDER, RiderId(1)))
    owner = night.person("Olga", (mill, Role.OWNER, None))
    actions = [
        set(re.findall(r'method="post" action="([^"]+)"', one.get("/wax-night").text))
        for one in (rider, owner)
    ]
    assert actions == [set(), {"/wax-night/supplies"}]
    assert 'href="/settings' not in rider.get("/").text.partition("</header>")[0]
    assert 'href="/settings/chains"' in owner.get("/").text.partition("</header>")[0]


# --- passwords, sessions


def test_the_cookie_is_the_browsers_alone_and_behind_https_no_other_sites(
    night: Evening, mill: Household, club_url: str, tmp_path: Path
) -> None:
    email = address(tmp_path, "ines")
    night.person("Ines", (mill, Role.OWNER, None), email=email)
    who = night.visitor()
    assert sign(who, email, PASSWORD + "x") == 403
    answer = who.post("/sign-in", data={"email": email.upper(), "password": PASSWORD, "to": "/chains"})
    assert (answer.status_code, answer.headers["location"]) == (303, "/chains")
    cookie = answer.headers["set-cookie"].lower()
    assert "httponly" in cookie
    assert "samesite=lax" in cookie
    assert "secure" not in cookie
    assert who.get("/chains").status_code == 200
    (tmp_path / "tls").mkdir()
    with evening(club_url, tmp_path / "tls", more='[page]\npublic_url = "https://club.example"\n') as behind:
        client = TestClient(behind.pages, base_url="https://club.example", follow_redirects=False)
        cookie = client.post("/sign-in", data={"email": email, "password": PASSWORD}).headers["set-cookie"]
        assert cookie.startswith("__Host-gritledger_member=")
        assert "; secure" in cookie.lower()
    for to in ("//attacker.invalid", "https://attacker.invalid", "/\\attacker.invalid", "x"):
        answer = who.post("/sign-in", data={"email": email, "password": PASSWORD, "to": to})
        assert answer.headers["location"] == "/"


def test_a_session_is_named_anew_and_ends_when_it_should(
    night: Evening, mill: Household, tmp_path: Path
) -> None:
    email = address(tmp_path, "ines")
    who = night.person("Ines", (mill, Role.OWNER, None), email=email)
    old = dict(who.cookies)
    sign(who, email)
    assert dict(who.cookies) != old
    copied = night.visitor()
    copied.cookies.update(old)
    assert copied.get("/").status_code == 401, "the old name still opens"
    copied.cookies.update(dict(who.cookies))
    assert copied.get("/").status_code == 200
    who.post("/sign-out", data={"the_page": token_of(who, "/me")})
    assert copied.get("/").status_code == 401, "signed out, a copied cookie still opens"
    sign(who, email)
    night.late[0] = CLUB_IDLE
    assert who.get("/").status_code == 401
    night.late[0] = timedelta()
    sign(who, email)
    for days in range(10, CLUB_LONGEST.days + 10, 10):
        night.late[0] = timedelta(days=days)
        assert who.get("/").status_code == (200 if night.late[0] < CLUB_LONGEST else 401), days


def test_another_password_ends_every_other_session(night: Evening, mill: Household, tmp_path: Path) -> None:
    email = address(tmp_path, "ines")
    here = night.person("Ines", (mill, Role.OWNER, None), email=email)
    elsewhere = night.visitor()
    sign(elsewhere, email)
    form = {"the_page": token_of(here, "/me"), "old": PASSWORD, "password": "short"}
    assert here.post("/me/password", data=form).status_code == 409
    assert (
        here.post(
            "/me/password", data=form | {"old": "wrong wrong wrong", "password": "other dry words"}
        ).status_code
        == 403
    )
    assert elsewhere.get("/").status_code == 200
    assert here.post("/me/password", data=form | {"password": "other dry words"}).status_code == 303
    assert (here.get("/").status_code, elsewhere.get("/").status_code) == (200, 401)
    assert sign(elsewhere, email) == 403
    assert sign(elsewhere, email, "other dry words") == 303
    here.post("/me/everywhere", data={"the_page": token_of(here, "/me")})
    assert (here.get("/").status_code, elsewhere.get("/").status_code) == (401, 401)


def test_guesses_sent_together_are_counted_one_by_one(
    night: Evening, mill: Household, tmp_path: Path
) -> None:
    email = address(tmp_path, "ines")
    night.person("Ines", (mill, Role.OWNER, None), email=email)

    def guess(n: int) -> int:
        return sign(
            night.visitor(), email, f"wrong guess number {n}", **{"x-forwarded-for": f"203.0.113.{n}"}
        )

    with ThreadPoolExecutor(12) as pool:
        answers = sorted(pool.map(guess, range(12)))
    assert answers.count(403) <= FREE_TRIES
    assert answers.count(429) >= 12 - FREE_TRIES
    assert sign(night.visitor(), email) == 429, "the right one waits as well"
    night.late[0] = timedelta(seconds=5)
    assert sign(night.visitor(), email) == 303
    assert sign(night.visitor(), email, "wrong wrong wrong") == 403, "after the right one they count anew"


def test_who_is_not_there_is_answered_as_who_is_and_an_address_is_slowed_for_all(
    night: Evening, mill: Household, tmp_path: Path
) -> None:
    email = address(tmp_path, "ines")
    night.person("Ines", (mill, Role.OWNER, None), email=email)
    there, nobody = night.visitor(), night.visitor()
    one = there.post("/sign-in", data={"email": email, "password": "wrong wrong wrong"})
    other = nobody.post("/sign-in", data={"email": f"x{email}", "password": "wrong wrong wrong"})
    assert one.text.replace(email, "") == other.text.replace(f"x{email}", "")
    # One /64 of IPv6 is one address: the rest of it is its owner's to choose.
    tail = abs(hash(tmp_path)) % 65536
    statuses = [
        sign(night.visitor(), f"{n}{email}", "wrong", **{"x-forwarded-for": f"2001:db8:0:{tail:x}::{n}"})
        for n in range(FREE_FROM_AN_ADDRESS + 1)
    ]
    assert statuses == [403] * FREE_FROM_AN_ADDRESS + [429]
    assert sign(night.visitor(), email) == 303  # from elsewhere


# --- invitations


def test_an_invitation_is_opened_often_and_used_once(night: Evening, mill: Household, tmp_path: Path) -> None:
    email = address(tmp_path, "marek")
    link = urlsplit(night.invited(mill, email, Role.MECHANIC)).path
    for _ in range(3):
        answer = night.visitor().get(link)  # scanners open links
        assert answer.status_code == 200
        assert f"Join “{mill.name}”?" in answer.text
        assert "log care, readings and wipe tests" in answer.text
        assert "Plover" not in answer.text
    assert night.club.people.by_email(email) is None
    who = night.visitor()
    assert who.post(link, data={"name": "Marek", "password": "short"}).status_code == 422
    assert who.post(link, data={"name": " ", "password": PASSWORD}).status_code == 422
    assert who.post(link, data={"name": "Marek", "password": PASSWORD}).status_code == 303
    assert who.get("/").status_code == 200
    again = night.visitor()
    assert again.get(link).status_code == 410
    assert again.post(link, data={"name": "Eve", "password": PASSWORD}).status_code == 410
    assert again.get("/").status_code == 401
    assert [one.name for one in night.club.people.members(mill.number)] == ["Marek"]


def test_an_invitation_ends_and_can_be_taken_back_and_is_the_only_one(
    night: Evening, mill: Household, quay: Household, tmp_path: Path
) -> None:
    email, form = address(tmp_path, "marek"), {"name": "Marek", "password": PASSWORD}
    first = urlsplit(night.invited(mill, email, Role.OWNER)).path
    second = urlsplit(night.invited(mill, email.upper(), Role.MECHANIC)).path
    assert night.visitor().post(first, data=form).status_code == 410
    night.late[0] = memberships.INVITED_FOR
    assert night.visitor().post(second, data=form).status_code == 410
    night.late[0] = timedelta()
    owner = night.person("Ines", (mill, Role.OWNER, None))
    page = {"the_page": token_of(owner, "/people"), "email": email}
    assert owner.post("/people/take-back", data=page).status_code == 303
    assert night.visitor().post(second, data=form).status_code == 410
    assert night.visitor().get("/invited/no-such-link").status_code == 410
    # Somebody known joins another household with their own password, not with a new one.
    night.person("Marek", (mill, Role.MECHANIC, None), email=email)
    link = urlsplit(night.invited(quay, email, Role.MECHANIC)).path
    assert night.visitor().post(link, data=form | {"password": "a word of my own choice"}).status_code == 403
    joined = night.visitor()
    assert joined.post(link, data=form).status_code == 303
    assert len(night.club.people.by_email(email).password_hash) > 50  # type: ignore[union-attr]
    assert {mill.name, quay.name} <= set(
        re.findall(r"(?:Mill|Quay) [^<”\"]+", joined.get("/households").text)
    )


def test_a_crowd_that_accepts_at_once_is_one_member(night: Evening, mill: Household, tmp_path: Path) -> None:
    link = urlsplit(night.invited(mill, address(tmp_path, "marek"), Role.MECHANIC)).path

    def accept(n: int) -> int:
        return night.visitor().post(link, data={"name": f"Marek {n}", "password": PASSWORD}).status_code

    with ThreadPoolExecutor(4) as pool:
        assert sorted(pool.map(accept, range(4))).count(303) == 1
    assert len(night.club.people.members(mill.number)) == 1


def test_owners_invite_by_mail_and_nobody_else_does(club_url: str, tmp_path: Path) -> None:
    with mail_server(security="none") as mail, evening(club_url, tmp_path, mail) as night:
        mill = night.household(f"Mill {tmp_path}")
        owner_mail, other = address(tmp_path, "ines"), address(tmp_path, "marek")
        owner = night.person("Ines", (mill, Role.OWNER, None), email=owner_mail)
        assert link_in(mail, owner_mail)
        page = {"the_page": token_of(owner, "/people"), "email": other, "role": "mechanic"}
        for wrong, why in (
            ("role", "everything"),
            ("email", "nowhere"),
            ("email", owner_mail),
            ("rider", "99"),
        ):
            answer = owner.post("/people/invite", data=page | {wrong: why})
            assert answer.status_code in (404, 409, 422), (wrong, why)
        assert owner.post("/people/invite", data=page | {"role": "rider"}).status_code == 422
        assert owner.post("/people/invite", data=page).status_code == 303
        mechanic = night.visitor()
        assert (
            mechanic.post(
                urlsplit(link_in(mail, other)).path, data={"name": "Marek", "password": PASSWORD}
            ).status_code
            == 303
        )
        said = mail.received[-1].message
        assert mill.name in said["Subject"]
        assert said["Auto-Submitted"] == "auto-generated"
        mail.script = lambda _address, _attempt: __import__("tests.mail_server").mail_server.Answer(
            reply="550 no such person"
        )
        answer = owner.post("/people/invite", data=page | {"email": f"x{other}"}, follow_redirects=True)
        assert "the mail was not taken" in answer.text


# --- leaving


def test_the_last_owner_stays_and_whoever_left_sees_no_more(
    night: Evening, mill: Household, quay: Household, tmp_path: Path
) -> None:
    owner = night.person("Ines", (mill, Role.OWNER, None))
    mechanic = night.person("Marek", (mill, Role.MECHANIC, None), (quay, Role.MECHANIC, None))
    page = {"the_page": token_of(owner, "/households"), "sure": "yes"}
    assert owner.post(f"/me/leave/{mill.number}", data=page).status_code == 409
    assert owner.post(f"/me/leave/{mill.number}", data={"the_page": page["the_page"]}).status_code == 422
    (marek,) = (one for one in night.club.people.members(mill.number) if one.name == "Marek")
    their = {"the_page": token_of(mechanic, "/me")}
    mechanic.post(f"/households/{mill.number}", data=their)
    assert mechanic.get("/chains").status_code == 200
    of_mill = {"the_page": token_of(owner, "/people")}
    assert owner.post(f"/people/{marek.person}/let-go", data=of_mill).status_code == 303
    assert mechanic.get("/chains").status_code == 200  # of the only household left
    assert mill.name not in mechanic.get("/chains").text
    mechanic.post(f"/me/leave/{quay.number}", data=their | {"sure": "yes"})
    assert mechanic.get("/chains").headers["location"] == "/households"
    assert mechanic.get("/api/chains").status_code == 403
    assert "You belong to no household" in mechanic.get("/households").text
    second = night.person("Olga", (mill, Role.OWNER, None))
    assert owner.post(f"/me/leave/{mill.number}", data=page).status_code == 303
    assert second.get("/people").status_code == 200


def test_two_owners_who_leave_at_once_do_not_leave_none(night: Evening, mill: Household) -> None:
    owners = [night.person(name, (mill, Role.OWNER, None)) for name in ("Ines", "Olga")]
    pages = [{"the_page": token_of(one, "/households"), "sure": "yes"} for one in owners]

    def leave(n: int) -> int:
        return owners[n].post(f"/me/leave/{mill.number}", data=pages[n]).status_code

    with ThreadPoolExecutor(2) as pool:
        assert sorted(pool.map(leave, range(2))) == [303, 409]
    assert len(night.club.people.members(mill.number)) == 1


def test_a_link_in_a_mail_answers_in_its_own_household_without_a_sign_in(
    night: Evening, mill: Household, quay: Household
) -> None:
    stores = {one.number: night.club.store(one.number) for one in (mill, quay)}
    app = household_app(night.app, stores[mill.number])
    with stores[mill.number].reading() as tx:
        (due, *_) = tx.reminders.standing()
    address = app.address(night.clock())
    assert address is not None
    link = urlsplit(address.done(due.id)).path
    assert link.startswith(f"/at/{mill.number}/a/")
    stranger, before = night.visitor(), night.writes(mill)
    page = stranger.get(link)
    assert (page.status_code, "Yes, write it down" in page.text) == (200, True)
    assert night.writes(mill) == before, "opening it wrote something"
    elsewhere = link.replace(f"/at/{mill.number}/", f"/at/{quay.number}/")
    assert stranger.get(elsewhere).status_code == 410
    assert stranger.get(link.removeprefix(f"/at/{mill.number}")).status_code == 401
    quiet = night.writes(quay)
    assert stranger.post(link, data={"the_page": token_in(page.text)}).status_code == 200
    assert stranger.post(link, data={"the_page": token_in(page.text)}).status_code == 409
    assert night.writes(mill) > before
    assert night.writes(quay) == quiet
    assert stranger.get("/").status_code == 401, "the link opened more than itself"
