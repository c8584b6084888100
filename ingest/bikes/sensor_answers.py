"""What riders said of a ride's sensors: on which bikes, how often, how long ago, and whether they roam.

A sensor is on one bike at a time, so what was said of one ride is said of those near it. It may be moved
unsaid: one that answers put on several bikes is, and what it says alone of a ride is asked about, unless it
was spoken of lately. A light roams by its kind: of that, yesterday's word says nothing, and none is kept.
"""

from __future__ import annotations

import math
from collections.abc import Hashable, Mapping
from typing import Final

import numpy as np
from numpy.typing import NDArray

from ingest.bikes.household_model import HouseholdFit
from ingest.ride.recording import Column

HEARD_OF_LATELY_D = 120.0  # a sensor that no rider spoke of for longer may sit elsewhere: a judgement
NOBODY = -1


class SaidOfSensors:
    """The riders' words on every sensor of a household that stays where it is.

    on: which of them each ride names, (rides, sensors).  words: of each ride, how many answers on rides that
    share a sensor with it named each bike, (rides, bikes + 1).
    """

    def __init__(self, fitted: HouseholdFit, one_answer: Mapping[int, Hashable]) -> None:
        """one_answer: what answered rides that count as one answer have in common."""
        self.on: Final[NDArray[np.bool_]] = fitted.places.heard & fitted.places.stays
        self._vouched = fitted.places.vouched
        columns = len(fitted.household.bikes) + 1
        answered = np.array(sorted(fitted.column_of_answer), dtype=np.intp)
        named = np.array([fitted.column_of_answer[int(i)] % columns for i in answered], dtype=np.intp)
        on = self.on.astype(np.float32)
        shares = on @ on[answered].T > 0  # each ride with each answered one
        # What one answer alone says of a sensor may be a slip, and would be all that its rides go by.
        said = zip(named.tolist(), (one_answer[i] for i in answered.tolist()), strict=True)
        once = {word: at for at, word in enumerate(said)}
        self.words: Final[Column] = shares[:, list(once.values())] @ np.eye(columns)[[b for b, _ in once]]
        starts = np.array([one.started_at.timestamp() for one in fitted.rides])
        self._answered, self._named, self._day = answered, named, starts / 86400.0
        self._last_word = _last_words(self._day, answered, named, shares)
        self.came_since: Final = _came_since(fitted, starts, starts[answered], shares)
        # How often answers put each sensor on each bike, (sensors, bikes + 1).
        by_answer = self.on[answered[list(once.values())]].astype(np.float64)
        self._put_on: Column = by_answer.T @ np.eye(columns)[[bike for bike, _ in once]]
        self._roams = (self._put_on > 0.0).sum(axis=1) > 1
        # What is known of a sensor of which nobody spoke, it has from the roamer that was heard beside it.
        beside_one = (on.T @ on)[:, self._roams].any(axis=1)
        self._roams |= ~self._put_on.any(axis=1) & beside_one

    def last_word(self, ride: int) -> tuple[int, float] | None:
        """The bike of the answer nearest in time that shares a sensor, and how far off that is. [d]"""
        return self._last_word.get(ride)

    def long_ago(self, ride: int) -> bool:
        """Were its sensors spoken of, but for long not?"""
        return self._last_word.get(ride, (NOBODY, 0.0))[1] > HEARD_OF_LATELY_D

    def lately(self, ride: int, bike: int) -> bool:
        """Does the word nearest in time on its sensors name this bike, and not from long ago?"""
        column, apart_d = self._last_word.get(ride, (NOBODY, math.inf))
        return column == bike and apart_d <= HEARD_OF_LATELY_D

    def hardly(self, ride: int, bike: int) -> bool:
        """Did at most one answer put its sensors on this bike, or one of them that others put elsewhere?

        One may be a slip; none is a move that nobody said.
        """
        if self._vouched[ride] or not self.words[ride].any():
            return False
        put_on = self._put_on[self.on[ride]]
        alone = (put_on[:, bike] == 1.0) & ((put_on > 0.0).sum(axis=1) > 1)
        return bool(self.words[ride, bike] <= 1.0 or alone.any())

    def moved_unsaid(self, ride: int, bike: int) -> bool:
        """Do answers name other bikes for its sensors, and none this one of ours?"""
        words = self.words[ride]
        is_ours = bike < len(words) - 1
        return bool(not self._vouched[ride] and words.any() and is_ours and words[bike] == 0.0)

    def by_a_roamer(self, ride: int, bike: int) -> bool:
        """Do answers put its sensors on several bikes, and is none of them known to be on this one?

        One that answers put nowhere else is known to be where they last put it, one that they moved about
        where two of them did. If it alone was heard, a word of late is enough; beside another, one of the
        two is elsewhere, or has learned its place from the other.
        """
        mine = np.flatnonzero(self.on[ride])
        put_on, roams = self._put_on[mine], self._roams[mine]
        if self._vouched[ride] or not roams.any():
            return False
        words = [self._nearest(ride, int(sensor)) for sensor in mine]
        for (nearest, _), roamed, times in zip(words, roams, put_on[:, bike], strict=True):
            if nearest == bike and (not roamed or times > 1.0):
                return False
        return len(mine) > 1 or words[0][1] > HEARD_OF_LATELY_D

    def _nearest(self, ride: int, sensor: int) -> tuple[int, float]:
        """The bike of the nearest word on a sensor and how far off it is, 0 between two of that bike. [d]"""
        spoken = np.flatnonzero(self.on[self._answered, sensor])
        if not len(spoken):
            return NOBODY, math.inf
        apart_d = np.abs(self._day[self._answered[spoken]] - self._day[ride])
        nearest = int(self._named[spoken[apart_d.argmin()]])
        after = int(np.searchsorted(self._answered[spoken], ride))
        between = self._named[spoken[max(after - 1, 0) : after + 1]]
        is_between = 0 < after < len(spoken) and bool((between == nearest).all())
        return nearest, 0.0 if is_between else float(apart_d.min())


def _last_words(
    day: Column, answered: NDArray[np.intp], named: NDArray[np.intp], shares: NDArray[np.bool_]
) -> dict[int, tuple[int, float]]:
    """Of each ride with a sensor: the bike of the answer nearest in time that shares one, and how far. [d]"""
    if not len(answered):
        return {}
    apart_d = np.where(shares, np.abs(day[:, None] - day[answered][None, :]), np.inf)
    nearest = apart_d.argmin(axis=1)
    return {
        ride: (int(named[of]), float(apart_d[ride, of]))
        for ride, of in enumerate(nearest.tolist())
        if np.isfinite(apart_d[ride, of])
    }


def _came_since(
    fitted: HouseholdFit, starts: Column, answered: Column, shares: NDArray[np.bool_]
) -> NDArray[np.bool_]:
    """Of each ride the bikes that came after the last answer that shares a sensor: (rides, bikes)."""
    came = np.array([one.from_at.timestamp() if one.from_at else -math.inf for one in fitted.household.bikes])
    last = np.where(shares, answered, -math.inf).max(axis=1, initial=-math.inf)
    since: NDArray[np.bool_] = (last[:, None] < came) & (came <= starts[:, None])
    since &= np.isfinite(last)[:, None]
    return since
