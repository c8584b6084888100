"""Where a sensor sits, by the rides on which it was heard and by those on which it was not."""

from __future__ import annotations

from collections.abc import Collection

import numpy as np
import pytest

from ingest.bikes.sensor_places import MOVES_EVERY_D, SensorPlaces
from tests.ingest.bikes.made_rides import PLOVER, WHEATEAR, bike, heard, ride

TWO = (bike(PLOVER, "Plover"), bike(WHEATEAR, "Wheatear"))


def said(heard_on: Collection[int], rides: int) -> np.ndarray:
    """What a sensor says of a ride a day, all known to be on Plover: for Plover, for Wheatear. [ln]"""
    made = [
        ride(day, sensors=heard("serial 71") if day in heard_on else (), channels="power")
        for day in range(rides)
    ]
    places = SensorPlaces(made, TWO, (), np.arange(float(rides)), ())
    known = np.zeros((rides, 1, 2))
    known[:, :, 0] = 1.0
    return places.messages(known)[:, 0]


def test_a_sensor_that_is_silent_again_and_again_has_died_and_its_silence_says_nothing():
    says = said(range(10), 40)

    assert says[5, 0] > 3
    assert says[10, 0] < -0.2  # the first silence may as well be another bike
    assert says[35, 0] > -0.05
    assert -0.9 < says[35, 1] < -0.1  # it may have been moved there, and works: a silence there would tell


def test_one_silence_between_two_rides_that_heard_it_speaks_against_its_bike():
    assert said(range(20), 20)[9, 0] > 3
    assert said(set(range(20)) - {9}, 20)[9, 0] < -1


@pytest.mark.parametrize("bikes", [2, 3])
def test_a_sensor_is_moved_every_so_many_days_to_any_other_bike_alike(bikes):
    owned = [bike(number, f"Bike {number}") for number in range(1, bikes + 1)]
    rides = [ride(day, sensors=heard("serial 71"), channels="power") for day in (0, 4)]
    places = SensorPlaces(rides, owned, (), np.array([0.0, 4.0]), ())

    _, after_four_days = places._what_gaps_change(MOVES_EVERY_D)
    on_first = after_four_days.reshape(bikes, 2, bikes, 2)[0, 0].sum(axis=1)

    assert on_first.sum() == pytest.approx(1.0)
    assert on_first[1:] == pytest.approx(4.0 / MOVES_EVERY_D / (bikes - 1), rel=0.01)
