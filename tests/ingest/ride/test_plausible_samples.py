"""Which samples can be true."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from ingest.ride.plausible_samples import COLUMNS, plausible
from ingest.ride.recording import Column
from tests.ingest.recordings import START_S

TIMES = START_S + np.arange(6.0)


def column(*values: float) -> Column:
    return np.array(values, dtype=np.float64)


def test_sound_samples_pass_unchanged() -> None:
    found = plausible(TIMES, {"power_w": column(0, 1, 2, np.nan, 4, 5)})

    assert np.array_equal(found.columns["power_w"], [0, 1, 2, np.nan, 4, 5], equal_nan=True)
    assert np.array_equal(found.columns["time_s"], TIMES)
    assert set(found.columns) == {"time_s", *COLUMNS}
    assert (found.dropped, found.damage) == ({}, [])


@pytest.mark.parametrize("wrong", [-1.0, 6000.0])
def test_one_impossible_value_is_found_on_either_side_of_what_can_be(wrong: float) -> None:
    found = plausible(TIMES, {"power_w": column(0, 1, wrong, 3, 4, 5)})

    assert np.array_equal(found.columns["power_w"], [0, 1, np.nan, 3, 4, 5], equal_nan=True)
    assert found.dropped == {"impossible power": 1}


@pytest.mark.parametrize("years", [-100, 300])
def test_times_that_are_in_order_and_of_no_age_of_ours_count_for_nothing(years: int) -> None:
    assert len(plausible(TIMES + years * 365.25 * 86400, {}).columns["time_s"]) == 0


def test_the_given_columns_are_not_written_to() -> None:
    speed = column(1, 2, 900, 4, 5, 6)

    plausible(TIMES, {"speed_mps": speed})

    assert speed.tolist() == [1, 2, 900, 4, 5, 6]


@pytest.mark.parametrize(
    ("name", "good", "bad"),
    [
        ("speed_mps", 33.0, [-0.1, 61, np.inf]),
        ("cadence_rpm", 120, [255, -1, np.inf]),
        ("power_w", 1_800, [65_534, -1, np.inf]),
        ("temperature_c", -20, [100, -70, -np.inf]),
        ("altitude_m", 4_800, [12_607, -501, np.inf]),
        ("heart_rate_bpm", 210, [300, -1, np.inf]),
        ("distance_m", 400_000, [4e7, -1, np.inf]),
    ],
)
def test_an_impossible_value_goes_alone(name: str, good: float, bad: list[float]) -> None:
    found = plausible(
        TIMES,
        {name: column(good, *bad, good, good), "power_w" if name != "power_w" else "speed_mps": TIMES * 0},
    )

    assert np.array_equal(found.columns[name], [good, np.nan, np.nan, np.nan, good, good], equal_nan=True)
    assert list(found.dropped.values()) == [3]
    assert next(iter(found.dropped)).startswith("impossible ")
    assert len(found.columns["time_s"]) == 6


def test_half_a_place_is_none() -> None:
    found = plausible(
        TIMES, {"latitude_deg": TIMES * 0 + 35, "longitude_deg": column(-118, np.nan, -118, -118, 181, -118)}
    )

    assert np.isnan(found.columns["latitude_deg"]).tolist() == [False, True, False, False, True, False]
    assert found.dropped == {"impossible place": 2}


def test_the_gulf_of_guinea_is_no_place_to_ride() -> None:
    """Latitude and longitude exactly 0: a receiver that has not found itself yet."""
    found = plausible(
        TIMES, {"latitude_deg": column(0, 0, 0, 35, 35, 35), "longitude_deg": column(0, 0, 0, 9, 9, 9)}
    )

    assert np.isnan(found.columns["latitude_deg"]).tolist() == [True, True, True, False, False, False]
    assert found.dropped == {"place 0° 0°": 3}


def test_crossing_the_date_line_is_no_leap() -> None:
    found = plausible(
        TIMES,
        {
            "latitude_deg": TIMES * 0 + 66,
            "longitude_deg": column(179.999, 179.9999, -179.9999, 179.9999, -179.999, -179.99),
        },
    )

    assert found.dropped == {}


def test_a_ferry_or_a_gap_is_no_leap() -> None:
    """Far from the place before, and it goes on from there: the rider was carried, or the device slept."""
    found = plausible(TIMES, {"latitude_deg": column(35, 35, 35, 36, 36, 36), "longitude_deg": TIMES * 0 + 9})

    assert found.dropped == {}


def test_samples_days_apart_are_not_one_ride() -> None:
    times = np.concatenate((START_S + np.arange(5.0), START_S + 9 * 86_400 + np.arange(20.0)))

    found = plausible(times, {})

    assert len(found.columns["time_s"]) == 20
    assert found.dropped == {"days away from the rest": 5}
    assert found.damage == ["holds samples days apart: only the longest part counts"]


def test_a_night_in_a_tent_is_one_ride() -> None:
    times = np.concatenate((START_S + np.arange(5.0), START_S + 14 * 3600 + np.arange(20.0)))

    assert len(plausible(times, {}).columns["time_s"]) == 25


@given(st.lists(st.integers(0, 30) | st.just(10**7), max_size=40))
def test_as_many_samples_as_possible_keep_their_order(seconds: list[int]) -> None:
    """The most that ascend: never more than a slower way finds, never fewer, and always in order."""
    times = START_S + np.array(seconds, dtype=np.float64)
    longest = [0] * len(seconds)
    for here, second in enumerate(seconds):
        longest[here] = 1 + max((longest[i] for i in range(here) if seconds[i] <= second), default=0)

    found = plausible(times, {})

    backwards = found.dropped.get("time runs backwards", 0)
    assert len(seconds) - backwards == max(longest, default=0)
    assert (np.diff(found.columns["time_s"]) >= 0).all()
