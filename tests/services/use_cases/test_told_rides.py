"""A ride that nobody recorded is a fact like any other: weather, totals, undo; its file takes its place."""

from __future__ import annotations

from datetime import timedelta
from pathlib import Path

import pytest

from rules.commands import TellRide
from rules.vocabulary import BikeId, Condition, DriveMethod, RiderId
from services.store import FactRefused, NeedsConfirmation
from services.use_cases.find_by_name import place_about
from services.use_cases.record_change import record
from services.use_cases.undo import undo
from tests.services.wet_week import DAY, Week, copied, wet_week
from tests.wet_household import FIRST_DAY, RIDE_AT

INES, PLOVER = RiderId(1), BikeId(1)
DAY_1 = FIRST_DAY + DAY + RIDE_AT - timedelta(minutes=10)  # 16:00, when it rains
NOW = FIRST_DAY + DAY + timedelta(hours=18)


@pytest.fixture(scope="module")
def settled(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A dry ride on day 0."""
    home = tmp_path_factory.mktemp("settled") / "home"
    week = wet_week(home)
    week.ride(0)
    week.round(0)
    week.shop.store.close()
    return home


@pytest.fixture
def week(settled: Path, tmp_path: Path) -> Week:
    return copied(settled, tmp_path / "home")


def tell(week: Week, **other: object) -> None:
    said = {"rider": INES, "bike": PLOVER, "started_at": DAY_1, "minutes": 40.0, **other}
    record(week.shop, TellRide(**said), now=NOW, confirmed=True)  # type: ignore[arg-type]


def test_it_gets_the_weather_of_where_its_rider_rode_about_then(week: Week) -> None:
    with week.shop.store.reading() as tx:
        near, latitude_deg, longitude_deg = place_about(tx.ledger(), INES, DAY_1) or (None, None, None)
    assert near == 1
    before = week.totals()["Plover's chain"]

    tell(week, latitude_deg=latitude_deg, longitude_deg=longitude_deg)
    week.round(1)

    with week.shop.store.reading() as tx:
        ride = tx.rides.rides()[-1]
    assert (ride.drive_s, ride.drive_low_s, ride.drive_high_s) == pytest.approx((2040, 1800, 2280))
    assert ride.drive_method is DriveMethod.MOVING_SHARE
    assert [hour.tag.paved_water for hour in ride.hours if hour.tag] == [1]
    after = week.totals()["Plover's chain"]
    assert after[3] - before[3] == pytest.approx(2040 / 3600)
    assert after[2] > before[2] + 2040 / 3600  # wet
    assert "Wipe, dry and drip the chain Plover's chain on Plover" in week.headlines()


def test_its_riders_word_counts_where_nobody_knows_the_place(week: Week) -> None:
    tell(week, word=Condition.WET)
    week.round(1)

    with week.shop.store.reading() as tx:
        assert tx.rides.rides()[-1].word is Condition.WET
    assert "Wipe, dry and drip the chain Plover's chain on Plover" in week.headlines()


def test_it_is_cut_at_full_hours_and_undone_whole(week: Week) -> None:
    before = week.totals(), week.standing()

    tell(
        week, started_at=DAY_1 - timedelta(minutes=90), minutes=150.0, distance_m=30_000.0, word=Condition.WET
    )
    with week.shop.store.reading() as tx:
        ride = tx.rides.rides()[-1]
    assert [round(hour.drive_s / 0.85 / 60) for hour in ride.hours] == [30, 60, 60]
    assert sum(hour.distance_m for hour in ride.hours) == pytest.approx(30_000)

    undo(week.shop, None, now=NOW)
    assert week.totals() == before[0]
    with week.shop.store.reading() as tx:
        assert tx.rides.count() == 1


def test_its_file_counts_in_its_place_and_undoing_the_word_leaves_the_file(week: Week) -> None:
    tell(week)
    week.ride(1)
    week.round(1)

    with week.shop.store.reading() as tx:
        (_, ride) = tx.rides.rides()
        assert (ride.id, ride.bike) == (2, PLOVER)
        assert ride.drive_method is DriveMethod.CADENCE
        (second,) = tx.rides.details(ride.id).second_recordings
        assert tx.rides.why_same_outing(second) == (
            "its rider told of it before its file came: the file counts now",
        )
    undo(week.shop, None, now=NOW)
    with week.shop.store.reading() as tx:
        assert tx.rides.count() == 2


def test_one_at_the_time_of_another_is_asked_about(week: Week) -> None:
    again = TellRide(INES, PLOVER, FIRST_DAY + RIDE_AT, 30.0)
    with pytest.raises(NeedsConfirmation, match="There is a ride at that time already: ride 1"):
        record(week.shop, again, now=NOW)
    with pytest.raises(FactRefused, match="There is no bike 9"):
        record(week.shop, TellRide(INES, BikeId(9), DAY_1, 30.0), now=NOW)
