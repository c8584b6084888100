"""The households that the judge of bikes is held against are what they say: real files, truths kept apart."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from tests.bike_days import rides_of
from tests.bike_households import KINDS, household
from tests.bike_physics import CASSETTES, Drivetrain, Frame, Legs, ridden, route
from tests.read_one import read


@pytest.mark.parametrize("kind", KINDS)
def test_a_household_is_drawn_the_same_from_its_seed_and_its_files_can_be_read(kind: str) -> None:
    first, again = (list(rides_of(household(kind, 3), 4)) for _ in range(2))

    assert [one.content for one in first] == [one.content for one in again]
    assert {one.bike for one in first} <= {None, *(bike.name for bike in household(kind, 3).bikes)}
    for one in first:
        recording = read(one.content, f"ride{one.ending}")
        assert abs(recording.time_s[0] - one.start.timestamp()) < 120
        assert recording.has_place or one.purpose == "indoor"


def test_cadence_speed_and_gear_agree_as_physics_has_it() -> None:
    rng = np.random.default_rng(8)
    gears = Drivetrain((34, 50), CASSETTES["road 11-28"], 2.1)
    legs, frame = Legs(160, 85, 72, 8, 12), Frame(0.33, 9, 0.005, 0.02)
    way = route(rng, "hills", 12_000, hills_m=20, rough=0.0, stop_every_m=3000)
    motion = ridden(rng, way, gears, frame, legs, effort=1.0, wind_mps=1.0)
    harder = ridden(rng, way, gears, frame, replace(legs, power_w=260), effort=1.0, wind_mps=1.0)

    turning = motion.cadence_rpm > 30
    ratios = motion.speed_mps[turning] * 60 / motion.cadence_rpm[turning] / gears.wheel_m
    known = np.array([ring / cog for ring in gears.rings for cog in gears.cogs])
    off = np.abs(ratios[:, None] / known - 1).min(axis=1)
    assert np.median(off) < 0.02
    assert 4 < motion.speed_mps.mean() < 10
    assert harder.speed_mps.mean() > motion.speed_mps.mean()
