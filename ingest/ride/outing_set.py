"""Several recordings of one outing: which of them count, whatever order they came in.

An outing may be covered by one recording or by several, one after the other. The set that covers most of it
counts; among those that cover about as much, the one that tells more. Nothing is counted twice.
"""

from __future__ import annotations

import hashlib
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from datetime import timedelta
from itertools import combinations

import numpy as np

from ingest.ride.same_ride import Outing, Relation, Verdict, apart_at_places_m, recorded_minutes
from ingest.ride.sketch import Sketch, shifted, sketch_of

# Judgements on what devices and riders do; common practice, no source.
COVERS_AS_MUCH = 0.9  # of the most minutes that any choice covers
MOST_SHARED = 0.05  # of the shorter: two recordings one after the other may meet
MOST_TRIED = 8  # recordings of one outing; of more, only the longest are tried as parts
SHAPE_M = 25.0  # nine tenths of the places of two clocks on one bike are this close
SHAPE_SHARE = 0.8  # of the shorter's minutes lie in the other, once its clock is put right
CLOCK_ERRORS = tuple(timedelta(hours=hours) for hours in (*range(-14, 0), *range(1, 15)))


@dataclass(frozen=True, slots=True)
class Resolution:
    """counted: which recordings count, by place.  follows: for each other one, that which it belongs to."""

    counted: tuple[int, ...]
    follows: dict[int, int]
    because: str


def resolved(outings: Sequence[Outing]) -> Resolution:
    """Which of these recordings of one outing count? The same for every order of them."""
    sketches = [sketch_of(one.sketch) for one in outings]
    minutes = [recorded_minutes(one) for one in sketches]
    longest_first = sorted(range(len(outings)), key=lambda n: (-len(minutes[n]), _mark(outings[n])))
    choices = [
        choice
        for count in range(1, min(len(outings), MOST_TRIED) + 1)
        for choice in combinations(sorted(longest_first[:MOST_TRIED]), count)
        if _one_after_the_other(choice, minutes)
    ]
    covered = {choice: len(set().union(*(minutes[n] for n in choice))) for choice in choices}
    most = max(covered.values())
    enough = [choice for choice in choices if covered[choice] >= COVERS_AS_MUCH * most]
    best = max(
        enough,
        key=lambda choice: (
            *_told(choice, sketches, minutes),
            covered[choice],
            sum(sketches[n].samples for n in choice),
            sorted(_mark(outings[n]) for n in choice),
        ),
    )
    follows = {
        n: max(best, key=lambda one: (len(minutes[n] & minutes[one]), _mark(outings[one])))
        for n in range(len(outings))
        if n not in best
    }
    share = covered[best] / max(len(set().union(*minutes)), 1)
    which = "the one that counts covers" if len(best) == 1 else f"the {len(best)} that count cover"
    because = f"of {len(outings)} recordings {which} {share:.0%} of the outing"
    return Resolution(tuple(sorted(best)), follows, because)


def by_a_wrong_clock(known: Sequence[Outing], other: Outing) -> Verdict | None:
    """Whether this recording and an outing's are hours apart by a clock alone, by the shape of the track.

    known: the outing's recordings, the one that counts first.  None = no: another outing.

    At exactly that many hours the places must agree to metres nearly all the way: no two rides do.
    """
    theirs = sketch_of(other.sketch)
    sketches = [sketch_of(one.sketch) for one in known]
    if theirs.identity is not None and any(one.identity == theirs.identity for one in sketches):
        return None  # one device has one clock
    one, mine = known[0], sketches[0]
    shorter = min(len(recorded_minutes(mine)), len(recorded_minutes(theirs)))
    for off in CLOCK_ERRORS:
        moved = shifted(theirs, off)
        common, apart_m = apart_at_places_m(mine, moved)
        if common >= SHAPE_SHARE * shorter and len(apart_m) > 2 and np.quantile(apart_m, 0.9) <= SHAPE_M:
            hours = abs(round(off.total_seconds() / 3600))
            because = (
                f"{common} minutes of one are in the other, {hours} h apart, nine tenths of the time at most "
                f"{np.quantile(apart_m, 0.9):.0f} m: one of the two clocks is {hours} h wrong"
            )
            keep = "first" if 0 in resolved_by_quality((one, other)) else "second"
            return Verdict(True, (because,), keep, Relation.SAME)  # type: ignore[arg-type]
    return None


def resolved_by_quality(outings: Sequence[Outing]) -> tuple[int, ...]:
    """Which one recording tells most, by place: for recordings whose clocks do not agree."""
    sketches = [sketch_of(one.sketch) for one in outings]
    minutes = [recorded_minutes(one) for one in sketches]
    best = max(
        range(len(outings)),
        key=lambda n: (round(len(minutes[n]) / 10), *_told((n,), sketches, minutes), _mark(outings[n])),
    )
    return (best,)


def _one_after_the_other(choice: Sequence[int], minutes: Sequence[frozenset[int]]) -> bool:
    return all(
        len(minutes[a] & minutes[b]) <= max(2, MOST_SHARED * min(len(minutes[a]), len(minutes[b])))
        for a, b in combinations(choice, 2)
    )


def _told(
    choice: Sequence[int], sketches: Sequence[Sketch], minutes: Sequence[frozenset[int]]
) -> Iterator[float]:
    """How much a choice tells, most important first; shares in tenths, so that a trifle decides nothing."""
    weights = np.array([max(len(minutes[n]), 1) for n in choice], float)
    chosen = [sketches[n] for n in choice]
    yield -float(any(one.damaged for one in chosen))
    for shares in (
        [one.cadence_share for one in chosen],
        [one.place_share for one in chosen],
        [one.power_share for one in chosen],
    ):
        yield round(float(np.average(shares, weights=weights)), 1)
    yield -float(len(choice))
    yield float(min(one.sensors for one in chosen))
    yield float(all(one.identity is not None for one in chosen))


def _mark(outing: Outing) -> str:
    """A recording's own mark, to decide between equals."""
    return hashlib.sha256(outing.sketch).hexdigest()
