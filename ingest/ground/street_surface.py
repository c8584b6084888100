"""How much of a track was unpaved, by the surface tags of the streets under it. Pure.

The map knows what its mappers wrote down. What they did not is left out of the share and told as such; it is
never guessed from the kind of road.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from enum import StrEnum
from importlib import import_module

import numpy as np
from numpy.typing import NDArray

from ingest.ride.geometry import MEAN_EARTH_RADIUS_M
from ingest.ride.recording import Column

STEP_M = 20.0  # a track is asked about piece by piece; our choice, well under the length of a street
REACH_M = 30.0  # from track to street: ten of positioning, twenty of a thinned track; our choice
SAME_WAY_DEG = 40.0  # a street crossed is not a street ridden; our choice
ANTIPODE_M = 1_000_000.0  # a street torn apart at the far side of the globe is nowhere near
LEAST_TOLD = 0.5  # of the track; with less the map is not heard; our choice


class Ground(StrEnum):
    """What a street is made of, as far as a chain cares."""

    PAVED = "paved"
    UNPAVED = "unpaved"


# The map's own wiki sorts these so (https://wiki.openstreetmap.org/wiki/Key:surface; from memory).
PAVED_BY_WIKI = frozenset(
    (
        "paved",
        "asphalt",
        "chipseal",
        "concrete",
        "concrete:lanes",
        "concrete:plates",
        "paving_stones",
        "paving_stones:lanes",
        "sett",
        "cobblestone",
        "unhewn_cobblestone",
        "bricks",
        "metal",
        "wood",
    )
)
UNPAVED_BY_WIKI = frozenset(
    (
        "unpaved",
        "compacted",
        "fine_gravel",
        "gravel",
        "pebblestone",
        "ground",
        "dirt",
        "earth",
        "grass",
        "mud",
        "sand",
        "rock",
        "shells",
        "woodchips",
        "salt",
        "snow",
        "ice",
    )
)
# Common practice, no source: what a chain gets from them.
PAVED_BY_PRACTICE = frozenset(
    (
        "brick",
        "tarmac",
        "metal_grid",
        "rubber",
        "tiles",
        "plastic",
    )
)
UNPAVED_BY_PRACTICE = frozenset(
    (
        "clay",
        "soil",
        "stone",
        "rocks",
        "dirt/sand",
        "grass_paver",
        "laterite",
    )
)
# Where there is no surface tag: grade1 is solid, usually paved; grade2 to 5 are not.
# https://wiki.openstreetmap.org/wiki/Key:tracktype; from memory.
BY_TRACKTYPE: Mapping[str, Ground] = {
    "grade1": Ground.PAVED,
    **dict.fromkeys(("grade2", "grade3", "grade4", "grade5"), Ground.UNPAVED),
}
# Common practice, no source: no bicycle was ridden on these.
NOT_RIDDEN = frozenset(
    (
        "motorway",
        "motorway_link",
        "construction",
        "proposed",
        "abandoned",
        "razed",
        "platform",
        "elevator",
    )
)


_COLUMN: Mapping[Ground | None, int] = {Ground.PAVED: 0, Ground.UNPAVED: 1, None: 2}  # of StreetSurface
_OFF_MAP = 3


@dataclass(frozen=True, slots=True, eq=False)
class Street:
    """One street of the map. ground None: nobody wrote down what it is made of."""

    ground: Ground | None
    latitude_deg: Column
    longitude_deg: Column


class StreetMap:
    """Streets laid out for many tracks: every straight piece of them, and whose it is."""

    def __init__(self, streets: Sequence[Street]) -> None:
        drawn = [street for street in streets if len(street.latitude_deg) > 1]
        counts = [len(street.latitude_deg) - 1 for street in drawn]
        self.kind = np.repeat([_COLUMN[street.ground] for street in drawn], counts).astype(np.intp)
        self.from_latitude = _joined([street.latitude_deg[:-1] for street in drawn])
        self.from_longitude = _joined([street.longitude_deg[:-1] for street in drawn])
        self.to_latitude = _joined([street.latitude_deg[1:] for street in drawn])
        self.to_longitude = _joined([street.longitude_deg[1:] for street in drawn])


def _joined(columns: Sequence[Column]) -> Column:
    return np.concatenate(columns) if columns else np.zeros(0)


@dataclass(frozen=True, slots=True)
class StreetSurface:
    """What the map says of a track, by length. [m]"""

    paved_m: float
    unpaved_m: float
    no_tag_m: float  # on a street without a surface tag
    off_map_m: float  # on no street that the map has

    @property
    def length_m(self) -> float:
        """The whole track."""
        return self.paved_m + self.unpaved_m + self.no_tag_m + self.off_map_m

    @property
    def unpaved_share(self) -> float | None:
        """Of what the map tells, 0..1; None when it tells too little of the track."""
        told_m = self.paved_m + self.unpaved_m
        if told_m == 0 or told_m < LEAST_TOLD * self.length_m:
            return None
        return self.unpaved_m / told_m

    @property
    def untold_share(self) -> float:
        """How much of the track had no tag, or no street."""
        return (self.no_tag_m + self.off_map_m) / self.length_m if self.length_m else 1.0


def ground_of(tags: Mapping[str, str]) -> Ground | None:
    """What these tags of a street say it is made of; None: nothing, or two things at once."""
    told = {_ground_named(value) for value in tags.get("surface", "").lower().split(";") if value.strip()}
    if len(told) > 1:
        return None
    ground = told.pop() if told else None
    return ground or BY_TRACKTYPE.get(tags.get("tracktype", ""))


def _ground_named(value: str) -> Ground | None:
    value = value.strip()
    if value in PAVED_BY_WIKI or value in PAVED_BY_PRACTICE:
        return Ground.PAVED
    if value in UNPAVED_BY_WIKI or value in UNPAVED_BY_PRACTICE:
        return Ground.UNPAVED
    return None


def street_surface(latitude_deg: Column, longitude_deg: Column, streets: StreetMap) -> StreetSurface:
    """What the track was ridden on: piece by piece, the nearest street that runs the same way.

    The track's places in order, all known. Needs shapely.
    """
    if len(latitude_deg) < 2:
        return StreetSurface(0.0, 0.0, 0.0, 0.0)
    origin = float(latitude_deg[0]), float(longitude_deg[0])
    middles, headings, lengths = _pieces(_plane(latitude_deg, longitude_deg, origin))
    sums = np.bincount(_nearest(middles, headings, streets, origin), lengths, _OFF_MAP + 1)
    return StreetSurface(*(float(metres) for metres in sums))


def _plane(latitude_deg: Column, longitude_deg: Column, origin: tuple[float, float]) -> NDArray[np.float64]:
    """East and north of the origin. [m] The ±180° meridian is no border."""
    east = (longitude_deg - origin[1] + 180.0) % 360.0 - 180.0
    north = latitude_deg - origin[0]
    metres_per_degree = np.radians(1.0) * MEAN_EARTH_RADIUS_M
    metres: NDArray[np.float64] = (
        np.column_stack([east * np.cos(np.radians(origin[0])), north]) * metres_per_degree
    )
    return metres


def _pieces(places: NDArray[np.float64]) -> tuple[NDArray[np.float64], Column, Column]:
    """The middle [m], the heading [radians] and the length [m] of each piece of at most STEP_M."""
    legs = np.diff(places, axis=0)
    lengths = np.hypot(legs[:, 0], legs[:, 1])
    counts = np.maximum(1, np.ceil(lengths / STEP_M)).astype(np.intp)
    leg = np.repeat(np.arange(len(legs)), counts)
    first = np.cumsum(counts) - counts
    along = (np.arange(len(leg)) - first[leg] + 0.5) / counts[leg]
    middles = places[leg] + legs[leg] * along[:, None]
    return middles, np.arctan2(legs[leg, 1], legs[leg, 0]), lengths[leg] / counts[leg]


def _nearest(
    middles: NDArray[np.float64], headings: Column, streets: StreetMap, origin: tuple[float, float]
) -> NDArray[np.intp]:
    """For each piece the column of StreetSurface that it counts in."""
    shapely = import_module("shapely")  # comes with an extra, and without types
    found = np.full(len(middles), _OFF_MAP, dtype=np.intp)
    begin = _plane(streets.from_latitude, streets.from_longitude, origin)
    end = _plane(streets.to_latitude, streets.to_longitude, origin)
    low, high = middles.min(axis=0) - REACH_M, middles.max(axis=0) + REACH_M
    around = (np.minimum(begin, end) <= high) & (np.maximum(begin, end) >= low)
    torn = np.abs(end - begin).max(axis=1, initial=0.0) > ANTIPODE_M
    near = np.flatnonzero(around.all(axis=1) & ~torn)
    begin, run, kind = begin[near], end[near] - begin[near], streets.kind[near]
    lines, points = shapely.linestrings(np.stack([begin, begin + run], axis=1)), shapely.points(middles)
    piece, line = shapely.STRtree(lines).query(points, predicate="dwithin", distance=REACH_M)
    turned = headings[piece] - np.arctan2(run[line, 1], run[line, 0])
    alike = np.abs(np.sin(turned)) <= np.sin(np.radians(SAME_WAY_DEG))
    piece, line = piece[alike], line[alike]
    order = np.lexsort((line, shapely.distance(points[piece], lines[line]), piece))
    pieces, first = np.unique(piece[order], return_index=True)
    found[pieces] = kind[line[order][first]]
    return found
