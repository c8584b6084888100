"""Two recordings: one outing, its continuation, two riders together, or strangers; a verdict with reasons."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import Literal, Protocol

import numpy as np
from numpy.typing import NDArray

from ingest.ride.geometry import haversine_m
from ingest.ride.recording import Column
from ingest.ride.sketch import PLACES_A_MINUTE, Sketch, sketch_of
from rules.units import length

# Judgements on what devices and riders do; common practice, no source.
LONGEST_BREAK = timedelta(hours=6)  # between two halves of one outing
RESUMED_WITHIN_M = 500.0
COMMON_SHARE = 0.5  # of the shorter recording's minutes
SAME_SIGNAL_M = (2.0, 5.0)  # median, nine tenths: one receiver's own places
SAME_BIKE_M = 12.0  # nine tenths: two receivers on one bike stay this close
TOGETHER_M = 100.0  # median: farther, and they did not even ride together
FEWEST_PLACES = 3
FEWEST_BODY_MINUTES = 5
# Mean difference by minute: up to the first it is the same body or sensor, from the second another rider's.
HEART_BPM, CADENCE_RPM, POWER_SHARE = (3.0, 8.0), (2.0, 8.0), (0.06, 0.25)


@dataclass(frozen=True, slots=True)
class Verdict:
    """Whether two recordings are of one outing, why, and which to keep if so.

    keep: "first" or "second", the richer recording; None when they are not the same.
    """

    same: bool
    because: tuple[str, ...]
    keep: Literal["first", "second"] | None


class Outing(Protocol):
    """What comparing takes: a ride summary, or a stored ride with its sketch."""

    @property
    def started_at(self) -> datetime: ...
    @property
    def ended_at(self) -> datetime: ...
    @property
    def sketch(self) -> bytes: ...


def same_outing(first: Outing, second: Outing, *, same_rider: bool | None = None) -> Verdict:
    """Whether two recordings are of one outing.

    same_rider: whether both are known to be one rider's; None = not known.
    """
    if first.started_at > second.ended_at or second.started_at > first.ended_at:
        return _apart(first, second, same_rider)
    one, other = sketch_of(first.sketch), sketch_of(second.sketch)
    pair = _Pair.of(one, other)
    share = pair.common / max(min(_recorded_minutes(one), _recorded_minutes(other)), 1)
    if pair.common <= 2 and share < COMMON_SHARE:
        return _apart(first, second, same_rider)
    if share < COMMON_SHARE:
        return _not(f"only {share:.0%} of the shorter recording is in the other")
    return _overlapping(one, other, pair, same_rider)


def _overlapping(one: Sketch, other: Sketch, pair: _Pair, same_rider: bool | None) -> Verdict:
    common = f"{pair.common} minutes are in both" if pair.common > 1 else "a minute is in both"
    median, most = pair.apart_m()
    if median is not None and most is not None and median > TOGETHER_M:
        return _not(common, f"but half the time they are {length(median)} or more apart")
    place = () if median is None else (f"nine tenths of the time at most {length(most or 0.0)} apart",)
    if median is not None and most is not None and median <= SAME_SIGNAL_M[0] and most <= SAME_SIGNAL_M[1]:
        return _same(one, other, common, f"the same places to {max(median, 1.0):.0f} m")
    if one.identity is not None and one.identity == other.identity:
        return _same(
            one, other, common, "one device recorded both, and it records one ride at a time", *place
        )

    alike, unlike = pair.bodies()
    if unlike and len(unlike) >= len(alike):
        return _not(common, *place, *unlike)
    if alike:
        return _same(one, other, common, *place, *alike)
    if same_rider:
        return _same(one, other, common, *place, "one rider cannot ride twice at once")
    if same_rider is False:
        return _not(common, *place, "two riders' recordings, and nothing measured agrees")
    if most is not None and most <= SAME_BIKE_M:
        return _same(one, other, common, *place)
    return _not(common, *place, "nothing else shows that one rider made both")


def _apart(first: Outing, second: Outing, same_rider: bool | None) -> Verdict:
    """One after the other: a continuation, or nothing to do with each other."""
    early, late = sorted((first, second), key=lambda outing: outing.started_at)
    rest = max(late.started_at - early.ended_at, timedelta(0))
    if rest > LONGEST_BREAK or same_rider is False:
        return _not("they do not overlap in time")
    one, other = sketch_of(early.sketch), sketch_of(late.sketch)
    away = _from_end_to_start_m(one, other)
    same_device = one.identity is not None and one.identity == other.identity
    minutes = round(rest.total_seconds() / 60)
    if (away is not None and away <= RESUMED_WITHIN_M) or (away is None and same_device):
        where = "" if away is None else f", {length(away)} from where the other ended"
        return _not(f"one continues the other after {minutes} min{where}: both count")
    return _not("they do not overlap in time")


@dataclass(frozen=True, slots=True, eq=False)
class _Pair:
    """Two sketches cut to the minutes they share."""

    one: dict[str, Column]
    other: dict[str, Column]
    common: int  # minutes in which both recorded something

    @classmethod
    def of(cls, one: Sketch, other: Sketch) -> _Pair:
        begin = max(one.first_minute, other.first_minute)
        end = min(one.first_minute + one.minutes, other.first_minute + other.minutes)

        def cut(sketch: Sketch) -> dict[str, Column]:
            first, last = begin - sketch.first_minute, max(end, begin) - sketch.first_minute
            places = slice(first * PLACES_A_MINUTE, last * PLACES_A_MINUTE)
            cut_places = {name: getattr(sketch, name)[places] for name in _PLACES}
            return cut_places | {name: getattr(sketch, name)[first:last] for name in _MEANS}

        mine, theirs = cut(one), cut(other)
        return cls(mine, theirs, int((_recorded(mine) & _recorded(theirs)).sum()))

    def metres_apart(self) -> Column:
        """The distances at the instants at which both know their place. [m]"""
        metres = haversine_m(
            self.one["latitude_deg"],
            self.one["longitude_deg"],
            self.other["latitude_deg"],
            self.other["longitude_deg"],
        )
        return metres[np.isfinite(metres)]

    def apart_m(self) -> tuple[float | None, float | None]:
        """How far apart they are at the same instants: the median, and what nine tenths stay under. [m]"""
        metres = self.metres_apart()
        if len(metres) < FEWEST_PLACES:
            return None, None
        return float(np.median(metres)), float(np.quantile(metres, 0.9))

    def bodies(self) -> tuple[list[str], list[str]]:
        """What the rider's body says: sentences for one rider, sentences for two."""
        alike: list[str] = []
        unlike: list[str] = []
        for name, (near, far), word, unit in (
            ("heart_rate_bpm", HEART_BPM, "heart rates", "beats a minute"),
            ("cadence_rpm", CADENCE_RPM, "cadences", "rpm"),
            ("power_w", POWER_SHARE, "powers", "of their mean"),
        ):
            mine, theirs = self.one[name], self.other[name]
            both = np.isfinite(mine) & np.isfinite(theirs) & ((mine > 0) | (theirs > 0))
            if both.sum() < FEWEST_BODY_MINUTES:
                continue
            difference = float(np.abs(mine[both] - theirs[both]).mean())
            if name == "power_w":
                difference /= max(float((mine[both] + theirs[both]).mean()) / 2, 1.0)
            said = f"{difference:.0%}" if name == "power_w" else f"{difference:.0f}"
            if difference <= near:
                alike.append(f"the {word} agree within {said} {unit}")
            elif difference >= far:
                unlike.append(f"the {word} differ by {said} {unit}")
        return alike, unlike


_PLACES = ("latitude_deg", "longitude_deg")
_MEANS = ("speed_mps", "cadence_rpm", "heart_rate_bpm", "power_w")


def _recorded(columns: dict[str, Column]) -> NDArray[np.bool_]:
    """In which minutes there is anything at all."""
    known = np.zeros(len(columns[_MEANS[0]]), np.bool_)
    for offset in range(PLACES_A_MINUTE):
        known |= np.isfinite(columns[_PLACES[0]][offset::PLACES_A_MINUTE])
    for name in _MEANS:
        known |= np.isfinite(columns[name])
    return known


def _recorded_minutes(sketch: Sketch) -> int:
    return int(_recorded({name: getattr(sketch, name) for name in _PLACES + _MEANS}).sum())


def recorded_minutes(sketch: Sketch) -> frozenset[int]:
    """In which minutes since 1970 this recording has anything at all."""
    known = _recorded({name: getattr(sketch, name) for name in _PLACES + _MEANS})
    return frozenset((sketch.first_minute + np.flatnonzero(known)).tolist())


def apart_at_places_m(one: Sketch, other: Sketch) -> tuple[int, Column]:
    """In how many minutes both recorded something, and how far apart they were at the same instants. [m]"""
    pair = _Pair.of(one, other)
    return pair.common, pair.metres_apart()


def _from_end_to_start_m(early: Sketch, late: Sketch) -> float | None:
    ends = np.flatnonzero(np.isfinite(early.latitude_deg))
    starts = np.flatnonzero(np.isfinite(late.latitude_deg))
    if not len(ends) or not len(starts):
        return None
    end, start = ends[-1:], starts[:1]
    away = haversine_m(
        early.latitude_deg[end], early.longitude_deg[end], late.latitude_deg[start], late.longitude_deg[start]
    )
    # The places are those of full 20 s: what was ridden before the end and after the start comes off.
    ridden = np.nan_to_num(early.speed_mps[end // PLACES_A_MINUTE])
    ridden = (ridden + np.nan_to_num(late.speed_mps[start // PLACES_A_MINUTE])) * 60 / PLACES_A_MINUTE
    return float(np.maximum(away - ridden, 0.0)[0])


def _not(*because: str) -> Verdict:
    return Verdict(False, because, None)


def _same(one: Sketch, other: Sketch, *because: str) -> Verdict:
    keep, why = _richer(one, other)
    return Verdict(True, (*because, why), keep)


def _richer(one: Sketch, other: Sketch) -> tuple[Literal["first", "second"], str]:
    """Which recording tells more, by the first thing in which they clearly differ."""
    longest = max(_recorded_minutes(one), _recorded_minutes(other), 1)
    for mine, theirs, clearly, why in (
        (_recorded_minutes(one) / longest, _recorded_minutes(other) / longest, 0.1, "covers more of it"),
        (not one.damaged, not other.damaged, 1, "is not damaged"),
        (one.cadence_share, other.cadence_share, 0.1, "has more cadence"),
        (one.place_share, other.place_share, 0.1, "knows the place more often"),
        (one.power_share, other.power_share, 0.1, "has more power"),
        (one.sensors, other.sensors, 1, "names more sensors"),
        (one.identity is not None, other.identity is not None, 1, "names its device"),
        (one.samples / max(other.samples, 1), 1.0, 0.05, "has more samples"),
        (1.0, one.samples / max(other.samples, 1), 0.05, "has more samples"),
    ):
        if float(mine) - float(theirs) >= clearly:
            return "first", f"the first {why}"
        if float(theirs) - float(mine) >= clearly:
            return "second", f"the second {why}"
    return "first", "neither tells more: the first is kept"
