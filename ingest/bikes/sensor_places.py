"""Where each sensor sits and whether it is alive: a chain over rides, forwards and backwards.

A sensor is on one bike or off: flat, in a drawer, lost. From day to day it may be moved, die or come back. A
ride tells it where it sits by whether it was heard and by which bike that ride was on, as far as other clues
know; where it sits then tells of the ride.
"""

from __future__ import annotations

import itertools
from collections import defaultdict
from collections.abc import Collection, Sequence
from datetime import UTC, datetime
from typing import Final

import numpy as np
from numpy.typing import NDArray

from ingest.bikes.ride_clues import RideClues
from ingest.ride.recording import Column
from rules.vocabulary import Bike, Sensor

ROAMS = frozenset({"radar", "light", "other"})  # taken along from bike to bike
MOVES_EVERY_D, ROAMS_EVERY_D = 800.0, 60.0
DIES_EVERY_D, COMES_BACK_AFTER_D = 400.0, 25.0
HEARD_WHERE_IT_SITS, HEARD_ELSEWHERE = 0.90, 0.012  # the latter: a partner's bike stood near at the start
HEARD_ELSEWHERE_AS_ENTERED = 0.003  # where a rider said that it sits on another bike
MOST_SILENCE_SAYS = 1.5  # one sensor; and two silent sensors may share a cause
TWO_AT_ONCE = 0.65  # what each says of a ride on which two or more were heard
SAID_TO_SIT_THERE = 0.997  # on the day that was entered
SITS_OFF_AT_FIRST = 0.1
ONE_DEVICE_FROM, ONE_DEVICE_RIDES = 0.95, 5
MEASURES: Final = {"cadence": "cadence", "speed and cadence": "cadence", "power meter": "power"}
IDLE_NOW_AND_THEN = 0.2  # of the rides on which a sensor is named, at most: else its files never say
WORKS = 0  # of the two states of a sensor, wherever it sits
BROUGHT_TO_ONE_EVERY = 24  # rides: often enough that no belief is lost to rounding
ALWAYS = datetime(1, 1, 1, tzinfo=UTC)


class SensorPlaces:
    """The sensors of a household, under one name for each device, and the rides that could hear them."""

    def __init__(
        self,
        rides: Sequence[RideClues],
        bikes: Sequence[Bike],
        entered: Sequence[Sensor],
        day: Column,
        answered: Collection[int],
    ) -> None:
        """day: of each ride's start, counted from any first day.  answered: rides that a rider spoke of."""
        kinds = {s.identity: s.kind for s in entered} | {s.identity: s.kind for r in rides for s in r.sensors}
        same = _one_device(rides)
        self.names: Final = tuple(dict.fromkeys(same.get(name, name) for name in kinds))
        at = {name: self.names.index(same.get(name, name)) for name in kinds}
        self.kinds: Final = tuple(kinds[name] for name in self.names)
        self.heard: Final = np.zeros((len(rides), len(self.names)), dtype=bool)
        for index, ride in enumerate(rides):
            self.heard[index, [at[s.identity] for s in ride.sensors]] = True
        for sensor, kind in enumerate(self.kinds):
            # Named as ever, but it measured nothing: it stood near, on another bike.
            idle = [MEASURES.get(kind, "") not in (ride.channels or "") for ride in rides]
            if (self.heard[:, sensor] & idle).sum() < IDLE_NOW_AND_THEN * self.heard[:, sensor].sum():
                self.heard[idle, sensor] = False
        self.hears: Final = np.array([r.channels is not None or bool(r.sensors) for r in rides], dtype=bool)
        # A ride is asked about because it was silent: that it was is no sample of how often a sensor is.
        asked = np.zeros(len(rides), dtype=bool)
        asked[list(answered)] = True
        self._untold = ~self.hears[:, None] | (asked[:, None] & ~self.heard)
        self._gap_d = np.diff(day, prepend=day[:1])
        self._bikes = len(bikes)
        self.stays: Final = np.array([kind not in ROAMS for kind in self.kinds], dtype=bool)
        alike = ((np.flatnonzero(self.stays), MOVES_EVERY_D), (np.flatnonzero(~self.stays), ROAMS_EVERY_D))
        # Sensors that stay and sensors that roam, each with what a gap between rides makes of their places.
        self._gaps = [(some, self._what_gaps_change(every_d)) for some, every_d in alike if len(some)]
        several = (self.heard.sum(axis=1) >= 2)[:, None]
        # Heard with another: what either knows of the other must not come back as what it knows itself.
        self.in_company: Final = self.heard & several
        self._weight = np.where(several, TWO_AT_ONCE, 1.0)
        self._said = self._entered(rides, bikes, entered, at)
        # Rides on which a sensor was heard inside a span that a rider entered for it.
        vouched: NDArray[np.bool_] = np.zeros(self.heard.shape, dtype=bool)
        for span in entered:
            vouched[:, at[span.identity]] |= [_inside(span, ride.started_at) for ride in rides]
        self.vouched: Final = np.array((vouched & self.heard).any(axis=1), dtype=bool)
        self._stray = np.where(vouched, HEARD_ELSEWHERE_AS_ENTERED, HEARD_ELSEWHERE)[:, :, None]

    def _entered(
        self, rides: Sequence[RideClues], bikes: Sequence[Bike], entered: Sequence[Sensor], at: dict[str, int]
    ) -> dict[int, list[tuple[int, Column]]]:
        """At which ride which sensor was said to begin to sit where: (sensor, probability of each place)."""
        column = {bike.id: index for index, bike in enumerate(bikes)}
        said: dict[int, list[tuple[int, Column]]] = defaultdict(list)
        starts = [ride.started_at for ride in rides]
        for span in entered:
            if span.bike not in column:
                continue
            places = np.full((self._bikes, 2), (1.0 - SAID_TO_SIT_THERE) / (2 * self._bikes))
            places[column[span.bike], WORKS] += SAID_TO_SIT_THERE
            first = next((i for i, start in enumerate(starts) if start >= (span.from_at or ALWAYS)), None)
            if first is not None:
                said[first].append((at[span.identity], places))
        return dict(said)

    def messages(self, elsewhere: Column) -> Column:
        """What each sensor says of each ride's bike: ln ratio to none of ours, (rides, sensors, bikes).

        elsewhere: the probability of each bike for each ride by what this sensor did not say, (rides,
        sensors, bikes); never by habit, or habit would move sensors that then confirm the habit.
        """
        rides, sensors = self.heard.shape
        if not sensors:
            return np.zeros((rides, 0, self._bikes))
        stray = self._stray
        gain = HEARD_WHERE_IT_SITS - stray
        heard = self.heard[:, :, None]
        shows = np.where(heard, stray + gain * elsewhere, 1.0 - stray - gain * elsewhere)
        off = np.where(heard, stray, 1.0 - stray)
        tells = np.stack(np.broadcast_arrays(shows, off), axis=3)
        tells[self._untold] = 1.0
        before = self._pass(tells, forwards=True)
        after = self._pass(tells, forwards=False)
        place = before * after
        sits = place[:, :, :, WORKS] / place.sum(axis=(2, 3))[:, :, None]
        says = np.where(
            heard,
            np.log1p(gain / stray * sits),
            np.maximum(np.log1p(-gain / (1.0 - stray) * sits), -MOST_SILENCE_SAYS),
        )
        says[~self.hears] = 0.0
        result: Column = says * self._weight[:, :, None]
        return result

    def _pass(self, tells: Column, *, forwards: bool) -> Column:
        """The belief in each place at each ride, by the rides before it (or after it) alone.

        (rides, sensors, bikes, works or does not): a flat battery leaves the sensor where it sits.
        """
        result = np.empty_like(tells)
        for sensors, gap in self._gaps:
            told = np.ascontiguousarray(tells[:, sensors]).reshape(len(tells), len(sensors), -1)
            found = np.empty_like(told)
            one_pass = self._before if forwards else self._after
            one_pass(told, gap, found, sensors.tolist())
            result[:, sensors] = found.reshape(len(tells), len(sensors), -1, 2)
        return result

    def _before(self, tells: Column, gap: Column, found: Column, sensors: Sequence[int]) -> None:
        belief = np.full(tells.shape[1:], 1.0)
        belief[:, WORKS::2] *= 1.0 - SITS_OFF_AT_FIRST
        belief[:, 1 - WORKS :: 2] *= SITS_OFF_AT_FIRST
        for i, (told, change, here) in enumerate(zip(tells, gap, found, strict=True)):
            belief.dot(change, out=here)
            for sensor, said in self._said.get(i, ()):
                if sensor in sensors:
                    here[sensors.index(sensor)] = said.ravel()
            np.multiply(here, told, out=belief)
            if i % BROUGHT_TO_ONE_EVERY == 0:
                belief /= belief.sum(axis=1, keepdims=True)

    def _after(self, tells: Column, gap: Column, found: Column, sensors: Sequence[int]) -> None:
        belief = np.full(tells.shape[1:], 1.0)
        back = gap.transpose(0, 2, 1)[::-1]
        for step, (told, change, here) in enumerate(
            zip(tells[::-1], back, found[::-1], strict=True), start=1
        ):
            i = len(found) - step
            here[:] = belief
            np.multiply(here, told, out=belief)
            for sensor, said in self._said.get(i, ()):
                if sensor in sensors:  # from here on it says nothing of what was before
                    row = sensors.index(sensor)
                    belief[row] = (belief[row] * said.ravel()).sum()
            belief = belief.dot(change)
            if i % BROUGHT_TO_ONE_EVERY == 0:
                belief /= belief.sum(axis=1, keepdims=True)

    def _what_gaps_change(self, every_d: float) -> Column:
        """What the gap before each ride makes of each place, from row to column: (rides, places, places).

        A place: a bike, and whether the sensor works.  every_d: after how long it was likely moved.
        """
        bikes = self._bikes
        # After a while each sensor has been moved to any bike with this probability.
        moved = 1.0 - np.exp(-self._gap_d / (every_d * (1.0 - 1.0 / max(bikes, 2))))
        if bikes < 2:
            moved = np.zeros_like(moved)
        to = np.eye(bikes) * (1.0 - moved)[:, None, None] + (moved / bikes)[:, None, None]
        changed = 1.0 - np.exp(-self._gap_d * (1.0 / DIES_EVERY_D + 1.0 / COMES_BACK_AFTER_D))
        flat = COMES_BACK_AFTER_D / (DIES_EVERY_D + COMES_BACK_AFTER_D)
        dies, returns = changed * flat, changed * (1.0 - flat)
        works = np.stack((1.0 - dies, dies, returns, 1.0 - returns), axis=1).reshape(-1, 2, 2)
        both: Column = np.einsum("ibc,ivw->ibvcw", to, works)
        return both.reshape(len(both), 2 * bikes, 2 * bikes)


def _inside(span: Sensor, at: datetime) -> bool:
    return (span.from_at is None or span.from_at <= at) and (span.until_at is None or at < span.until_at)


def _one_device(rides: Sequence[RideClues]) -> dict[str, str]:
    """Names heard together nearly always are one device: every later name and the one it stands under."""
    alone: dict[str, int] = defaultdict(int)
    together: dict[tuple[str, str], int] = defaultdict(int)
    for ride in rides:
        names = sorted({sensor.identity for sensor in ride.sensors})
        for name in names:
            alone[name] += 1
        for pair in itertools.combinations(names, 2):
            together[pair] += 1
    same: dict[str, str] = {}
    for (one, other), count in sorted(together.items()):
        either = alone[one] + alone[other] - count
        if count >= ONE_DEVICE_RIDES and count > ONE_DEVICE_FROM * either:
            same[other] = same.get(one, one)
    return same


def bounded_silence(says: Column) -> Column:
    """All sensors' say on each bike, (rides, bikes); the silence of several may have one cause."""
    loud = np.where(says > 0, says, 0.0).sum(axis=1)
    silent = np.maximum(np.where(says < 0, says, 0.0).sum(axis=1), -4.0 / 3.0 * MOST_SILENCE_SAYS)
    result: Column = loud + silent
    return result
