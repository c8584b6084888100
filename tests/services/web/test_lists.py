"""Lists page, filter and search; no page is longer than a reader scrolls; a finger hits what it points at."""

from __future__ import annotations

import re
from datetime import timedelta

from playwright.sync_api import Browser
from starlette.testclient import TestClient

from rules.commands import Amend
from rules.vocabulary import Regime
from services.app import App
from services.running.round import one_round
from services.store import FileRecord, Store
from services.use_cases.record_change import record
from tests.put_into import into
from tests.services.web.browser import a_tab
from tests.services.web.conftest import Served, token_in
from tests.services.web.small_household import NOW, fit_ride
from tests.services.web.test_pages import PAGES

LONGEST_PX = 3000
FINGER_PX, PRESS_PX = 24, 43


def fill(store: Store) -> None:
    """A household after some years: hundreds of files, dozens of chains and fittings."""
    with store.writing() as tx:
        rider = tx.equipment.riders()[0].id
        crake = into(tx).add_bike("Crake", rider)
        for number in range(300):
            outcome, why = ("unreadable", "the file is torn") if number % 50 == 0 else ("new ride", "")
            tx.files.record(
                FileRecord(
                    sha256=f"{number:064x}",
                    name=f"/rides/{number:03}.fit",
                    size=1,
                    seen_at=NOW - timedelta(hours=number),
                    outcome=outcome,
                    why=why,
                )
            )
        for number in range(12):
            chain = into(tx).add_chain(f"Slate {number}", regime=Regime.WET_LUBE)
            for turn in range(3):
                at = NOW - timedelta(days=90 - 12 * turn - number)
                into(tx).fit_chain(chain.id, crake.id, at, at + timedelta(hours=20))


def test_files_are_paged_filtered_and_searched(page: TestClient, shop: App) -> None:
    fill(shop.store)

    def seen(**query: str) -> list[str]:
        return re.findall(r'class="path">(?:/rides/)?(\d{3}\.fit)', page.get("/files", params=query).text)

    first, second = seen(), seen(page="2")
    assert len(first) <= 20
    assert not set(first) & set(second)
    assert seen(only="unreadable", text="rides/")[:2] == ["000.fit", "050.fit"]
    assert seen(text="torn", page="1")[:1] == ["000.fit"]
    assert seen(text="123.fit") == ["123.fit"]
    assert "No file is like that." in page.get("/files", params={"text": "no such file"}).text


def test_chains_are_found_by_name_and_place(page: TestClient, shop: App) -> None:
    fill(shop.store)
    assert "15 chains." in page.get("/chains").text
    assert page.get("/chains").text.count('class="bike chain-row"') == 10
    assert "2 chains." in page.get("/chains", params={"where": "bike"}).text
    assert "1 chain." in page.get("/chains", params={"text": "slate 11"}).text
    assert "No chain is like that." in page.get("/chains", params={"text": "granite"}).text
    assert "<th" not in page.get("/chains").text  # no table of totals


def test_reminders_and_what_was_said_are_searched(look: TestClient) -> None:
    assert "0 reminders" in look.get("/why", params={"text": "no such"}).text
    assert re.search(r"[1-9]\d* reminders?\.", look.get("/why", params={"now": "raised"}).text)
    assert "wipe test" in look.get("/corrections", params={"text": "wipe test"}).text
    assert "Nothing like that was said." in look.get("/corrections", params={"text": "no such"}).text


def test_no_page_is_too_long_and_what_can_be_pressed_is_as_large_as_a_finger(
    browser: Browser, served: Served
) -> None:
    fill(served.shop.store)
    too_long, too_small = [], []
    with a_tab(browser, served.url) as page:
        for path in PAGES:
            page.goto(path)
            for width in (1280, 360):
                page.set_viewport_size({"width": width, "height": 800})
                height = page.evaluate("document.documentElement.scrollHeight")
                if height > LONGEST_PX:
                    too_long.append((path, width, height))
                small = page.evaluate(SMALL, [FINGER_PX, PRESS_PX])
                too_small += [(path, width, said) for said in small]
    assert too_long == []
    assert too_small == []


# A box in a label is pressed by its label; the link that skips the head shows only when it has the focus.
SMALL = """([finger, press]) => [...document.querySelectorAll('a, button, input, select, summary')]
  .filter((one) => one.type !== 'hidden' && !one.matches('.skip'))
  .map((one) => [one, (one.matches('input') && one.closest('label')) || one])
  .filter(([one, target]) => {
    const box = target.getBoundingClientRect();
    const wanted = one.matches('.main') && innerWidth < 640 ? press : finger;
    return box.width > 0 && (box.height < wanted - 0.1 || box.width < finger - 0.1);
  })
  .map(([one]) => `${one.tagName} ${(one.textContent || one.name).trim().slice(0, 30)}`)"""


def test_a_clock_that_is_no_places_is_named_by_its_distance(page: TestClient, shop: App) -> None:
    with shop.store.reading() as tx:
        rider = tx.equipment.riders()[0].id
    record(shop, Amend("rider", rider, {"time_zone": "Etc/GMT-2"}), now=NOW)
    assert "Times are those of UTC+2." in page.get("/").text


def test_a_run_is_taken_as_a_ride_by_a_press_and_no_other_file_is_opened(page: TestClient, shop: App) -> None:
    jog = shop.settings.home / "rides" / "jog.fit"
    start = NOW - timedelta(hours=30)
    jog.write_bytes(fit_ride(start, sensor=None, seconds=1500, sport="running"))
    one_round(shop, now=NOW)
    listed = page.get("/files", params={"only": "not a ride"}).text
    assert "says it is “running”" in listed
    assert ">It was a ride</button>" in listed
    form = {"the_page": token_in(listed), "file": str(jog)}

    hidden = shop.settings.home / "rides" / "evening.fit"
    hidden.write_bytes(fit_ride(start - timedelta(days=200), sensor=None))
    with shop.store.reading() as tx:
        before = tx.writes()
    for other in (hidden, "/etc/hostname", "jog.fit", ""):
        answer = page.post("/files/a-ride", data={**form, "file": str(other)})
        assert answer.status_code == 422, other
    with shop.store.reading() as tx:
        assert tx.writes() == before

    assert "jog.fit: new ride." in page.post("/files/a-ride", data=form).text
    with shop.store.reading() as tx:
        assert any(ride.started_at == start for ride in tx.rides.rides(newest_first=True))
    assert "It was a ride" not in page.get("/files", params={"only": "not a ride"}).text


def test_a_finger_is_told_of_no_keys(browser: Browser, served: Served) -> None:
    seen = {}
    for touch in (True, False):
        context = browser.new_context(base_url=served.url, has_touch=touch, is_mobile=touch)
        page = context.new_page()
        page.goto("/rides/answer")
        keys = page.locator(".keys, .options kbd")
        seen[touch] = {keys.nth(place).is_visible() for place in range(keys.count())}
        context.close()
    assert seen == {True: {False}, False: {True}}
