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
from typing import Any

import numpy as np

from ingest.ride.same_ride import Outing, apart_at_places_m, recorded_minutes, same_outing
from ingest.ride.sketch import Sketch, shifted, sketch_of

# Judgements on what devices and riders do; common practice, no source.
COVERS_AS_MUCH = 0.9  # of the most minutes that any choice covers
MOST_SHARED = 0.05  # of the shorter: two recordings one after the other may meet
MOST_TRIED = 8  # recordings of one outing; of more, only the longest are tried as parts
WAY_OF_GROUPING = 2  # raised when rides already here should be looked at again
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
    told = [recorded_minutes(one) for one in sketches]
    marks = [hashlib.sha256(one.sketch).hexdigest() for one in outings]
    off_min = _clocks(sketches, told)
    minutes = [frozenset(minute - off for minute in one) for one, off in zip(told, off_min, strict=True)]
    by_clock = {off: [n for n in range(len(outings)) if off_min[n] == off] for off in set(off_min)}
    # The clock that most recordings share is right; of equals, the one that tells more of the outing.
    right = max(
        by_clock.values(),
        key=lambda of: (len(of), *_best(of, sketches, minutes, marks)[1]),
    )
    best, _ = _best(right, sketches, minutes, marks)
    follows = {
        n: max(best, key=lambda one: (len(minutes[n] & minutes[one]), marks[one]))
        for n in range(len(outings))
        if n not in best
    }
    covered, whole = (len(set().union(*(minutes[n] for n in of))) for of in (best, range(len(outings))))
    which = "the one that counts covers" if len(best) == 1 else f"the {len(best)} that count cover"
    because = f"of {len(outings)} recordings {which} {covered / max(whole, 1):.0%} of the outing"
    return Resolution(best, follows, because)


def by_a_wrong_clock(known: Sequence[Outing], other: Outing) -> str | None:
    """Whether this recording and an outing's are hours apart by a clock alone, by the shape of the track.

    known: the outing's recordings.  Returns why, half a sentence; None = no: another outing.
    """
    theirs = sketch_of(other.sketch)
    sketches = [sketch_of(one.sketch) for one in known]
    own = [n for n, one in enumerate(sketches) if one.identity == theirs.identity is not None]
    if own:
        # One device has one clock: either this is what it recorded then, or it was another outing.
        at_once = any(same_outing(known[n], other, same_rider=True).same for n in own)
        return "one device recorded both at the same time, beside another clock" if at_once else None
    for mine in sketches:
        found = _clock_between(mine, theirs)
        if found is not None:
            hours = abs(round(found.total_seconds() / 3600))
            return (
                f"nearly all of one is in the other to {SHAPE_M:.0f} m, {hours} h apart: one of the two "
                f"clocks is {hours} h wrong"
            )
    return None


def _clock_between(mine: Sketch, theirs: Sketch) -> timedelta | None:
    """By how many whole hours the second's clock is ahead or behind, where the shape of the track shows it.

    At exactly that many hours the places must agree to metres nearly all the way: no two rides do.
    """
    shorter = min(len(recorded_minutes(mine)), len(recorded_minutes(theirs)))
    for off in CLOCK_ERRORS:
        common, apart_m = apart_at_places_m(mine, shifted(theirs, -off))
        if common >= SHAPE_SHARE * shorter and len(apart_m) > 2 and np.quantile(apart_m, 0.9) <= SHAPE_M:
            return off
    return None


def _mostly_shared(one: frozenset[int], other: frozenset[int]) -> bool:
    return len(one & other) >= max(min(len(one), len(other)) / 2, 1)


def _clocks(sketches: Sequence[Sketch], minutes: Sequence[frozenset[int]]) -> list[int]:
    """By how many minutes each recording's clock is ahead of the first one's, as far as tracks tell."""
    found: list[int | None] = [0, *(None for _ in sketches[1:])]
    waiting = [0]
    while waiting:
        here = waiting.pop()
        for other in range(len(sketches)):
            if found[other] is not None:
                continue
            if _mostly_shared(minutes[here], minutes[other]):
                off = 0
            elif (by := _clock_between(sketches[here], sketches[other])) is not None:
                off = round(by.total_seconds() / 60)
            else:
                continue
            found[other] = (found[here] or 0) + off
            waiting.append(other)
    return [one or 0 for one in found]


def _best(
    of: Sequence[int], sketches: Sequence[Sketch], minutes: Sequence[frozenset[int]], marks: Sequence[str]
) -> tuple[tuple[int, ...], tuple[Any, ...]]:
    """The choice that counts among these, and how good it is."""
    longest = sorted(of, key=lambda n: (-len(minutes[n]), marks[n]))[:MOST_TRIED]
    choices = [
        choice
        for count in range(1, len(longest) + 1)
        for choice in combinations(sorted(longest), count)
        if _one_after_the_other(choice, minutes)
    ]
    covered = {choice: len(set().union(*(minutes[n] for n in choice))) for choice in choices}
    most = max(covered.values())

    def good(choice: tuple[int, ...]) -> tuple[Any, ...]:
        return (
            *_told(choice, sketches, minutes),
            covered[choice],
            sum(sketches[n].samples for n in choice),
            sorted(marks[n] for n in choice),
        )

    enough = [choice for choice in choices if covered[choice] >= COVERS_AS_MUCH * most]
    best = max(enough, key=good)
    return best, (round(most / 10), *good(best))


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
