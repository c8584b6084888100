"""What reported teeth say for each bike, tooth by tooth."""

from __future__ import annotations

import math

import pytest

from ingest.bikes.electronic_shifts import shifts_say
from tests.ingest.bikes.made_rides import LARK, PLOVER, WHEATEAR, bike, ride


def test_every_tooth_that_a_bike_has_speaks_for_it_and_one_that_it_has_not_against() -> None:
    """.97 beside .4 of any bike, and .02 beside the other .6; six nats at most, either way."""
    right, wrong = math.log(0.97 / 0.4), math.log(0.02 / 0.6)
    bikes = (
        bike(PLOVER, "Plover", gears=((50, 34), (11, 13, 15))),
        bike(WHEATEAR, "Wheatear"),
        bike(LARK, "Lark", gears=((46,), ())),
    )
    rides = [
        ride(0, shifts=((50, 11), (50, 13))),  # three different teeth
        ride(1, shifts=((50, 17),)),
        ride(2),
        ride(3, shifts=((None, 11),)),
        ride(4, shifts=((46, 17), (46, None))),
        ride(5, shifts=((48, 19), (40, 21), (38, 23))),
    ]
    found = shifts_say(rides, {4: WHEATEAR, 1: None}, bikes)
    expected = [
        [3 * right, -6.0, wrong],
        [right + wrong, wrong + right, wrong],
        [0.0, 0.0, 0.0],
        [right, wrong, 0.0],
        [-6.0, 2 * right, right],
        [-6.0, -6.0, -6.0],
    ]
    assert found.tolist() == [pytest.approx(row) for row in expected]
