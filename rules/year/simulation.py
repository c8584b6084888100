"""One year on one bike, walked evening by evening: what a way of caring asks for, and when it is done."""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass
from typing import NamedTuple

import numpy as np

from rules.care_due import NEARLY, TOLD_AGAIN_AFTER
from rules.wear.reading_arrays import Array

MOST_LATE_DAYS = 2  # between a reminder and the deed: labelled assumption


class Hour(NamedTuple):
    """One ride hour as the walk sees it."""

    day: int  # local days since the year began
    row: tuple[float, ...]  # drive hours, and those times water, mud, dust, salt
    grit_h: float  # by the rulebook
    wet_h: float


@dataclass(frozen=True, slots=True)
class Way:
    """A way of caring. Limits in grit-hours, a wet day in hours."""

    name: str
    film_h: float
    dirt_h: float
    wet_h: float
    spell_days: float
    starved: float
    chains: int = 1
    drips: bool = True
    baths: bool = True
    oiled: bool = False


@dataclass(frozen=True, slots=True)
class Walk:
    """What one walk through the year came to."""

    done: tuple[tuple[int, str], ...]  # on which day, what
    film_h: Array  # per hour, in the middle of it: since the film was renewed
    dirt_h: Array
    end_film_h: float
    end_dirt_h: float

    @property
    def deeds(self) -> Counter[str]:
        """How often was each thing done?"""
        return Counter(what for _, what in self.done)


def walk(hours: Sequence[Hour], way: Way, dice: np.random.Generator) -> Walk:
    """A year by this way, judged each evening; what is asked for is done nought to two days later."""
    bench = _Bench(way, dice)
    film_at, dirt_at = np.zeros(len(hours)), np.zeros(len(hours))
    wet_h = 0.0
    for at, hour in enumerate(hours):
        on = bench.on
        film_at[at], dirt_at[at] = bench.film[on] + 0.5 * hour.grit_h, bench.dirt[on] + 0.5 * hour.grit_h
        bench.ride(hour)
        wet_h += hour.wet_h
        if at + 1 == len(hours) or hours[at + 1].day != hour.day:
            bench.evening(hour.day, wet_h)
            wet_h = 0.0
    return Walk(tuple(bench.done), film_at, dirt_at, bench.film[bench.on], bench.dirt[bench.on])


class _Bench:
    """The chains of one way as they stand, and the hands that see to them."""

    def __init__(self, way: Way, dice: np.random.Generator) -> None:
        self.way, self.dice = way, dice
        self.film, self.dirt = [0.0] * way.chains, [0.0] * way.chains
        self.on = 0
        self.done: list[tuple[int, str]] = []
        self.due_on: dict[str, int] = {}
        self.wet_seen_on = self.renewed_on = -math.inf

    def ride(self, hour: Hour) -> None:
        """As rules.contamination counts: what is ridden beyond the film counts more as dirt."""
        before, on = self.film[self.on], self.on
        self.film[on] += hour.grit_h
        beyond_h = max(0.0, self.film[on] - max(self.way.film_h, before))
        self.dirt[on] += hour.grit_h + (0.0 if self.way.oiled else (self.way.starved - 1.0) * beyond_h)

    def evening(self, day: int, wet_h: float) -> None:
        """What is asked for tonight, and what of it is done."""
        way = self.way
        if wet_h >= way.wet_h:
            if day - self.wet_seen_on > way.spell_days or day - self.renewed_on >= TOLD_AGAIN_AFTER.days:
                self.done.append((day, "wipe"))
                self.renewed_on = day
                if way.drips:
                    self._renew(day)
            self.wet_seen_on = day
        if way.chains > 1:
            if self.film[self.on] >= way.film_h:
                self._turn(day)
            return
        nearly = way.drips and self.film[0] >= way.film_h and self.dirt[0] >= NEARLY * way.dirt_h
        if way.baths and (nearly or self.dirt[0] >= way.dirt_h):
            self.due_on.setdefault("bath", day + self._late())
        if self.film[0] < way.film_h or "bath" in self.due_on:
            self.due_on.pop("drip", None)
        elif way.drips:
            self.due_on.setdefault("drip", day + self._late())
        if self.due_on.get("bath", math.inf) <= day:
            self.done.append((day, "clean" if way.oiled else "immersion"))
            self.film[0] = self.dirt[0] = 0.0
            self.renewed_on = day
            self.due_on.clear()
        elif self.due_on.get("drip", math.inf) <= day:
            self._renew(day)

    def _late(self) -> int:
        return int(self.dice.integers(0, MOST_LATE_DAYS + 1))

    def _renew(self, day: int) -> None:
        self.done.append((day, "oil" if self.way.oiled else "drip"))
        self.renewed_on = day
        self.film[self.on] = 0.0
        self.due_on.pop("drip", None)

    def _turn(self, day: int) -> None:
        """The next clean chain goes on; once none is clean, an evening at the pot makes all of them so."""
        clean = [place for place in range(self.way.chains) if self.dirt[place] == 0.0]
        if not clean:
            self.done.append((day, "immersion"))
            self.done.extend((day, "another chain in the pot") for _ in range(self.way.chains - 1))
            self.film, self.dirt = [0.0] * self.way.chains, [0.0] * self.way.chains
            clean = [place for place in range(self.way.chains) if place != self.on]
        self.done.append((day, "swap"))
        self.on = clean[0]
