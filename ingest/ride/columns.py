"""Columns over time: smoothed, bridged over short holes, and without double instants."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from ingest.ride.plausible import COLUMNS
from ingest.ride.recording import Column, Recording

# A hole no longer than this is filled by a straight line; a longer one is not known.
LONGEST_BRIDGE_S = 10.0


def bridged(time_s: Column, column: Column, longest_s: float = LONGEST_BRIDGE_S) -> Column:
    """The column with its short holes filled by a straight line.

    A hole is filled if the known samples around it are at most `longest_s` apart. time_s strictly ascending.
    """
    known = np.flatnonzero(np.isfinite(column))
    if len(known) == len(column) or len(known) < 2:
        return column
    holes = np.flatnonzero(~np.isfinite(column))
    after = np.searchsorted(known, holes)
    inside = (after > 0) & (after < len(known))
    holes, after = holes[inside], after[inside]
    left, right = known[after - 1], known[after]
    short = time_s[right] - time_s[left] <= longest_s
    holes, left, right = holes[short], left[short], right[short]
    share = (time_s[holes] - time_s[left]) / (time_s[right] - time_s[left])
    result = column.copy()
    result[holes] = column[left] + share * (column[right] - column[left])
    return result


def smoothed(time_s: Column, column: Column, window_s: float) -> Column:
    """The column's mean over a window centred on each instant, whatever the spacing of the samples.

    Unknown samples are stepped over; at the ends the window is cut; all NaN stays all NaN.
    time_s strictly ascending.
    """
    known = np.isfinite(column)
    if not known.any():
        return column
    time, value = time_s[known], column[known]
    if len(time) == 1:
        return np.full(len(column), value[0])
    # The integral up to each sample, so that any window's mean is one difference.
    area = np.concatenate(([0.0], np.cumsum((value[1:] + value[:-1]) / 2 * np.diff(time))))
    # Cut evenly on both sides, so that a steady rise stays one to its very end.
    half = np.clip(np.minimum(time_s - time[0], time[-1] - time_s), 0.0, window_s / 2)
    low, high, width = time_s - half, time_s + half, 2 * half
    mean = np.interp(high, time, area) - np.interp(low, time, area)
    return np.where(width > 0, mean / np.where(width > 0, width, 1.0), np.interp(time_s, time, value))


def one_sample_per_instant(recording: Recording) -> Recording:
    """The recording with strictly ascending times: samples of one instant become one.

    Of each column the last known value stays: two sensors may report in one second, each its own columns.
    """
    time = recording.time_s
    if len(time) < 2 or bool((np.diff(time) > 0).all()):
        return recording
    order = np.argsort(time, kind="stable")
    instants, group = np.unique(time[order], return_inverse=True)
    columns: dict[str, Column] = {}
    for name in COLUMNS:
        column = getattr(recording, name)[order]
        known = np.isfinite(column)
        merged = np.full(len(instants), np.nan)
        merged[group[known]] = column[known]  # numpy keeps the last of equal targets
        columns[name] = merged
    return replace(recording, time_s=instants, **columns)  # type: ignore[arg-type]


def only(recording: Recording, rows: np.ndarray[tuple[int], np.dtype[np.bool_]]) -> Recording:
    """The recording with these samples only."""
    return replace(
        recording,
        time_s=recording.time_s[rows],
        **{name: getattr(recording, name)[rows] for name in COLUMNS},
    )
