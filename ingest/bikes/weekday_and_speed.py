"""What was chosen and what was measured: words counted and numbers compared, for each bike of each rider.

Every ride counts for a bike as far as it is believed to have been on it, and as far as clues harder than
these have settled it; its own count is taken out before it is scored. All weights are ln ratios to what is
usual for this rider, so a value that tells nothing weighs 0.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from datetime import timedelta
from typing import Final

import numpy as np
from numpy.typing import NDArray

from ingest.bikes.ride_clues import RideClues
from ingest.ride.recording import Column
from rules.vocabulary import Bike

LIKE_ALL_RIDES = 8.0  # rides: a bike's own counts, as if this many more had been like all of the rider's
CHANNELS_LIKE_ALL = 3.0
WAYS_LIKE_ALL = 2.0
WORD_HEAD_START = 3.0  # rides: what the ground that a word means and a bike usually sees is worth
GROUND_WIDTH = 0.25  # of the unpaved share
MEAN_WORTH, VARIANCE_WORTH = 4.0, 6.0  # rides
T_FREEDOM = 5.0
T_SCALE = 0.6  # of the variance: that of a t with five degrees of freedom
STRANGER_SPREADS = 1.2  # of the variance: a bike that is none of ours
FEWEST_RIDES = 6  # measured alike, before a measure says anything
ANY_RIDE_ON_ANY_BIKE = 0.1  # of a bike's rides, those that are like any of its rider's
HOURS_A_PART_OF_DAY = 3

Codes = NDArray[np.intp]


def rider_groups(rides: Sequence[RideClues]) -> Codes:
    """A number for each rider, indoors and outdoors apart."""
    return codes([(ride.rider, ride.indoor) for ride in rides])


class Words:
    """One clue that takes one of several words, such as the profile that was chosen on the device."""

    def __init__(
        self, values: Sequence[object], groups: Codes, worth: float, like: Column | None = None
    ) -> None:
        """like: how well each ride's word suits each bike before any count, (rides, bikes); 1 = as any."""
        self.has: Final = np.array([value is not None for value in values], dtype=bool)
        self._value = codes([(g, v) for g, v in zip(groups.tolist(), values, strict=True)])
        self._group = groups
        self._worth = worth
        counts = np.bincount(self._value[self.has], minlength=self._value.max(initial=0) + 1)
        in_group = np.bincount(groups[self.has], minlength=groups.max(initial=0) + 1)
        kinds = np.array(
            [len(np.unique(self._value[self.has & (groups == g)])) for g in range(len(in_group))]
        )
        self._usual = (counts[self._value] + 0.5) / (in_group[groups] + 0.5 * np.maximum(kinds[groups], 1))
        self._like = self._normalised(like) if like is not None else None

    def _normalised(self, like: Column) -> Column:
        """So that the words of one rider add up to one on every bike."""
        result = np.ones_like(like)
        for group in np.unique(self._group[self.has]):
            here = np.flatnonzero(self.has & (self._group == group))
            values, first = np.unique(self._value[here], return_index=True)
            share = self._usual[here[first]][:, None] * like[here[first]]
            factor = 1.0 / np.maximum(share.sum(axis=0), 1e-9)
            of_value = dict(zip(values.tolist(), first.tolist(), strict=True))
            rows = here[[of_value[v] for v in self._value[here].tolist()]]
            result[here] = like[rows] * factor
        return result

    def weights(self, belongs: Column) -> Column:
        """ln ratio of each ride's word on each bike to the rider's usual, (rides, bikes).

        belongs: how far each ride counts for each bike, (rides, bikes).
        """
        said = np.zeros_like(belongs)
        if not self.has.any():
            return said
        counted = np.where(self.has[:, None], belongs, 0.0)
        of_value, of_group = _sums(self._value, counted), _sums(self._group, counted)
        n_value = np.maximum(of_value[self._value] - counted, 0.0)
        n = np.maximum(of_group[self._group] - counted, 0.0)
        usual = self._usual[:, None]
        start = usual if self._like is None else usual * self._like
        ratio = np.log((n_value + self._worth * start) / (n + self._worth) / usual)
        said[self.has] = ratio[self.has]
        return said


class Measure:
    """One measured clue, such as the mean speed, as a number that spreads like a bell."""

    def __init__(self, values: Sequence[float | None], groups: Codes) -> None:
        """groups: rides that are comparable: of one rider, measured alike."""
        has = np.array([value is not None and math.isfinite(value) for value in values], dtype=bool)
        enough = np.bincount(groups[has], minlength=groups.max(initial=0) + 1) >= FEWEST_RIDES
        self.has: Final = has & enough[groups]
        self._x = np.array([v if v is not None else 0.0 for v in values])
        self._group = groups
        ones = self.has.astype(np.float64)[:, None]
        n = np.maximum(_sums(groups, ones), 1.0)
        mean = _sums(groups, ones * self._x[:, None]) / n
        self._mean = mean[groups, 0]
        square = _sums(groups, ones * ((self._x - self._mean) ** 2)[:, None]) / n
        self._variance = np.maximum(square[groups, 0], 1e-4)

    def weights(self, belongs: Column) -> Column:
        """ln ratio of each ride's value on each bike to this rider's rides at large, (rides, bikes)."""
        said = np.zeros_like(belongs)
        if not self.has.any():
            return said
        counted = np.where(self.has[:, None], belongs, 0.0)
        x = (self._x - self._mean)[:, None]
        n = np.maximum(_sums(self._group, counted)[self._group] - counted, 0.0)
        first = _sums(self._group, counted * x)[self._group] - counted * x
        second = _sums(self._group, counted * x * x)[self._group] - counted * x * x
        mean = first / (n + MEAN_WORTH)
        inside = np.maximum(second - first * first / np.maximum(n, 1e-9), 0.0)
        variance = (inside + VARIANCE_WORTH * self._variance[:, None]) / (n + VARIANCE_WORTH)
        variance = variance * (1.0 + 1.0 / (n + 3.0))
        usual = _ln_t(x, STRANGER_SPREADS * self._variance[:, None])
        ratio = _ln_t(x - mean, variance) - usual
        said[self.has] = ratio[self.has]
        return said


def like_any_now_and_then(said: Column) -> Column:
    """What clues that share a cause count for, for a bike on which now and then a ride is like any other.

    said: what they say together, as ln ratios; a road bike goes to work, and then all of them are wrong.
    """
    mixed = np.logaddexp(math.log1p(-ANY_RIDE_ON_ANY_BIKE) + said, math.log(ANY_RIDE_ON_ANY_BIKE))
    small = np.abs(said) < 1e-6
    counts: Column = np.where(small, 1.0 - ANY_RIDE_ON_ANY_BIKE, mixed / np.where(small, 1.0, said))
    return counts


def part_of_week(ride: RideClues) -> str:
    """Weekday or weekend, and which three hours of the day by the sun, in which it began."""
    longitude_deg = ride.start_cell[1] / 100.0 if ride.start_cell else 0.0
    local = ride.started_at + timedelta(hours=longitude_deg / 15.0)
    return f"{'weekend' if local.weekday() >= 5 else 'weekday'} {local.hour // HOURS_A_PART_OF_DAY}"


def measures_of(rides: Sequence[RideClues]) -> dict[str, list[float | None]]:
    """The measured clues by name, each as it is compared."""
    return {
        "speed": [_ln(ride.speed_mps) for ride in rides],
        "speed spread": [ride.speed_spread for ride in rides],
        "climbing": [None if r.climb_m_per_km is None else math.log(5.0 + r.climb_m_per_km) for r in rides],
        "stops": [None if r.stopped_share is None else math.sqrt(r.stopped_share) for r in rides],
        "duration": [_ln((ride.ended_at - ride.started_at).total_seconds()) for ride in rides],
        "roughness": [_ln(ride.roughness) for ride in rides],
    }


def ground_likeness(rides: Sequence[RideClues], bikes: Sequence[Bike]) -> Column:
    """How well the ground that each ride's word stands for suits each bike's usual ground, (rides, bikes).

    Alike for all where nobody said of any bike that it leaves the tarmac.
    """
    shares: dict[str, list[float]] = {}
    for ride in rides:
        if ride.activity is not None and ride.unpaved_share is not None:
            shares.setdefault(ride.activity, []).append(ride.unpaved_share)
    means: Mapping[str, float] = {word: sum(values) / len(values) for word, values in shares.items()}
    like = np.ones((len(rides), len(bikes)))
    for index, ride in enumerate(rides):
        if ride.activity is not None and ride.activity in means and any(b.unpaved_share for b in bikes):
            apart = [(means[ride.activity] - bike.unpaved_share) / GROUND_WIDTH for bike in bikes]
            like[index] = np.exp(-0.5 * np.array(apart) ** 2) + 0.02
    return like


def _ln(value: float | None) -> float | None:
    return math.log(value) if value is not None and value > 0 else None


def codes(values: Sequence[object]) -> Codes:
    """A number for each different value, in order of first sight."""
    numbers: dict[object, int] = {}
    return np.array([numbers.setdefault(value, len(numbers)) for value in values], dtype=np.intp)


def _sums(codes: Codes, rows: Column) -> Column:
    """The rows of each code, added up: (codes, columns)."""
    n = int(codes.max(initial=0)) + 1
    return np.stack([np.bincount(codes, weights=column, minlength=n) for column in rows.T], axis=1)


def _ln_t(x: Column, variance: Column) -> Column:
    """ln density of a t with five degrees of freedom and this variance, without its constant."""
    scale = T_SCALE * variance
    result: Column = -0.5 * np.log(scale) - 0.5 * (T_FREEDOM + 1.0) * np.log1p(x * x / (scale * T_FREEDOM))
    return result
