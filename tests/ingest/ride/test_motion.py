"""From sample to sample: seconds in action, metres by counter, places and speed, and what is a motor."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from ingest.ride.motion import _active_s, _speed_by_place, intervals_of
from tests.ingest.rides import METRES_PER_DEGREE, NOON, recording

START = NOON.timestamp()
NAN = np.nan


def test_the_timers_pauses_are_taken_off_once_each() -> None:
    time_s = np.array([0.0, 10.0, 20.0, 40.0, 50.0])
    table: list[tuple[tuple[tuple[float, float], ...], list[float]]] = [
        ((), [10, 10, 20, 10]),
        (((12.0, 18.0),), [10, 4, 20, 10]),
        (((5.0, 25.0),), [5, 0, 15, 10]),
        (((25.0, 30.0), (5.0, 15.0)), [5, 5, 15, 10]),
        (((25.0, 30.0), (28.0, 35.0), (35.0, 36.0)), [10, 10, 9, 10]),
        (((25.0, 36.0), (28.0, 30.0)), [10, 10, 9, 10]),
        (((15.0, 15.0), (18.0, 12.0)), [10, 10, 20, 10]),
        (((-9.0, 5.0), (45.0, 99.0)), [5, 10, 20, 5]),
    ]
    for pauses, expected in table:
        assert _active_s(time_s, pauses).tolist() == expected, pauses


def test_metres_are_those_of_the_counter_where_there_is_one() -> None:
    table: list[tuple[list[float], list[float], int]] = [
        ([0, 5, 12, 12, 20], [5, 7, 0, 8], 0),
        ([0, 5, NAN, NAN, 20], [5, 5, 5, 5], 0),  # spread over the seconds
        ([NAN, 5, 12, 14, NAN], [0, 7, 2, 0], 0),
        ([100, 105, 100.1, 110, 115], [5, 0, 9.9, 5], 0),  # a hair of rounding
        ([100, 105, 4, 10, 15], [5, 4, 6, 5], 0),  # from nought again
        ([900, 905, 90, 95, 99], [5, 40, 5, 4], 0),  # never more than can be
        ([100, 105, 100, 110, 115], [5, 40, 10, 5], 0),  # five metres back are a new start
        ([0] * 6 + [40] * 6, [0] * 5 + [40] + [0] * 5, 0),
        ([0] * 6 + [40.1] * 6, [0] * 11, 1),  # faster than forty metres a second is a jump
        ([3, 3, 3, 3, 3], [0, 0, 0, 0], 0),
    ]
    for counter, metres, jumps in table:
        found = intervals_of(recording(np.arange(float(len(counter))), distance_m=np.array(counter, float)))
        assert found.step_m.tolist() == pytest.approx(metres), counter
        assert found.jumps == jumps, counter
    quick = intervals_of(recording(np.array([0.0, 0.5, 1.0]), distance_m=np.array([0.0, 39.0, 45.0])))
    assert (quick.step_m.tolist(), quick.jumps) == ([39.0, 6.0], 0), "a second is the least that is asked"


def by_place(metres: list[float], **known: object):  # type: ignore[no-untyped-def]
    """North so many metres at each sample; no speed and no counter."""
    time_s = known.pop("time_s", np.arange(float(len(metres))))
    north = 46.0 + np.array(metres, float) / METRES_PER_DEGREE
    return recording(time_s, latitude_deg=north, longitude_deg=9.0, **known)


def test_without_a_counter_metres_are_those_between_places_while_it_moves() -> None:
    steady = intervals_of(by_place([5.0 * n for n in range(9)]))
    assert steady.step_m.tolist() == pytest.approx([5.0] * 8)
    assert steady.moving.all()
    leap = [0.0, 5.0, 10.0, 60.0, 65.0, 70.0, 75.0]
    assert intervals_of(by_place(leap)).jumps == 1
    assert intervals_of(by_place(leap)).step_m[2] == 0.0
    assert intervals_of(by_place([0.0, 39.0, 78.0, 117.0])).jumps == 0
    paused = by_place([0.0, 5.0, 200.0, 205.0], time_s=np.array([0.0, 1.0, 31.0, 32.0]))
    at = START + 1.0
    for stands_s, metres in ((15.0, 195.0), (16.0, 0.0)):
        held = intervals_of(replace(paused, pauses=((at, at + stands_s),)))
        assert held.step_m[1] == pytest.approx(metres), stands_s
    for gap_s, metres in ((10.0, 50.0), (10.5, 0.0)):  # stopped for more than half of it
        short = by_place([0.0, 5.0, 55.0, 60.0], time_s=np.array([0.0, 1.0, 1.0 + gap_s, 2.0 + gap_s]))
        assert intervals_of(replace(short, pauses=((at, at + 6.0),))).step_m[1] == pytest.approx(metres), (
            gap_s
        )
    for silence_s, metres in ((300.0, 900.0), (301.0, 0.0)):
        gap = by_place(
            [0.0, 5.0, 905.0, 910.0], time_s=np.array([0.0, 1.0, 1.0 + silence_s, 2.0 + silence_s])
        )
        assert intervals_of(gap).step_m[1] == pytest.approx(metres), silence_s


def test_moving_is_faster_than_half_a_metre_a_second_and_known_to_be() -> None:
    still = recording(np.arange(4.0), speed_mps=np.array([NAN, 0.5, 0.51, 0.0]))
    found = intervals_of(still)
    assert found.moving.tolist() == [False, True, False]
    assert found.moving_s.tolist() == [0.0, 1.0, 0.0]
    assert found.step_m.tolist() == pytest.approx([0.5, 0.51, 0.0])
    # by the speed alone ten seconds are known; with metres five minutes are
    for gap_s, counter, moves in (
        (10.0, False, True), (10.5, False, False), (300.0, True, True), (301.0, True, False),
    ):  # fmt: skip
        distance = np.array([0.0, gap_s * 5.0]) if counter else np.full(2, NAN)
        one = recording(np.array([0.0, gap_s]), speed_mps=5.0, distance_m=distance)
        assert intervals_of(one).moving.tolist() == [moves], (gap_s, counter)
    # over more than five seconds what was covered says more than the speed at the end
    for gap_s, speed in ((5.0, 9.0), (5.5, 4.0)):
        one = recording(np.array([0.0, gap_s]), speed_mps=9.0, distance_m=np.array([0.0, gap_s * 4.0]))
        assert intervals_of(one).speed_mps.tolist() == pytest.approx([speed])
    by_counter = recording(np.array([0.0, 2.0, 4.0]), distance_m=np.array([0.0, 8.0, 20.0]))
    assert intervals_of(by_counter).speed_mps.tolist() == pytest.approx([4.0, 6.0])
    fast = recording(np.arange(3.0), speed_mps=np.array([5.0, 40.0, 40.1]))
    assert intervals_of(fast).speed_mps.tolist() == pytest.approx([40.0, NAN], nan_ok=True)


def test_a_wheel_that_is_blind_says_nothing() -> None:
    one = recording(np.arange(4.0), speed_mps=0.0, distance_m=0.0)
    found = intervals_of(one, wheel_is_blind=True)
    assert (found.active_s.tolist(), found.step_m.tolist(), found.jumps) == ([1.0] * 3, [0.0] * 3, 0)
    assert np.isnan(found.speed_mps).all()
    assert not found.moving.any()
    assert not found.carried.any()


def test_speed_by_places_is_taken_over_six_seconds_around_and_near_known_ones() -> None:
    metres = [0.0, 4.0, 8.0, 8.0, 8.0, 8.0, 20.0, 32.0]
    one = by_place(metres)
    rows = np.arange(7)
    ends = [(max(n + 1 - 3, 0), min(n + 1 + 3, 7)) for n in range(7)]
    expected = [(metres[high] - metres[low]) / (high - low) for low, high in ends]
    assert _speed_by_place(one, rows) == pytest.approx(np.array(expected), rel=1e-4)
    lone = by_place([0.0, NAN, NAN])
    assert np.isnan(_speed_by_place(lone, np.arange(2))).all()
    for gap_s, known in ((300.0, True), (301.0, False)):
        gap = by_place([0.0, NAN, 600.0], time_s=np.array([0.0, 150.0, gap_s]))
        assert np.isfinite(_speed_by_place(gap, np.array([0]))).tolist() == [known]


def test_a_minute_faster_than_any_bike_is_a_motor() -> None:
    for speed, carried in ((25.0, False), (25.1, True)):
        found = intervals_of(recording(np.arange(121.0), speed_mps=speed))
        assert bool(found.carried.all()) is carried is not bool(found.moving.any())
        assert bool(found.step_m.sum() == 0.0) is carried
    burst = np.where(np.arange(181) % 60 // 10 == 2, 26.0, 20.0)
    assert not intervals_of(recording(np.arange(181.0), speed_mps=burst)).carried.any()
