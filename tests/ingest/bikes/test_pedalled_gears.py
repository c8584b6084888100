"""Gears, cadence and speed against arithmetic, circumferences against the printed cycle-computer table."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest

from ingest.bikes.pedalled_gears import (
    BINS,
    GearHistogram,
    development_m,
    gear_histogram,
    gears_seen,
    pedalling_speed,
    smoothed,
    summed,
)
from ingest.ride.recording import Recording, SensorSeen
from tests.ingest.recordings import START_S, ride


def test_development_is_one_turn_of_the_crank():
    # arithmetic: 50 / 17 · 2.105 m and 32 / 50 · 2.298 m
    assert development_m(50, 17, 2.105) == pytest.approx(6.191176, abs=1e-6)
    assert development_m(32, 50, 2.298) == pytest.approx(1.47072, abs=1e-6)


def test_speed_follows_from_cadence_and_gear():
    # arithmetic: cadence / 60 · development
    assert 90 / 60 * development_m(50, 17, 2.105) == pytest.approx(9.286765, abs=1e-6)  # m/s at 90 rpm
    assert 90 / 60 * development_m(50, 17, 2.105) * 3.6 == pytest.approx(33.432353, abs=1e-6)
    assert 85 / 60 * development_m(32, 50, 2.298) == pytest.approx(2.08352, abs=1e-6)


COG_STEPS = ((11, 12, 9.09), (12, 13, 8.33), (13, 15, 15.38), (28, 32, 14.29), (42, 50, 19.05))


@pytest.mark.parametrize(("smaller", "larger", "percent"), COG_STEPS)
def test_neighbouring_cogs_are_far_enough_apart_to_be_told(smaller, larger, percent):
    # arithmetic on cog sizes in common use
    step = development_m(50, smaller, 2.105) / development_m(50, larger, 2.105) - 1
    assert step * 100 == pytest.approx(percent, abs=0.01)


def pedalled(ln_development: np.ndarray, **more: object) -> Recording:
    """A sample every two seconds at 80 a minute, in these developments."""
    count = len(ln_development)
    made = ride(count, gaps=False)
    columns = {"time_s": START_S + 2.0 * np.arange(count), "cadence_rpm": np.full(count, 80.0)}
    columns["speed_mps"] = np.exp(ln_development) * 80.0 / 60.0
    return replace(made, sensors=(), **(columns | more))


def seconds_by_bin(made: Recording, wheel_off: float = 0.0) -> dict[int, int]:
    """Sample by sample: the mean with neighbours in the same gear, and half of the time to each of them."""
    told = list(zip(made.time_s.tolist(), made.cadence_rpm.tolist(), made.speed_mps.tolist(), strict=True))
    lines = [
        math.log(speed * 60.0 / cadence) + wheel_off if 35 <= cadence <= 150 and speed >= 1.2 else None
        for _, cadence, speed in told
    ]
    held: dict[int, float] = {}
    for i, line in enumerate(lines):
        beside = [
            (lines[j], abs(told[j][0] - told[i][0]))
            for j in (i - 1, i + 1)
            if line is not None and 0 <= j < len(lines) and lines[j] is not None
            if 0 < abs(told[j][0] - told[i][0]) <= 10.0 and abs(lines[j] - line) < 0.07
        ]
        if beside:
            mean = (line + sum(one for one, _ in beside)) / (1 + len(beside))
            at = math.floor((mean - math.log(0.9)) / 0.01)
            if 0 <= at < BINS:
                held[at] = held.get(at, 0.0) + sum(gap for _, gap in beside) / 2
    return {at: round(seconds) for at, seconds in sorted(held.items()) if round(seconds)}


def test_seconds_of_steady_pedalling_are_counted_sample_by_sample():
    """Gears of several minutes, with shifts, coasting, dropped samples, ties and edges in between."""
    dice = np.random.default_rng(7)
    lines = np.repeat(np.log([2.0, 2.1, 3.3, 5.2, 7.0, 0.95, 12.6]), 60) + dice.normal(0, 0.015, 420)
    made = pedalled(lines)
    gaps = np.full(420, 2.0)
    gaps[[40, 41, 90, 150, 200]] = (10.0, 10.5, 0.0, 8.0, 30.0)
    cadence, speed = np.full(420, 80.0), made.speed_mps.copy()
    for edge, at in ((35.0, 100), (34.9, 110), (150.0, 130), (150.1, 140), (0.0, 230)):
        speed[at : at + 5] *= edge / 80.0
        cadence[at : at + 5] = edge
    speed[160:164], cadence[160:164] = 1.2, 48.0
    speed[170:174], cadence[170:174] = 1.19, 48.0
    made = replace(made, time_s=START_S + np.cumsum(gaps), cadence_rpm=cadence, speed_mps=speed)

    for off in (0.0, 0.05):
        found = gear_histogram(made, off)
        assert dict(zip(found.bins, found.seconds, strict=True)) == seconds_by_bin(made, off)
    assert found.noise == 0.028
    assert gear_histogram(replace(made, sensors=(SensorSeen("speed", serial=4),))).noise == 0.010


def test_two_minutes_of_steady_pedalling_are_the_least():
    line = math.log(0.9) + 100.5 * 0.01
    for samples, is_enough in ((61, True), (60, False)):
        found = gear_histogram(pedalled(np.full(samples, line)))
        assert (found is not None) is is_enough
    assert gear_histogram(pedalled(np.where(np.arange(200) % 2, line, line + 0.08))) is None, "never one gear"
    assert gear_histogram(pedalled(np.full(200, line), cadence_rpm=np.full(200, np.nan))) is None
    assert found is None
    ride_on = gear_histogram(pedalled(np.full(61, line)))
    assert (ride_on.bins, ride_on.seconds, ride_on.gears_held) == ((100,), (120,), 1)
    assert ride_on.centres() == pytest.approx([line])
    assert ride_on.packed() == [0.028, 1, 100, 120]
    assert GearHistogram.unpacked([0.028, 1, 100, 120]) == ride_on
    assert GearHistogram.unpacked([0.028, 1]) == GearHistogram((), (), 0.028, 1)
    assert GearHistogram.unpacked([0.028, 1, 0, 5, BINS - 1, 6]).bins == (0, BINS - 1)
    for broken in ([0.028, 1, BINS, 5], [0.028, 1, 3, 5, 4]):
        with pytest.raises(ValueError, match="not a histogram"):
            GearHistogram.unpacked(broken)


def test_histograms_add_up_bin_by_bin_and_keep_the_bluntest_noise():
    one = GearHistogram((3, 5), (10, 20), 0.010, 4)
    other = GearHistogram((5, 9), (1, 2), 0.028, 2)
    assert summed([one, other]) == GearHistogram((3, 5, 9), (10, 21, 2), 0.028, 4)
    assert summed([]) is None


def test_speed_is_taken_from_what_the_device_gave_else_its_distance_else_its_places():
    made = pedalled(np.full(5, 1.5))
    nothing = np.full(5, np.nan)
    distance = np.array([0.0, 10.0, 30.0, 30.0, 44.0])
    some = np.array([nothing[0], 4.0, *nothing[:3]])
    assert pedalling_speed(replace(made, speed_mps=some)) is some
    time_s = START_S + np.array([0.0, 2.0, 4.0, 4.0, 6.0])
    by_distance = pedalling_speed(replace(made, time_s=time_s, speed_mps=nothing, distance_m=distance))
    assert by_distance == pytest.approx(np.array([np.nan, 5.0, 10.0, np.nan, 7.0]), nan_ok=True)
    north = 39.0 + np.array([0.0, 1.0, 3.0, np.nan, 4.0]) / 111_195.0 * 10.0
    by_place = pedalling_speed(
        replace(
            made, speed_mps=nothing, distance_m=nothing, latitude_deg=north, longitude_deg=np.full(5, 9.0)
        )
    )
    assert by_place == pytest.approx(np.array([np.nan, 5.0, 10.0, 0.0, 0.0]), nan_ok=True, abs=0.01)


def test_a_curve_is_smoothed_by_a_bell_and_peaks_where_a_parabola_through_three_points_does():
    """Through (-1, a), (0, b), (1, c): its top is at (a - c) / (2 (a - 2 b + c)); school arithmetic."""
    lone = np.zeros(20)
    lone[10] = 1.0
    bell = [math.exp(-0.5 * (n * 0.01 / 0.008) ** 2) for n in range(-4, 5)]
    assert smoothed(lone)[6:15] == pytest.approx([one / sum(bell) for one in bell])
    assert smoothed(lone)[:6].tolist() == [0.0] * 6

    histogram = np.zeros(BINS)
    histogram[[100, 101, 102]] = (30.0, 60.0, 20.0)
    histogram[[140, 141]] = (50.0, 50.0)
    curve = smoothed(histogram)
    left, here, right = curve[100:103]
    top = 101.5 + 0.5 * (left - right) / (left - 2 * here + right)
    ln_first = math.log(0.9)
    assert gears_seen(histogram) == pytest.approx([ln_first + 0.01 * top, ln_first + 0.01 * 141.0])

    def seen(*bins: tuple[int, float]) -> int:
        made = np.zeros(BINS)
        for at, seconds in bins:
            made[at] = seconds
        return len(gears_seen(made))

    # a fiftieth of the time within two bins either way
    assert seen((100, 98.0), (140, 2.0)) == 2
    assert seen((100, 98.1), (140, 1.9)) == 1
    assert seen((100, 98.0), (140, 1.0), (142, 1.0)) == 2
    assert seen((100, 98.0), (140, 1.5), (143, 0.5)) == 1
    # two near ones are one where the valley between them is no seventh lower: the higher of the two stays
    assert seen((100, 50.0), (104, 50.0)) == 2
    assert seen((100, 50.0), (102, 50.0)) == 1
    for first, last, higher in ((40, 44, 103), (44, 40, 100)):
        (only,) = gears_seen(np.bincount(range(100, 104), [first, 20, 20, last], BINS).astype(float))
        assert (only - ln_first) / 0.01 - 0.5 == pytest.approx(higher, abs=0.6)
        assert seen((100, first), (101, 14), (102, 14), (103, last)) == 2
