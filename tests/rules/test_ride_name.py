"""A ride is called by its own title, else by its facts; never by its file, and no date stands twice."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, datetime, timedelta
from zoneinfo import ZoneInfo

import pytest

from rules.ride_name import beside_its_date, own_title, ride_name
from rules.units import SI, said
from rules.vocabulary import Condition, DriveMethod, Ride, RideId, RiderId

DENVER = ZoneInfo("America/Denver")
START = datetime(2026, 11, 25, 0, 40, tzinfo=UTC)  # 17:40 of the day before on the plateau
NOW = START + timedelta(days=3)
RIDE = Ride(
    RideId(1), RiderId(1), START, START + timedelta(minutes=81), "", None, None, 4000.0, 3800.0, 4100.0,
    DriveMethod.CADENCE, 4600.0, 34_210.0, 310.0, False, (), file_name="in/2026-11-25-004000.fit",
)  # fmt: skip
LIKE = (Condition.UNKNOWN, Condition.DUSTY, Condition.DRY)


def test_a_title_of_its_own_is_the_name() -> None:
    ride = replace(RIDE, title="Tuesday loop")

    assert own_title(ride) == "Tuesday loop"
    assert said(ride_name(ride, DENVER, now=NOW, like=LIKE), SI) == "Tuesday loop"
    assert beside_its_date(ride) == "Tuesday loop"


@pytest.mark.parametrize("title", ["", "2026-11-25-004000"])
def test_a_ride_without_one_is_named_by_its_facts_and_not_by_its_file(title: str) -> None:
    ride = replace(RIDE, title=title)

    assert own_title(ride) == ""
    assert said(ride_name(ride, DENVER, now=NOW, like=LIKE), SI) == "Tue 24 Nov 17:40, 34 km, dusty"
    assert said(beside_its_date(ride), SI) == "34 km"


def test_what_is_not_known_is_left_out_and_long_ago_has_its_year() -> None:
    assert said(ride_name(RIDE, DENVER, now=NOW, like=LIKE[:1]), SI) == "Tue 24 Nov 17:40, 34 km"
    later = START + timedelta(days=400)
    assert said(ride_name(RIDE, DENVER, now=later), SI) == "Tue 24 Nov 2026 17:40, 34 km"


@pytest.mark.parametrize(
    ("changed", "words"),
    [
        ({"distance_m": 3420.0}, "3.4 km"),
        ({"distance_m": 12.0}, "81 min"),
        ({"indoor": True, "distance_m": 30_000.0}, "81 min"),
    ],
)
def test_short_and_indoor_rides_say_what_their_rider_knows(changed: dict[str, object], words: str) -> None:
    assert said(beside_its_date(replace(RIDE, **changed)), SI) == words  # type: ignore[arg-type]
