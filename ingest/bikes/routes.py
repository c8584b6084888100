"""The way a ride took, as a few places along it, and which rides took the same way.

Places evenly along the track stand for it: there and back, and a loop either way round, are the same way.
"""

from __future__ import annotations

import math
from collections import defaultdict
from collections.abc import Sequence
from typing import Final

import numpy as np
from numpy.typing import NDArray

from ingest.ride.geometry import steps_m, unwrapped
from ingest.ride.recording import Column

PLACES: Final = 9
PLACES_PER_DEGREE = 1000  # about a hundred metres
SHORTEST_M = 500.0
NEAR_M, NEAR_OF_LENGTH = 200.0, 0.04  # apart at every place: satellites drift, and a corner may be cut
METRES_PER_UNIT = 111_195.0 / PLACES_PER_DEGREE
UNITS_A_CELL = 12  # of the middle place: ways are compared with those whose middles lie near

Way = tuple[int, ...]  # latitude and longitude in turn, in thousandths of a degree


def way_of(latitude_deg: Column, longitude_deg: Column) -> Way | None:
    """Places evenly along a track. None: not known where it went, or it went nowhere."""
    known = np.isfinite(latitude_deg) & np.isfinite(longitude_deg)
    latitude_deg, longitude_deg = latitude_deg[known], unwrapped(longitude_deg[known])
    if len(latitude_deg) < 2:
        return None
    along_m = np.concatenate(([0.0], np.cumsum(steps_m(latitude_deg, longitude_deg))))
    if along_m[-1] < SHORTEST_M:
        return None
    at_m = np.linspace(0.0, along_m[-1], PLACES)
    places = np.stack([np.interp(at_m, along_m, one) for one in (latitude_deg, longitude_deg)], axis=1)
    return tuple(np.rint(places.ravel() * PLACES_PER_DEGREE).astype(int).tolist())


def same_ways(ways: Sequence[Way | None]) -> list[int | None]:
    """A number for each way that more than one ride took; None = no other ride did, or it is not known."""
    first_of: list[NDArray[np.float64]] = []
    near_middle: dict[tuple[int, int], list[int]] = defaultdict(list)
    found: list[int | None] = []
    taken: dict[int, int] = defaultdict(int)
    for way in ways:
        if way is None:
            found.append(None)
            continue
        places = np.array(way, dtype=np.float64).reshape(-1, 2)
        row, column = (int(x // UNITS_A_CELL) for x in places[PLACES // 2])
        number = next((n for n in near_middle[row, column] if _alike(places, first_of[n])), None)
        if number is None:
            number = len(first_of)
            first_of.append(places)
            for north in (-1, 0, 1):
                for east in (-1, 0, 1):
                    near_middle[row + north, column + east].append(number)
        taken[number] += 1
        found.append(number)
    return [number if number is not None and taken[number] > 1 else None for number in found]


def goes_on(way: Way, before: Way, first: Way) -> bool:
    """Whether a ride goes on with an outing: it begins away from where that began, as the ride before ended.

    first: of the rides of that outing. Where the ride before ended need not be where this one begins: its
    recording may have been stopped too soon, or there was a train.
    """
    places = np.array(before, dtype=np.float64).reshape(-1, 2)
    metres = np.array([1.0, math.cos(math.radians(places[0, 0] / PLACES_PER_DEGREE))]) * METRES_PER_UNIT
    near_m = NEAR_M + NEAR_OF_LENGTH * float(np.hypot(*(np.diff(places, axis=0) * metres).T).sum())
    home, ends = np.array(first[:2]), (places[-1], np.array(way[:2]))
    return all(float(np.hypot(*((end - home) * metres))) > near_m for end in ends)


def _alike(one: NDArray[np.float64], other: NDArray[np.float64]) -> bool:
    """Whether two ways lie near each other at every place, in either direction."""
    metres = np.array([1.0, math.cos(math.radians(one[0, 0] / PLACES_PER_DEGREE))]) * METRES_PER_UNIT
    length_m = float(np.hypot(*(np.diff(other, axis=0) * metres).T).sum())
    near_m = NEAR_M + NEAR_OF_LENGTH * length_m
    apart_m = min(float(np.hypot(*((one - turned) * metres).T).max()) for turned in (other, other[::-1]))
    return apart_m <= near_m
