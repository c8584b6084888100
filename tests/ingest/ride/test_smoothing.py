"""Columns over time: what is quick for samples a second apart is what holds for any."""

from __future__ import annotations

import numpy as np
import pytest

from ingest.ride.smoothing import one_sample_per_instant, smoothed
from tests.ingest.recordings import START_S, ride, same_column


@pytest.mark.parametrize("window_s", [1, 2, 5, 15, 30, 60])
def test_a_mean_by_the_second_is_the_mean_over_any_times(window_s: int) -> None:
    column = np.cumsum(np.random.default_rng(window_s).normal(size=200)) + 1_000.0
    by_the_second = START_S + np.arange(200.0)
    uneven = np.append(by_the_second, by_the_second[-1] + 0.5)  # the last says the same half a second on

    quick = smoothed(by_the_second, column, window_s)
    general = smoothed(uneven, np.append(column, column[-1]), window_s)

    inside = slice(0, 200 - window_s)
    np.testing.assert_allclose(quick[inside], general[:200][inside], rtol=1e-12)
    np.testing.assert_allclose(quick[::-1], smoothed(by_the_second, column[::-1], window_s), rtol=1e-12)


def test_a_steady_rise_stays_one_to_its_very_end() -> None:
    seconds = np.arange(300.0)

    np.testing.assert_allclose(smoothed(START_S + seconds, 7.0 + seconds, 15.0), 7.0 + seconds, rtol=1e-12)


def test_of_one_instant_the_last_known_value_of_each_column_stays() -> None:
    recording = ride(6, gaps=False)
    recording.time_s[:] = START_S + np.array([0, 1, 1, 1, 2, 2])
    recording.cadence_rpm[:] = [90, 80, np.nan, 70, 60, np.nan]
    recording.power_w[:] = [np.nan, 100, 110, np.nan, np.nan, np.nan]

    found = one_sample_per_instant(recording)

    assert (found.time_s - START_S).tolist() == [0, 1, 2]
    assert found.cadence_rpm.tolist() == [90, 70, 60]
    assert same_column(found.power_w, np.array([np.nan, 110, np.nan]))
