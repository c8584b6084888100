"""Which samples can be true? Impossible ones are left out and counted, never passed on and never silently."""

from __future__ import annotations

from bisect import bisect_right
from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Final, NamedTuple

import numpy as np
from numpy.typing import NDArray

from ingest.ride.recording import Column

# The bounds are judgement, wide enough for any rider and device; what lies outside is a fault of file or
# sensor.
# 1990-01-01, a day after FIT's epoch: nothing recorded rides earlier, such a clock was never set.
EARLIEST_S: Final = 631_152_000.0
_LATEST_S: Final = 4_102_444_800.0  # 2100-01-01
LONGEST_SILENCE_S: Final = 48 * 3600.0  # a night in a tent is one ride, a weekend is not
_FASTEST_JUMP_MPS: Final = 150.0
_LEAST_JUMP_M: Final = 500.0
_METRES_PER_DEGREE: Final = 111_195.0
_BOUNDS: Final[dict[str, tuple[float, float]]] = {
    "altitude_m": (-500.0, 9_000.0),
    "distance_m": (0.0, 5_000_000.0),
    "speed_mps": (0.0, 60.0),
    "cadence_rpm": (0.0, 254.0),
    "power_w": (0.0, 5_000.0),
    "temperature_c": (-60.0, 80.0),
    "heart_rate_bpm": (0.0, 254.0),
}
# How fast a bicycle goes; common practice, no source:
JUMP_MPS = 40.0  # 144 km/h: no bicycle; the place or the counter jumped
MOTOR_MPS = 25.0  # 90 km/h held for a minute: the bike was in or on a car
COLUMNS: Final = ("latitude_deg", "longitude_deg", *_BOUNDS)


@dataclass(slots=True)
class Samples:
    """Columns of equal length with plausible values only, times ascending, and what was left out."""

    columns: dict[str, Column]  # time_s and every one of COLUMNS
    dropped: dict[str, int] = field(default_factory=dict)
    damage: list[str] = field(default_factory=list)


def plausible(time_s: Column, columns: Mapping[str, Column]) -> Samples:
    """What remains of these samples when the impossible is left out?

    A sample without a possible, ascending time goes as a whole. An impossible value alone becomes NaN, and
    the sample's other values stay: a lost satellite does not stop the chain. Columns may be missing; values
    may be NaN or infinite. Ties in time stay.
    """
    found = Samples({})
    rows = slice(None) if _is_in_order(time_s) else _in_order(time_s, found)
    found.columns["time_s"] = time_s[rows]
    unknown = np.full(len(found.columns["time_s"]), np.nan)  # one for all that the file does not have
    for name in COLUMNS:
        column = columns.get(name)
        found.columns[name] = unknown if column is None else column[rows]
    if "latitude_deg" in columns or "longitude_deg" in columns:
        _check_places(found)
    for name, (least, most) in _BOUNDS.items():
        column = found.columns[name]
        if column is not unknown and not _range_of(column).lies_within(least, most):
            reason = f"impossible {name.rsplit('_', 1)[0].replace('_', ' ')}"
            _blank(found, reason, (column < least) | (column > most), name)
    return found


class _Range(NamedTuple):
    """The least and the most known value of a column, and whether every value is known."""

    least: float
    most: float
    is_whole: bool

    def lies_within(self, least: float, most: float) -> bool:
        """Whether every known value does."""
        return not (self.least < least or self.most > most)


def _range_of(column: Column) -> _Range:
    """Two quick looks, and nearly every column is done with; two more when values are missing."""
    least, most = np.minimum.reduce(column, initial=np.inf), np.maximum.reduce(column, initial=-np.inf)
    if least == least:
        return _Range(least, most, True)
    return _Range(np.fmin.reduce(column, initial=np.inf), np.fmax.reduce(column, initial=-np.inf), False)


def _is_in_order(time_s: Column) -> bool:
    """Whether one look shows that every sample has a possible, ascending time, as in nearly every file."""
    return (
        len(time_s) > 0
        and bool(time_s[0] >= EARLIEST_S and time_s[-1] < _LATEST_S)
        and bool(time_s[-1] - time_s[0] <= LONGEST_SILENCE_S)
        and np.count_nonzero(time_s[1:] >= time_s[:-1]) == len(time_s) - 1
    )


def _in_order(time_s: Column, found: Samples) -> NDArray[np.intp]:
    """The rows with a possible, ascending time, none of them days from the rest; the others are counted."""
    known = np.isfinite(time_s)
    possible = (time_s >= EARLIEST_S) & (time_s < _LATEST_S)  # an unknown time is not
    rows = np.flatnonzero(possible)
    count = int(np.count_nonzero(known))
    _count(found.dropped, "no time", len(time_s) - count)
    _count(found.dropped, "impossible time", count - len(rows))

    ordered = rows[_ascending(time_s[rows])]
    _count(found.dropped, "time runs backwards", len(rows) - len(ordered))
    together = ordered[_together(time_s[ordered])]
    if len(together) < len(ordered):
        found.dropped["days away from the rest"] = len(ordered) - len(together)
        found.damage.append("holds samples days apart: only the longest part counts")
    return together


def _ascending(time_s: Column) -> NDArray[np.intp] | slice:
    """The most rows whose times never run backwards: one wild time costs one sample, not the rest."""
    if len(time_s) < 2 or (time_s[1:] >= time_s[:-1]).all():
        return slice(None)
    ends: list[float] = []  # the smallest last time of a run of each length
    last_rows: list[int] = []
    before = np.full(len(time_s), -1, dtype=np.intp)
    for row, at_s in enumerate(time_s.tolist()):
        length = bisect_right(ends, at_s)
        before[row] = last_rows[length - 1] if length else -1
        if length == len(ends):
            ends.append(at_s)
            last_rows.append(row)
        else:
            ends[length] = at_s
            last_rows[length] = row
    chosen = np.empty(len(ends), dtype=np.intp)
    row = last_rows[-1]
    for place in range(len(ends) - 1, -1, -1):
        chosen[place] = row
        row = int(before[row])
    return chosen


def _together(time_s: Column) -> slice:
    """The largest run of samples without a break of days."""
    if len(time_s) < 2 or time_s[-1] - time_s[0] <= LONGEST_SILENCE_S:
        return slice(None)
    edges = np.concatenate(([0], np.flatnonzero(np.diff(time_s) > LONGEST_SILENCE_S) + 1, [len(time_s)]))
    longest = int(np.argmax(np.diff(edges)))
    return slice(int(edges[longest]), int(edges[longest + 1]))


def _check_places(found: Samples) -> None:
    latitude, longitude = found.columns["latitude_deg"], found.columns["longitude_deg"]
    north, east = _range_of(latitude), _range_of(longitude)
    is_whole = north.is_whole and east.is_whole
    halves = np.zeros(0, bool) if is_whole else np.isnan(latitude) != np.isnan(longitude)
    if halves.any() or not (north.lies_within(-90.0, 90.0) and east.lies_within(-180.0, 180.0)):
        outside = (np.abs(latitude) > 90.0) | (np.abs(longitude) > 180.0)
        outside = outside if is_whole else outside | halves
        _blank(found, "impossible place", outside, "latitude_deg", "longitude_deg")
    if north.least <= 0.0 <= north.most and east.least <= 0.0 <= east.most:
        nowhere = (found.columns["latitude_deg"] == 0.0) & (found.columns["longitude_deg"] == 0.0)
        _blank(found, "place 0° 0°", nowhere, "latitude_deg", "longitude_deg")
    leaps = _leaps(found)
    if leaps is not None:
        _blank(found, "a place far from its neighbours", leaps, "latitude_deg", "longitude_deg")


def _leaps(found: Samples) -> NDArray[np.bool_] | None:
    """Single places that lie far from the ones before and after, while those two lie close together."""
    known = np.isfinite(found.columns["latitude_deg"])
    is_whole = np.count_nonzero(known) == len(known)
    time_s, latitude, longitude = (
        found.columns[name] if is_whole else found.columns[name][known]
        for name in ("time_s", "latitude_deg", "longitude_deg")
    )
    wide_deg = _LEAST_JUMP_M / 2 / _METRES_PER_DEGREE
    wide = np.abs(latitude[1:] - latitude[:-1]) > wide_deg
    wide |= np.abs(longitude[1:] - longitude[:-1]) > wide_deg
    if np.count_nonzero(wide) < 2:
        return None
    here = np.flatnonzero(wide[:-1] & wide[1:]) + 1

    def far(first: NDArray[np.intp], second: NDArray[np.intp]) -> NDArray[np.bool_]:
        north_m = (latitude[second] - latitude[first]) * _METRES_PER_DEGREE
        east_deg = np.abs(longitude[second] - longitude[first])
        shrink = np.cos(np.radians(latitude[first]))
        east_m = np.minimum(east_deg, 360.0 - east_deg) * _METRES_PER_DEGREE * shrink
        limit_m = np.maximum(_LEAST_JUMP_M, _FASTEST_JUMP_MPS * (time_s[second] - time_s[first]))
        beyond: NDArray[np.bool_] = np.hypot(north_m, east_m) > limit_m
        return beyond

    leaps = np.zeros(len(known), dtype=bool)
    leaps[np.flatnonzero(known)[here]] = far(here - 1, here) & far(here, here + 1) & ~far(here - 1, here + 1)
    return leaps


def _blank(found: Samples, reason: str, rows: NDArray[np.bool_], *names: str) -> None:
    count = int(rows.sum())
    _count(found.dropped, reason, count)
    if count:
        for name in names:
            found.columns[name] = np.where(rows, np.nan, found.columns[name])  # the file's own stays as it is


def _count(dropped: dict[str, int], reason: str, count: int) -> None:
    if count:
        dropped[reason] = dropped.get(reason, 0) + count
