"""Rides without a word take their unpaved share from a street map on this machine, until a rider speaks."""

from __future__ import annotations

from collections.abc import Callable
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest

from rules.vocabulary import RideId
from services.running.round import one_round
from services.settings import SETTINGS_FILE
from services.views.terminal_text import ride_story
from services.wiring import App, open_app
from tests.put_into import into
from tests.saying import say_unpaved
from tests.street_map import northwards, osm
from tests.wet_household import a_ride

pytest.importorskip("osmium", reason="street maps need the extra 'surface'")

START = datetime(2025, 6, 10, 8, tzinfo=UTC)
NOW = START + timedelta(hours=4)
LATER = NOW + timedelta(minutes=5)
HERE = (-31.0, 21.0)  # where the rides of tests.wet_household begin: 16.8 km due north
NORTH = (HERE[0] + 10_000 / 111_195, HERE[1])
RIDE = RideId(1)


@pytest.fixture
def home(tmp_path: Path) -> Path:
    (tmp_path / "rides").mkdir()
    (tmp_path / "rides" / "one.fit").write_bytes(a_ride(START, 4711, 0.0))
    (tmp_path / SETTINGS_FILE).write_text(
        '[[watch]]\nfolder = "rides"\n[weather]\narchive = "none"\n'
        '[surface]\nstreet_extract = "plateau.osm"\n'
    )
    with open_app(tmp_path).store.writing() as tx:
        rider = into(tx).add_rider("Ines", "ines@plateau.example", "UTC")
        bike = into(tx).add_bike("Plover", rider.id, unpaved_share=0.1)
        into(tx).add_sensor("power meter", "serial 4711", bike.id)
    return tmp_path


@pytest.fixture
def draw(home: Path) -> Callable[[str, str], App]:
    """Draws the road's first 10 km and its last 6.8 km with these surfaces ("" = no tag)."""

    def drawn(south: str, north: str) -> App:
        parts = ((south, HERE, 10_000), (north, NORTH, 6_800))
        streets = [
            ({"highway": "track"} | ({"surface": surface} if surface else {}), northwards(start, metres))
            for surface, start, metres in parts
        ]
        (home / "plateau.osm").write_text(osm(streets))
        return open_app(home)

    return drawn


def share(shop: App) -> float | None:
    with shop.store.reading() as tx:
        return tx.rides.ride(RIDE).unpaved_share


def test_a_ride_takes_its_share_from_the_map_and_shows_whose_it_is(
    draw: Callable[[str, str], App],
) -> None:
    shop = draw("asphalt", "gravel")

    said = one_round(shop, now=NOW).sentences()

    assert "1 ride has an unpaved share from the street map." in said
    assert share(shop) == pytest.approx(6.8 / 16.8, abs=0.005)
    (line,) = [line for line in ride_story(shop, RIDE) if "% unpaved" in line]
    assert line == (
        "  40% unpaved, by the street map plateau.osm (0% of the way has no surface tag; "
        "© OpenStreetMap contributors, https://www.openstreetmap.org/copyright)"
    )
    assert one_round(shop, now=LATER).ground == ()


def test_what_share_had_no_tag_is_shown(draw: Callable[[str, str], App]) -> None:
    shop = draw("gravel", "")
    one_round(shop, now=NOW)
    assert share(shop) == 1.0
    assert any("(40% of the way has no surface tag;" in line for line in ride_story(shop, RIDE))


def test_a_map_that_tells_too_little_leaves_the_ride_to_its_file_until_the_map_changes(
    draw: Callable[[str, str], App],
) -> None:
    shop = draw("", "gravel")
    report = one_round(shop, now=NOW)
    assert report.ground == ("The street map tells too little of 1 ride.",)
    assert share(shop) == 0.0  # the file says a road bike's ride
    assert "  0% unpaved, by the kind of riding its file names" in list(ride_story(shop, RIDE))
    assert one_round(shop, now=LATER).ground == ()

    mended = draw("unpaved", "gravel")
    assert one_round(mended, now=LATER).ground == ("1 ride has an unpaved share from the street map.",)
    assert share(mended) == 1.0


def test_the_riders_word_replaces_the_maps_and_once_taken_back_the_map_speaks_again(
    draw: Callable[[str, str], App],
) -> None:
    shop = draw("asphalt", "gravel")
    one_round(shop, now=NOW)

    say_unpaved(shop, RIDE, 0.9, now=LATER, by="Ines")
    one_round(shop, now=LATER)
    assert share(shop) == 0.9
    assert "  90% unpaved, by Ines" in list(ride_story(shop, RIDE))

    say_unpaved(shop, RIDE, None, now=LATER, by="Ines")
    assert share(shop) == 0.0
    one_round(shop, now=LATER)
    assert share(shop) == pytest.approx(6.8 / 16.8, abs=0.005)


def test_a_map_that_cannot_be_read_is_said_and_the_round_goes_on(home: Path) -> None:
    shop = open_app(home)
    report = one_round(shop, now=NOW)
    assert [outcome.outcome.value for outcome in report.files] == ["new ride"]
    (why,) = report.ground
    assert why == (
        f"{home / 'plateau.osm'}: there is no such street map; check 'surface.street_extract' in the settings"
    )


def test_without_a_map_nothing_is_asked(home: Path) -> None:
    (home / SETTINGS_FILE).write_text('[[watch]]\nfolder = "rides"\n[weather]\narchive = "none"\n')
    shop = open_app(home)
    assert one_round(shop, now=NOW).ground == ()
    assert share(shop) == 0.0
