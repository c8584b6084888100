"""Columns over time: smoothed, without double instants, and without some samples."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from ingest.ride.plausible_samples import COLUMNS
from ingest.ride.recording import Column, Recording


def smoothed(time_s: Column, column: Column, window_s: float) -> Column:
    """The column's mean over a window centred on each instant, whatever the spacing of the samples.

    Unknown samples are stepped over; at the ends the window is cut; all NaN stays all NaN.
    time_s strictly ascending.
    """
    known = np.isfinite(column)
    if known.all():
        if len(column) > window_s and float(window_s).is_integer() and (np.diff(time_s) == 1.0).all():
            return _smoothed_by_the_second(column, int(window_s))
        time, value = time_s, column
    elif not known.any():
        return column
    else:
        time, value = time_s[known], column[known]
    if len(time) == 1:
        return np.full(len(column), value[0])
    # The integral up to each sample, so that any window's mean is one difference.
    area = np.concatenate(([0.0], np.cumsum((value[1:] + value[:-1]) / 2 * np.diff(time))))
    # Cut evenly on both sides, so that a steady rise stays one to its very end.
    half = np.clip(np.minimum(time_s - time[0], time[-1] - time_s), 0.0, window_s / 2)
    mean: Column = np.interp(time_s + half, time, area) - np.interp(time_s - half, time, area)
    ends = np.flatnonzero(half == 0.0)
    half[ends] = 1.0
    mean /= 2 * half
    mean[ends] = np.interp(time_s[ends], time, value)
    return mean


def _smoothed_by_the_second(column: Column, window_s: int) -> Column:
    """The same for samples a second apart, more of them than the window has: no instant is looked for."""
    area = np.concatenate(([0.0], np.cumsum((column[1:] + column[:-1]) / 2)))
    # At the ends the window grows by a second on each side with every sample, until it is whole.
    edge = np.arange(1, (window_s + 1) // 2)
    mean = column.copy()
    mean[edge] = (area[2 * edge] - area[0]) / (2 * edge)
    mean[-1 - edge] = (area[-1] - area[-1 - 2 * edge]) / (2 * edge)
    if window_s % 2:  # it begins and ends halfway between samples
        area = (area[1:] - area[:-1]) * 0.5 + area[:-1]
    first = (window_s + 1) // 2
    mean[first : len(column) - first] = (area[window_s:] - area[: len(area) - window_s]) / window_s
    return mean


def one_sample_per_instant(recording: Recording) -> Recording:
    """The recording with strictly ascending times: samples of one instant become one.

    Of each column the last known value stays: two sensors may report in one second, each its own columns.
    """
    time = recording.time_s
    if len(time) < 2 or bool((np.diff(time) > 0).all()):
        return recording
    order = slice(None) if bool((np.diff(time) >= 0).all()) else np.argsort(time, kind="stable")
    time = time[order]
    is_last = np.append(time[1:] > time[:-1], True)
    last = np.flatnonzero(is_last)
    # The other samples of an instant, and which instant that is.
    early = np.flatnonzero(~is_last)
    instant = np.searchsorted(last, early)
    columns: dict[str, Column] = {}
    for name in COLUMNS:
        column = getattr(recording, name)[order]
        merged = column[last]
        fills = np.isfinite(column[early]) & ~np.isfinite(merged[instant])
        merged[instant[fills]] = column[early[fills]]  # numpy keeps the last of equal targets
        columns[name] = merged
    instants = time[last]
    return replace(recording, time_s=instants, **columns)  # type: ignore[arg-type]


def only(recording: Recording, rows: np.ndarray[tuple[int], np.dtype[np.bool_]]) -> Recording:
    """The recording with these samples only."""
    return replace(
        recording,
        time_s=recording.time_s[rows],
        **{name: getattr(recording, name)[rows] for name in COLUMNS},
    )
