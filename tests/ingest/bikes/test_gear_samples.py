"""Looks at gears, worked out again one sample at a time, and the edges of what counts as a look."""

from __future__ import annotations

import math
from dataclasses import replace
from statistics import fmean, median, stdev

import numpy as np
import pytest

from ingest.bikes.gear_samples import MOST_LOOKS, GearLooks, gear_looks, looks_of_histogram
from ingest.bikes.pedalled_gears import FIRST_EDGE, GearHistogram
from ingest.ride.recording import Recording
from tests.ingest.recordings import START_S, ride

BLOCKS, A_BLOCK = 20, 6  # looks of twelve seconds, a sample every two


def pedalled(speed_mps: np.ndarray, cadence_rpm: np.ndarray | None = None) -> Recording:
    """A sample every two seconds, at 80 a minute if nothing else is said."""
    cadence = np.full(len(speed_mps), 80.0) if cadence_rpm is None else cadence_rpm
    time_s = START_S + 5.0 + 2.0 * np.arange(len(speed_mps))
    made = ride(len(speed_mps))
    return replace(made, time_s=time_s, speed_mps=speed_mps, cadence_rpm=cadence)


def steady(blocks: int = BLOCKS) -> np.ndarray:
    """The n-th look of n + 10 tenths more speed; later ones scatter more inside."""
    dice = np.random.default_rng(4)
    wide = np.repeat(np.linspace(0.001, 0.04, blocks), A_BLOCK)
    return np.repeat(4.0 + 0.1 * np.arange(blocks), A_BLOCK) * np.exp(dice.normal(0.0, 1.0, len(wide)) * wide)


def looks_one_by_one(speed: np.ndarray) -> list[tuple[float, int, float, float]]:
    """Scatter, first sample, ln development and mean speed of those kept, in order."""
    slow = []
    for first in range(0, len(speed), A_BLOCK):
        inside = [float(one) for one in speed[first : first + A_BLOCK]]
        scatter = stdev(math.log(60.0 * one / 80.0) for one in inside)
        slow.append((scatter, first, math.log(60.0 * fmean(inside) / 80.0), fmean(inside)))
    return sorted(sorted(slow)[: round(len(slow) * 0.8)], key=lambda one: one[1])


def test_a_look_is_the_mean_of_twelve_seconds_and_the_fifth_that_scatters_most_is_left_out() -> None:
    speed = steady()
    kept = looks_one_by_one(speed)

    found = gear_looks(pedalled(speed), wheel_off=0.05)

    assert found is not None
    assert found.ln_development == tuple(round(1000 * (line + 0.05)) for _, _, line, _ in kept)
    assert found.speed_mps == tuple(round(10 * mean) for *_, mean in kept)
    assert found.noise_mps == round(median(mean * scatter for scatter, _, _, mean in kept), 3)
    developments, speeds = found.columns()
    assert developments == pytest.approx([line / 1000.0 for line in found.ln_development])
    assert speeds == pytest.approx([tenths / 10.0 for tenths in found.speed_mps])


def test_what_makes_a_look_count() -> None:
    """Of eleven looks, all alike but one: is that one kept? By how many of four fifths are kept."""
    speed = np.full(11 * A_BLOCK, 5.0)

    def looks(at: int = A_BLOCK, **changed: float) -> int:
        cadence, mps, late = np.full(len(speed), 80.0), speed.copy(), np.zeros(len(speed))
        cadence[at] = changed.get("cadence", 80.0)
        if "all_cadence" in changed:
            cadence[A_BLOCK : 2 * A_BLOCK] = changed["all_cadence"]
        mps[at] = changed.get("speed", 5.0)
        late[at:] = changed.get("later_s", 0.0)
        made = pedalled(mps, cadence)
        found = gear_looks(replace(made, time_s=made.time_s + late))
        assert found is not None
        return len(found.speed_mps)

    all_of_them, without_one = 9, 8  # four fifths of eleven, of ten
    table = [
        ({"all_cadence": 45.0}, all_of_them),
        ({"all_cadence": 44.9}, without_one),
        ({"all_cadence": 130.0}, all_of_them),
        ({"all_cadence": 130.1}, without_one),
        ({"speed": 1.21}, all_of_them),
        ({"speed": 1.2}, without_one),
        ({"cadence": 100.0}, all_of_them),  # 20 of a mean of 83.3: steady
        ({"cadence": 106.0}, without_one),  # 26 of a mean of 84.3: more than 0.3
        ({"cadence": 60.0}, all_of_them),
        ({"cadence": 55.0}, without_one),
        ({"later_s": 6.0}, 10),  # eight seconds after the sample before: twelve looks, two of them half ones
        ({"later_s": 6.5}, 9),
    ]
    assert [looks(**changed) for changed, _ in table] == [count for _, count in table]
    lone = gear_looks(pedalled(speed[: 10 * A_BLOCK + 1]))
    assert lone is not None
    assert len(lone.speed_mps) == without_one, "a sample alone is no mean"
    two_each = pedalled(speed)
    seldom = gear_looks(replace(two_each, time_s=START_S + 6.0 * np.arange(len(speed))))
    assert seldom is not None
    assert len(seldom.speed_mps) == round(33 * 0.8), "two are one"


def test_looks_are_kept_as_their_noise_and_pairs() -> None:
    two = GearLooks((1500, 1600), (52, 61), 0.12)
    assert two.packed() == [0.12, 1500, 52, 1600, 61]
    assert GearLooks.unpacked([0.12, 1500, 52, 1600, 61]) == two
    for broken in ([0.12], [0.12, 1500], [0.12, 1500, 52, 1600]):
        with pytest.raises(ValueError, match="not pairs"):
            GearLooks.unpacked(broken)


def test_ten_whole_looks_are_the_fewest_and_of_many_some_are_taken_evenly() -> None:
    assert gear_looks(pedalled(steady(9))) is None
    assert len(gear_looks(pedalled(steady(10))).speed_mps) == 8  # type: ignore[union-attr]
    speed = steady(250)
    many, kept = gear_looks(pedalled(speed)), looks_one_by_one(speed)
    assert many is not None
    assert len(many.speed_mps) == MOST_LOOKS == 90
    assert many.speed_mps == tuple(round(10 * kept[round(199 * n / 89)][3]) for n in range(90))
    assert gear_looks(replace(pedalled(steady()), cadence_rpm=np.full(120, np.nan))) is None


def test_an_older_rides_histogram_gives_a_look_for_every_twelve_seconds_of_a_gear() -> None:
    """Of an hour a look stands for 40 s, so that ninety are the most; 100 s of one gear are two or three."""
    centre = FIRST_EDGE + 100.5 * 0.01
    for seconds, counts in (((240, 120), (20, 10)), ((3500, 100), (88, 2))):
        looks = looks_of_histogram(GearHistogram((100, 110), seconds, 0.02, 2))
        lines = (round(1000 * centre), round(1000 * (centre + 0.1)))
        assert looks.ln_development == (lines[0],) * counts[0] + (lines[1],) * counts[1]
        assert looks.speed_mps == (65,) * sum(counts)
        assert looks.noise_mps == 0.18
