"""Bikes that the files themselves show: by a sensor or by gears, never by habit; what is odd is left out."""

from __future__ import annotations

from collections import Counter
from dataclasses import replace
from datetime import UTC, datetime, timedelta

import pytest

from ingest.bikes.ride_clues import HeardSensor, RideClues, clues_of
from ingest.bikes.unnamed_bikes import FEWEST_RIDES, found_bikes
from ingest.ride.summary import summarise
from rules.vocabulary import RiderId
from tests.read_one import read
from tests.second_households import invent

START = datetime(2026, 3, 2, 17, tzinfo=UTC)
METER, HUB = HeardSensor("power meter", "serial 11"), HeardSensor("speed", "serial 12")


def ride(day: int, *sensors: HeardSensor, rider: int = 1) -> RideClues:
    at = START + timedelta(days=day)
    return RideClues(RiderId(rider), at, at + timedelta(hours=1), sensors=sensors, weekday=day % 7)


def test_rides_that_share_a_fitted_sensor_are_one_bikes() -> None:
    other = HeardSensor("speed", "serial 20")
    rides = [ride(day, METER) for day in range(4)] + [ride(day, other, rider=2) for day in range(10, 13)]

    first, second = found_bikes(rides)

    assert (first.rides, first.sensors, first.riders) == ((0, 1, 2, 3), (("power meter", "serial 11"),), (1,))
    assert (second.rides, second.riders) == ((4, 5, 6), (2,))


def test_sensors_that_are_heard_together_are_on_one_bike_even_when_one_is_silent_at_times() -> None:
    rides = [ride(0, METER, HUB), ride(1, METER, HUB), ride(2, METER), ride(3, HUB), ride(4, METER, HUB)]

    (only,) = found_bikes(rides)

    assert only.rides == (0, 1, 2, 3, 4)
    assert {kind for kind, _ in only.sensors} == {"power meter", "speed"}


def test_a_sensor_that_moves_between_two_bikes_joins_them_not() -> None:
    other = HeardSensor("speed", "serial 20")
    rides = [ride(day, METER, HUB) for day in range(6)] + [ride(day, METER, other) for day in range(10, 16)]

    assert sorted(len(one.rides) for one in found_bikes(rides)) == [6, 6]


@pytest.mark.parametrize("kind", ["heart rate", "head unit", "radar", "light"])
def test_what_is_worn_or_carried_shows_no_bike(kind: str) -> None:
    assert found_bikes([ride(day, HeardSensor(kind, "serial 9")) for day in range(9)]) == ()


def test_habit_alone_shows_no_bike_and_a_few_rides_show_none_either() -> None:
    same_hour_every_week = [ride(7 * week) for week in range(20)]

    assert found_bikes(same_hour_every_week) == ()
    assert found_bikes([ride(day, METER) for day in range(FEWEST_RIDES - 1)]) == ()
    assert found_bikes([]) == ()


@pytest.fixture(scope="module")
def twins() -> tuple[list[RideClues], list[int | None]]:
    """Two riders, five bikes, sensors that die and stand near one another; made by whoever never saw this."""
    house = invent("twins5", 19, 140)
    read_back = []
    for one in house.rides:
        recording = read(one.data, one.name)
        summary = summarise(recording, now=datetime(2027, 1, 1, tzinfo=UTC))
        read_back.append((clues_of(recording, summary, RiderId(one.rider)), house.truth(one)))
    return [clues for clues, _ in read_back], [truth for _, truth in read_back]


def test_groups_of_an_invented_household_are_nearly_pure(
    twins: tuple[list[RideClues], list[int | None]],
) -> None:
    clues, truth = twins
    groups = found_bikes(clues)

    right = sum(Counter(truth[place] for place in one.rides).most_common(1)[0][1] for one in groups)
    grouped = sum(len(one.rides) for one in groups)
    assert grouped > len(clues) / 3
    assert right / grouped > 0.9


def test_without_sensors_gears_part_the_bikes_and_rides_that_show_none_are_in_no_group(
    twins: tuple[list[RideClues], list[int | None]],
) -> None:
    clues, truth = twins
    silent = [replace(one, sensors=()) for one in clues]

    groups = found_bikes(silent)

    assert groups
    for one in groups:
        assert one.sensors == ()
        assert all(silent[place].sold is not None for place in one.rides)
        assert len({(silent[p].rider, silent[p].indoor) for p in one.rides}) == 1
        bikes = Counter(truth[place] for place in one.rides).most_common(1)
        assert bikes[0][1] / len(one.rides) > 0.6
