"""The second generator: a seed gives the same bytes, and what it invents can be read and is as it says."""

from __future__ import annotations

import hashlib
import math

import numpy as np
import pytest

from ingest.bikes.gear_samples import gear_looks
from tests.read_one import read
from tests.second_households import GRAVEL, KINDS, ROAD, invent


@pytest.mark.parametrize("kind", KINDS)
def test_a_household_is_the_same_for_the_same_seed_and_another_for_another(kind):
    def digest(seed):
        return hashlib.sha256(b"".join(ride.data for ride in invent(kind, seed, 6).rides)).hexdigest()

    assert digest(5) == digest(5)
    assert digest(5) != digest(6)


def test_rides_are_in_order_and_of_bikes_that_exist():
    house = invent("twins5", 9, 40)

    starts = [ride.started_at for ride in house.rides]
    assert starts == sorted(starts)
    assert {ride.bike for ride in house.rides} <= {None, *(bike.name for bike in house.bikes)}
    assert len({ride.bike for ride in house.rides}) >= 4


def test_speed_over_cadence_lies_on_the_gears_that_were_ridden():
    house = invent("solo4", 11, 40)
    apart = []
    for ride in house.rides:
        gears = {"Ash": ROAD, "Birch": GRAVEL}.get(ride.bike or "")
        looks = gear_looks(read(ride.data, ride.name)) if gears else None
        if looks is not None and ride.started_at < house.rides[12].started_at:
            lines = np.log([front / rear * 2.14 for front in gears[0] for rear in gears[1]])
            seen, _ = looks.columns()
            moves = np.arange(-0.05, 0.06, 0.005)
            fits = [np.abs((seen - m)[:, None] - lines[None, :]).min(axis=1).mean() for m in moves]
            apart.append(min(fits))
    assert len(apart) >= 3
    assert np.median(apart) < 0.5 * math.log(19 / 17)


def test_phones_give_no_cadence_and_no_sensor():
    for ride in invent("phones4", 2, 6).rides:
        recording = read(ride.data, ride.name)
        assert not recording.has_cadence
        assert recording.sensors == ()
        assert recording.device is None or recording.device.identity is None
