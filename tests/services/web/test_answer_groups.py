"""Rides that are alike are one question on the page: answered at once, or ride by ride."""

from __future__ import annotations

import re
from pathlib import Path

import pytest
from playwright.sync_api import Browser
from starlette.testclient import TestClient

from rules.commands import PutRidesOn
from rules.vocabulary import BikeId, RideId
from services.web.app import create_app
from services.web.pages.rides import MOST_ASKED
from tests.services.web.browser import a_tab
from tests.services.web.conftest import HERE, serving, token_in
from tests.services.web.test_lists import LONGEST_PX
from tests.services.wet_week import DAY, Week, copied, wet_week
from tests.wet_household import FIRST_DAY

NOW = FIRST_DAY + 8 * DAY
STRANGE = 9001  # a power meter nobody has entered


@pytest.fixture(scope="module")
def settled(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Seven rides that all carry one sensor of which nothing is known."""
    home = tmp_path_factory.mktemp("settled") / "home"
    week = wet_week(home)
    for day in range(7):
        week.ride(day, sensor=STRANGE)
    week.round(7)
    week.shop.store.close()
    return home


@pytest.fixture
def week(settled: Path, tmp_path: Path) -> Week:
    return copied(settled, tmp_path / "home")


@pytest.fixture
def page(week: Week) -> TestClient:
    return TestClient(create_app(week.shop, clock=lambda: NOW), base_url=HERE, follow_redirects=True)


def keys(html: str) -> set[str]:
    return set(re.findall(r'name="on-([\d-]+)"', html))


def test_rides_alike_are_one_question_with_nothing_picked(page: TestClient) -> None:
    html = page.get("/rides/answer").text

    assert "7 rides alike" in html
    assert keys(html) == {"1-2-3-4-5-6-7"}
    assert re.findall(r'value="(\w*)" checked', html) == [""]
    assert len(re.findall(r"Look at .*", html)) == 1


def test_questions_come_as_many_at_a_time_as_a_narrow_window_scrolls_through(
    browser: Browser, tmp_path: Path
) -> None:
    week = wet_week(tmp_path / "home")
    for day in range(12):
        week.ride(day, sensor=STRANGE + day)  # each alone
    week.round(12)
    with serving(week.shop) as served, a_tab(browser, served.url, width=360) as narrow:
        narrow.goto("/rides/answer")
        asked = narrow.locator("fieldset[data-rider]").count()
        height = narrow.evaluate("document.documentElement.scrollHeight")
        assert (asked, height <= LONGEST_PX) == (MOST_ASKED, True), (asked, height)
        assert f"{12 - MOST_ASKED} more come up" in narrow.locator("main").inner_text()


def test_one_answer_is_the_riders_word_on_all_of_them_and_one_undo_takes_it_back(
    week: Week, page: TestClient
) -> None:
    token = token_in(page.get("/care").text)

    said = page.post("/rides/answer", data={"the_page": token, "on-1-2-3-4-5-6-7": "1"}).text

    assert "7 rides on Plover" in said
    with week.shop.store.reading() as tx:
        assert tx.rides.confirm_list() == ()
        last = tx.changes.last()
    assert last is not None
    page.post(f"/corrections/{last.number}/undo", data={"the_page": token})
    with week.shop.store.reading() as tx:
        assert len(tx.rides.confirm_list()) == 7


def test_a_sensor_of_which_nobody_spoke_for_long_is_named_with_where_it_was(
    week: Week, page: TestClient
) -> None:
    token = token_in(page.get("/care").text)
    page.post("/rides/answer", data={"the_page": token, "on-1-2-3-4-5-6-7": "1"})
    week.ride(200, sensor=STRANGE)
    week.round(200)
    later = create_app(week.shop, clock=lambda: FIRST_DAY + 201 * DAY)

    html = TestClient(later, base_url=HERE).get("/rides/answer").text

    assert re.search(
        r"The power meter \([^)]+\) was on Plover on [^.]+, you said\. Is it still there\?", html
    )


def test_a_group_is_asked_about_ride_by_ride_on_request(page: TestClient) -> None:
    apart = keys(page.get("/rides/answer?apart=3").text)

    assert apart == {"1", "2", "3", "4", "5", "6", "7"}


def test_a_ride_that_asks_nothing_leaves_the_list_as_it_is(page: TestClient) -> None:
    assert "7 rides alike" in page.get("/rides/answer?apart=99").text


@pytest.mark.parametrize("name", ["on-", "on-x", "on-1--2", "on-1-x"])
def test_an_answer_that_names_no_ride_is_refused_and_changes_nothing(
    week: Week, page: TestClient, name: str
) -> None:
    token = token_in(page.get("/care").text)

    refused = page.post("/rides/answer", data={"the_page": token, name: "1"})

    assert refused.status_code == 422
    with week.shop.store.reading() as tx:
        assert len(tx.rides.confirm_list()) == 7


def test_a_question_shows_its_gears_and_days_and_on_asking_what_each_answer_moves(page: TestClient) -> None:
    html = page.get("/rides/answer").text
    assert 'class="drawing gears"' in html
    assert re.search(r"a grain is [\d.]+ (s|min) pedalled", html)
    assert "7 rides, 1 January 2025 to 7 January 2025." in html
    assert "these rides added up" in html
    way = re.search(r'href="(/rides/answer\?look=\d+)#q-1"', html)
    assert way

    near = page.get(way[1]).text
    moves = re.findall(r'<kbd>\d</kbd> ([^<]+) <span class="soft">([^<]+)</span>', near)
    assert [name for name, _ in moves] == ["Plover", "Harrier", "none of ours"]
    assert "grit-hours" in moves[0][1]
    assert moves[0][1] != moves[1][1]
    assert re.findall(r'value="(\w*)" checked', near) == [""]


def test_one_answer_is_for_all_rides_left_open_and_the_odd_one_keeps_its_own(
    week: Week, page: TestClient
) -> None:
    html = page.get("/rides/answer?apart=3").text
    assert "7 single rides above" in html
    [rider] = set(re.findall(r'name="others-(\d+)"', html))
    form = {f"on-{ride}": "" for ride in keys(html)} | {"on-4": "2", f"others-{rider}": "1"}

    said = page.post("/rides/answer", data={"the_page": token_in(html)} | form).text

    assert "7 rides on" in said
    with week.shop.store.reading() as tx:
        assert {ride.id: ride.bike for ride in tx.rides.rides()} == {
            number: 2 if number == 4 else 1 for number in range(1, 8)
        }


def test_the_answer_for_all_others_leaves_groups_and_other_riders_alone(week: Week, page: TestClient) -> None:
    token = token_in(page.get("/care").text)
    for others in ("others-1", "others-99"):
        form = {"the_page": token, "on-1-2-3-4-5-6": "", "on-7": "" if others == "others-99" else "2"}

        said = page.post("/rides/answer", data=form | {others: "1"}).text

        assert ("No answer was picked" in said) == (others == "others-99")
        assert ("Ride 7 of " in said) == (others == "others-1")
    with week.shop.store.reading() as tx:
        last = tx.changes.last()
    assert last is not None
    assert last.command == PutRidesOn(((RideId(7), BikeId(2)),))
