"""Answering from a mail: opening writes nothing, a press writes once, and every other link says why not."""

from __future__ import annotations

import re
from collections.abc import Callable
from dataclasses import replace
from datetime import timedelta
from pathlib import Path

import pytest
from starlette.testclient import TestClient

from rules.reminder import ReminderKind, Step
from services.answer_links import GOOD_FOR, Act, AnswerLink
from services.app import App
from services.settings import SettingsError
from services.use_cases.queue_letters import ride_to_ask_about
from services.web.app import create_app
from tests.services.web.conftest import token_in
from tests.services.web.small_household import NOW, with_page
from tests.services.web.test_passphrase import PASSPHRASE, QUICK

LAN = "http://192.168.1.20:8765"
UNTIL = NOW + GOOD_FOR
Link = Callable[..., str]


@pytest.fixture
def outside(shop: App, tmp_path: Path) -> App:
    """The household with a page that a phone reaches, behind a passphrase."""
    file = tmp_path / "passphrase"
    file.write_text(QUICK.hash(PASSPHRASE) + "\n")
    file.chmod(0o600)
    return with_page(shop, host="0.0.0.0", passphrase_file=file, public_url=LAN)


@pytest.fixture
def phone(outside: App) -> TestClient:
    """A phone in the home network that was never signed in."""
    return TestClient(create_app(outside, clock=lambda: NOW), base_url=LAN, follow_redirects=False)


@pytest.fixture
def link(shop: App) -> Link:
    def made(act: Act, number: int, bike: int | None = 0) -> str:
        return "/a/" + AnswerLink(act, number, UNTIL, bike).token(shop.answer_key)

    return made


def writes(shop: App) -> int:
    with shop.store.reading() as tx:
        return tx.writes()


def standing(shop: App, *kinds: ReminderKind) -> int:
    with shop.store.reading() as tx:
        return next(one.id for one in tx.reminders.standing() if not kinds or one.reminder.kind in kinds)


def asking(shop: App) -> int:
    with shop.store.reading() as tx:
        return tx.rides.confirm_list()[-1].id


def press(phone: TestClient, path: str, **fields: str) -> tuple[int, str]:
    """Open the link and press its button, as a browser does."""
    token = token_in(phone.get(path).text)
    answer = phone.post(
        path, data={"the_page": token, **fields}, headers={"Origin": LAN, "Sec-Fetch-Site": "same-origin"}
    )
    return answer.status_code, answer.text


def test_opened_by_scanners_it_writes_nothing(phone: TestClient, shop: App, link: Link) -> None:
    before = writes(shop)
    for path in (
        link(Act.DONE, standing(shop)),
        link(Act.PUT_OFF, standing(shop)),
        link(Act.IT_WAS, asking(shop), 1),
        link(Act.IT_WAS, asking(shop), None),
    ):
        opened = {(phone.get(path).status_code, phone.head(path).status_code) for _ in range(50)}
        assert {code for code, _ in opened} == {200}
        page = phone.get(path).text
        assert "Nothing was written by opening this page" in page
        assert page.count("<form") == 1
        # A scanner that posts without the form, or from elsewhere, writes nothing either.
        assert phone.post(path).status_code == 403
        assert phone.post(path, headers={"Origin": "http://scanner.invalid"}).status_code == 403
    assert writes(shop) == before


def test_done_is_written_once_and_dated_to_the_press(phone: TestClient, shop: App, link: Link) -> None:
    number = standing(shop, ReminderKind.DRIP, ReminderKind.WIPE_AND_DRIP)
    path = link(Act.DONE, number)

    assert re.search(r"<h1>.+ on .+: (wiped and )?dripped just now\?</h1>", phone.get(path).text)
    code, said = press(phone, path)

    assert (code, "Written down" in said) == (200, True)
    with shop.store.reading() as tx:
        raised = tx.reminders.get(number)
        drip = max(tx.care.treatments(), key=lambda one: one.id)
    assert raised.state is Step.DONE
    assert (drip.chain, drip.done_at) == (raised.reminder.chain, NOW)
    after = writes(shop)
    again = phone.get(path)
    assert again.status_code == 410
    assert re.search(r"This was written down on .+ at \d\d:\d\d\. A link answers once", again.text)
    form = token_in(phone.get(link(Act.PUT_OFF, asking(shop), 1)).text)
    assert phone.post(path, data={"the_page": form}).status_code == 403
    assert writes(shop) == after


def test_a_form_that_was_open_twice_writes_once(phone: TestClient, shop: App, link: Link) -> None:
    path = link(Act.DONE, standing(shop, ReminderKind.DRIP, ReminderKind.WIPE_AND_DRIP))
    form = token_in(phone.get(path).text)

    codes = [phone.post(path, data={"the_page": form}).status_code for _ in range(3)]

    assert codes == [200, 409, 409]


def test_put_off_is_silent_for_a_day(phone: TestClient, shop: App, link: Link) -> None:
    number = standing(shop)
    path = link(Act.PUT_OFF, number)
    assert "put off until" in phone.get(path).text

    code, said = press(phone, path)

    assert (code, "put off" in said) == (200, True)
    with shop.store.reading() as tx:
        step = tx.reminders.get(number).steps[-1]
    assert (step.step, step.until, step.by) == (Step.PUT_OFF, NOW + timedelta(days=1), "a link in a mail")
    # The other link of the same mail still answers: it is another fact.
    assert press(phone, link(Act.DONE, number))[0] == 200


def test_a_mail_asks_of_no_ride_that_was_still_to_come(shop: App) -> None:
    """As where years are imported at once and the weeks after are told one by one."""
    with shop.store.reading() as tx:
        newest = tx.rides.confirm_list()[-1]
        rider = next(one for one in tx.equipment.riders() if one.id == newest.rider)
        asked = ride_to_ask_about(tx, shop, rider, newest.ended_at)
        before = ride_to_ask_about(tx, shop, rider, newest.ended_at - timedelta(seconds=1))
    assert asked is not None
    assert asked.ride == newest.id
    assert before is None or before.ride != newest.id


def test_which_bike_it_was_is_said_once_for_all_links_of_the_question(
    phone: TestClient, shop: App, link: Link
) -> None:
    ride = asking(shop)
    path, other = link(Act.IT_WAS, ride, 1), link(Act.IT_WAS, ride, 2)
    assert re.search(r"<h1>Which bike was it: .+, .+ km.*\?</h1>", phone.get(path).text)

    code, _said = press(phone, path, bike="1")

    assert code == 200
    with shop.store.reading() as tx:
        assert tx.rides.ride(ride).bike == 1  # type: ignore[arg-type]
    assert "it is settled already" in phone.get(other).text
    form = token_in(phone.get(link(Act.IT_WAS, asking(shop), 2)).text)
    assert phone.post(other, data={"the_page": form, "bike": "2"}).status_code == 403


@pytest.mark.parametrize("bike", ["2", "0", "", "99", "one"])
def test_a_link_about_one_bike_takes_no_other(phone: TestClient, shop: App, link: Link, bike: str) -> None:
    before = writes(shop)
    assert press(phone, link(Act.IT_WAS, asking(shop), 1), bike=bike)[0] == 409
    assert writes(shop) == before


def test_a_question_about_many_bikes_is_answered_on_the_page(
    phone: TestClient, shop: App, link: Link
) -> None:
    path = link(Act.IT_WAS, asking(shop), None)
    page = phone.get(path).text
    assert page.count("<button") >= 3
    assert "It was none of ours" in page

    assert press(phone, path, bike="0")[0] == 200


@pytest.mark.parametrize("broken", ["", "x", "A" * 39, "../../settings", "%2e%2e", "A" * 3000])
def test_forged_links_are_told_in_plain_words(phone: TestClient, shop: App, broken: str) -> None:
    before = writes(shop)
    answer = phone.get(f"/a/{broken}")
    assert answer.status_code in (404, 410, 401)
    assert "passphrase" in answer.text or "not one of ours" in answer.text or "no such page" in answer.text
    assert phone.post(f"/a/{broken}", data={"the_page": "x"}).status_code >= 400
    assert writes(shop) == before


def test_a_link_of_another_household_and_an_old_one_are_told(
    outside: App, phone: TestClient, shop: App, link: Link
) -> None:
    foreign = AnswerLink(Act.DONE, standing(shop), UNTIL).token(b"x" * 32)
    assert "not one of ours" in phone.get(f"/a/{foreign}").text
    later = TestClient(create_app(outside, clock=lambda: UNTIL), base_url=LAN)
    assert "good for a week" in later.get(link(Act.DONE, standing(shop))).text


def test_what_was_answered_elsewhere_meanwhile_is_told(phone: TestClient, shop: App, link: Link) -> None:
    number = standing(shop, ReminderKind.DRIP, ReminderKind.WIPE_AND_DRIP)
    assert press(phone, link(Act.DONE, number))[0] == 200
    assert "is done already" in phone.get(link(Act.PUT_OFF, number)).text


def test_a_link_opens_nothing_but_its_answer(phone: TestClient, shop: App, link: Link) -> None:
    path = link(Act.DONE, standing(shop))
    assert phone.get(path).status_code == 200
    assert "set-cookie" not in phone.get(path).headers
    assert phone.get("/").status_code == 401
    assert phone.get(f"/why/{standing(shop)}").status_code == 401
    assert phone.get("/careful").status_code == 200
    assert "Never put water on burning wax" in phone.get("/careful").text


def test_who_is_signed_in_can_press_too(phone: TestClient, shop: App, link: Link) -> None:
    """The link comes without the strict cookie, the press brings it along."""
    path = link(Act.PUT_OFF, standing(shop))
    form = token_in(phone.get(path).text)
    assert phone.post("/sign-in", data={"passphrase": PASSPHRASE}).status_code == 303

    assert phone.post(path, data={"the_page": form}).status_code == 200


def test_the_guard_takes_the_public_host_and_no_other(shop: App, tmp_path: Path) -> None:
    file = tmp_path / "passphrase"
    file.write_text(QUICK.hash(PASSPHRASE))
    file.chmod(0o600)
    home = with_page(shop, passphrase_file=file, public_url="https://bench.example")
    page = TestClient(create_app(home, clock=lambda: NOW), base_url="http://bench.example")
    assert page.get("/careful").status_code == 200
    # What stands in front speaks TLS; the browser names that origin.
    assert page.post("/sign-in", headers={"Origin": "https://bench.example"}).status_code == 403
    for origin in (
        "https://bench.example.invalid",
        "https://bench.example:444",
        "http://bench.invalid",
        "null",
    ):
        told = page.post("/sign-in", headers={"Origin": origin})
        assert (told.status_code, "not sent from this page" in told.text) == (403, True)
    for host in ("other.example", "bench.example.attacker.invalid", "192.168.1.20:8765"):
        assert page.get("/careful", headers={"Host": host}).status_code == 421
    forwarded = page.post("/sign-in", headers={"Host": "127.0.0.1:8765", "Origin": "https://bench.example"})
    assert "not sent from this page" in forwarded.text


def test_an_address_that_others_reach_wants_a_passphrase(shop: App) -> None:
    with pytest.raises(SettingsError, match=r"page\.public_url is http://192\.168\.1\.20:8765, so others"):
        create_app(with_page(shop, public_url=LAN))
    create_app(with_page(shop, public_url="http://localhost:8765"))
    assert replace(shop, page_url="http://x").page_address == "http://x"
