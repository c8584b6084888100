"""A file's tracks, segments or chained files, put in the order of time: one ride, or several days apart."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise
from typing import Final

import numpy as np
from numpy.typing import NDArray

from ingest.ride.plausible_samples import LONGEST_SILENCE_S
from ingest.ride.recording import Column
from ingest.ride.same_ride import LONGEST_BREAK

# Judgements on what devices and riders do; common practice, no source.
LONGEST_BREAK_S: Final = LONGEST_BREAK.total_seconds()  # between two parts, as between two files
FEWEST_SAMPLES: Final = 10  # fewer say no ride: a wild time, which is left out where it stands
MOST_OVERLAP_S: Final = 60.0  # two parts may meet; more is the same minutes told twice

Rows = NDArray[np.intp]


@dataclass(frozen=True, slots=True)
class RideRows:
    """The rows of one ride of a file, in the order to read them in.

    starts: places in `rows` at which a new part begins.  doubled: rows left out: their time was told twice.
    """

    rows: Rows
    starts: tuple[int, ...]
    doubled: int
    is_all: bool = False  # every row of the file, as it stands

    def of(self, column: Column) -> Column:
        """The ride's part of a column of the file; the column itself, not a copy, when that is all of it."""
        return column if self.is_all else column[self.rows]


@dataclass(frozen=True, slots=True)
class _Part:
    rows: Rows
    first_s: float
    last_s: float


def rides_in(time_s: Column, starts: Sequence[int]) -> tuple[RideRows, ...]:
    """Which rows make which ride, the longest ride first?

    time_s: Unix seconds in file order, NaN = none.  starts: the rows at which tracks, segments or chained
    files begin.
    """
    whole = RideRows(np.arange(len(time_s)), tuple(starts), 0, is_all=True)
    if _is_plainly_one(time_s, [start for start in starts if 0 < start < len(time_s)]):
        return (whole,)
    parts, stray = _parts(time_s, starts)
    if not parts:
        return (whole,)
    rides: list[list[_Part]] = []
    doubled: list[int] = []
    for part in sorted(parts, key=lambda one: (one.first_s, -one.last_s)):
        if not rides or part.first_s - max(one.last_s for one in rides[-1]) > LONGEST_BREAK_S:
            rides.append([part])
            doubled.append(0)
        elif _told_before(part, rides[-1]):
            doubled[-1] += len(part.rows)
        else:
            rides[-1].append(part)
    if len(rides) == 1 and not doubled[0] and _in_order(rides[0]):
        return (whole,)
    found = [_joined(ride, count) for ride, count in zip(rides, doubled, strict=True)]
    found.sort(key=lambda ride: -len(ride.rows))
    if len(stray):  # wild times are dropped and counted with the longest ride
        longest = found[0]
        found[0] = RideRows(np.concatenate((longest.rows, stray)), longest.starts, longest.doubled)
    return tuple(found)


def _is_plainly_one(time_s: Column, starts: Sequence[int]) -> bool:
    """Whether two looks at the steps of time show one ride in order, as of nearly every file."""
    if len(time_s) < FEWEST_SAMPLES:
        return False
    steps_s = time_s[1:] - time_s[:-1]
    if not starts:
        return bool((np.abs(steps_s) <= LONGEST_SILENCE_S).all())
    return (
        bool((steps_s >= 0).all() and steps_s.max() <= LONGEST_BREAK_S)
        and all(steps_s[start - 1] > 0 for start in starts)
        and min(after - before for before, after in pairwise([0, *starts, len(time_s)])) >= FEWEST_SAMPLES
    )


def _parts(time_s: Column, starts: Sequence[int]) -> tuple[list[_Part], Rows]:
    """The parts with enough samples, cut where a part is silent for days; and the rows of the others."""
    known = np.isfinite(time_s)
    edges = sorted({0, *(start for start in starts if 0 < start < len(time_s)), len(time_s)})
    parts: list[_Part] = []
    stray: list[Rows] = []
    for begin, end in pairwise(edges):
        rows = np.arange(begin, end)
        timed = rows[known[begin:end]]
        cuts = timed[1:][np.abs(np.diff(time_s[timed])) > LONGEST_SILENCE_S]
        for piece in np.split(rows, np.searchsorted(rows, cuts)):
            times = time_s[piece][known[piece]]
            if len(times) >= FEWEST_SAMPLES:
                parts.append(_Part(piece, float(times.min()), float(times.max())))
            else:
                stray.append(piece)
    return parts, np.concatenate(stray) if stray else np.zeros(0, np.intp)


def _told_before(part: _Part, ride: Sequence[_Part]) -> bool:
    """Whether most of a part's time is that of parts taken already."""
    shared_s = sum(max(0.0, min(part.last_s, one.last_s) - max(part.first_s, one.first_s)) for one in ride)
    return shared_s > MOST_OVERLAP_S and shared_s > (part.last_s - part.first_s) / 2


def _in_order(ride: Sequence[_Part]) -> bool:
    return all(before.rows[-1] < after.rows[0] for before, after in pairwise(ride))


def _joined(ride: Sequence[_Part], doubled: int) -> RideRows:
    lengths = [len(one.rows) for one in ride]
    starts = tuple(np.cumsum([0, *lengths])[:-1].tolist())
    return RideRows(np.concatenate([one.rows for one in ride]), starts, doubled)


def several_names(file_name: str, place: int, count: int) -> str:
    """What one of several rides in a file is called; the longest has the file's own name."""
    return file_name if place == 1 else f"{file_name} > ride {place} of {count}"
