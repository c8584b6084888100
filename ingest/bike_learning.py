"""What the rides of known bike teach: habits, where each sensor sits, and how each bike's gears look.

Everything is a count with a stated head start, so that a reader can redo any number by hand:
"n of N rides, as if k more had been like all of this rider's".
"""

from __future__ import annotations

import bisect
import itertools
import math
from collections import Counter, defaultdict
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import datetime, timedelta
from typing import NamedTuple

from ingest.bike_clues import RideClues
from ingest.bike_combs import BikeCombs, learn_combs
from ingest.bike_sensors import SensorStory, learn_sensors
from rules.vocabulary import Bike, BikeId, DecidedBy, Rider, RiderId, Sensor

LIKE_EVERY_BIKE = 5.0  # rides: a bike's own counts, as if this many more had been like all of the rider's
NOT_SEEN_BEFORE = 1.0  # rides: the head start of a value that this rider never showed
OWN_BIKE, SHARED_BIKE, OTHER_BIKE = 2.0, 0.3, 0.4  # rides: the head start of a bike in how often it is taken
SOON_AFTER = timedelta(hours=18)  # the way back, or the next morning
SAME_AGAIN_WORTH = 10.0  # rides: how many pairs of rides it takes to believe in 'the same again'
MEASURE_WORTH = 4.0  # rides: a bike's mean and spread, as if this many more had been like all of the rider's
MOST_A_MEASURE_SAYS = 3.0  # log-odds


@dataclass(frozen=True, slots=True)
class Household:
    """Who rides what: the bikes, where their sensors were said to sit, and the riders."""

    bikes: tuple[Bike, ...]
    sensors: tuple[Sensor, ...] = ()
    riders: tuple[Rider, ...] = ()


class Known(NamedTuple):
    """A ride whose bike is known, and by whose word. bike None = none of ours.

    RIDER teaches everything. SENSOR and ONLY_BIKE teach everything but where the sensors sit: a sensor must
    not be its own witness. EVIDENCE teaches only how often a bike is ridden, and when.
    """

    clues: RideClues
    bike: BikeId | None
    by: DecidedBy = DecidedBy.RIDER


@dataclass(frozen=True, slots=True)
class Tally:
    """How often each value of one clue was seen, on each bike of one rider."""

    by_bike: Mapping[BikeId, Counter[str]]
    all_bikes: Counter[str]

    def seen(self, bike: BikeId, value: str) -> tuple[int, int]:
        """Rides on this bike with this value, and rides on this bike in all."""
        counts = self.by_bike.get(bike)
        return (counts[value], counts.total()) if counts is not None else (0, 0)

    def weight(self, bike: BikeId, value: str) -> float:
        """How much likelier this value is on this bike than on all of the rider's rides. [log-odds]

        (n of value on the bike + 5 · share of value everywhere) / (n on the bike + 5), over that share.
        """
        on_bike, of_bike = self.seen(bike, value)
        if not of_bike:
            return 0.0
        kinds = len(self.all_bikes) + (value not in self.all_bikes)
        usual = (self.all_bikes[value] + NOT_SEEN_BEFORE) / (self.all_bikes.total() + NOT_SEEN_BEFORE * kinds)
        return math.log((on_bike + LIKE_EVERY_BIKE * usual) / (of_bike + LIKE_EVERY_BIKE) / usual)


@dataclass(frozen=True, slots=True)
class Measures:
    """Mean and spread of one measured clue, on each bike of one rider."""

    by_bike: Mapping[BikeId, tuple[float, float, float]]  # rides, mean, variance
    all_bikes: tuple[float, float, float]

    def weight(self, bike: BikeId, value: float) -> float:
        """How much likelier this value is on this bike than on all of the rider's rides. [log-odds]

        Two normal curves; the bike's as if four more rides had been like all of the rider's.
        """
        if bike not in self.by_bike:
            return 0.0
        rides, mean, variance = self.by_bike[bike]
        _, usual_mean, usual_variance = self.all_bikes
        own = rides / (rides + MEASURE_WORTH)
        centre = own * mean + (1.0 - own) * usual_mean
        spread = own * variance + (1.0 - own) * usual_variance
        return max(
            -MOST_A_MEASURE_SAYS,
            min(
                MOST_A_MEASURE_SAYS,
                _ln_normal(value, centre, spread) - _ln_normal(value, usual_mean, usual_variance),
            ),
        )

    def mean(self, bike: BikeId) -> float:
        """The mean over this bike's rides."""
        return self.by_bike[bike][1]


@dataclass(frozen=True, slots=True)
class RiderHabits:
    """What one rider does."""

    ridden: Mapping[BikeId | None, float]
    times: tuple[datetime, ...]  # of known rides, ascending
    bikes: tuple[BikeId | None, ...]  # of those rides
    same_soon: float  # chance that a ride soon after another is on the same bike for being soon after
    same_later: float
    tallies: Mapping[str, Tally]
    measures: Mapping[str, Measures]

    def before(self, at: datetime) -> tuple[datetime, BikeId | None] | None:
        """The last known ride that started before this instant."""
        index = bisect.bisect_left(self.times, at)
        return (self.times[index - 1], self.bikes[index - 1]) if index else None


@dataclass(frozen=True, slots=True)
class Habits:
    """Everything learned. Without a single known ride it still knows what was entered."""

    riders: Mapping[RiderId, RiderHabits]
    sensors: Mapping[str, SensorStory]
    combs: BikeCombs
    teeth: Mapping[BikeId, tuple[frozenset[int], frozenset[int]]] = field(default_factory=dict)  # front, rear

    def look_alike(self, one: BikeId, other: BikeId) -> bool:
        """Whether two bikes draw the same comb, so that only a sensor or a word tells them apart."""
        return frozenset((one, other)) in self.combs.alike

    def known_rides(self, rider: RiderId, bike: BikeId | None) -> float:
        """How many known rides this rider has on this bike (None: on none of ours)."""
        habits = self.riders.get(rider)
        return habits.ridden.get(bike, 0.0) if habits else 0.0


def learn(known: Iterable[Known], household: Household) -> Habits:
    """What these rides teach about this household."""
    rides = sorted(known, key=lambda ride: ride.clues.started_at)
    firm = [ride for ride in rides if ride.by is not DecidedBy.EVIDENCE]
    by_rider: dict[RiderId, list[Known]] = defaultdict(list)
    for ride in rides:
        by_rider[ride.clues.rider].append(ride)
    return Habits(
        riders={rider: _rider_habits(theirs) for rider, theirs in by_rider.items()},
        sensors=learn_sensors(
            [(ride.clues, ride.bike) for ride in firm if ride.by is DecidedBy.RIDER], household.sensors
        ),
        combs=learn_combs(
            [(r.clues.gears, r.bike) for r in firm if r.clues.gears is not None and r.bike is not None],
            household.bikes,
        ),
        teeth=_teeth(firm, household.bikes),
    )


def values_of(clues: RideClues) -> dict[str, str]:
    """The clues that are counted, by name; a clue the ride does not have is absent."""
    place = clues.start_cell
    values = {
        "profile": clues.activity,
        "head unit": clues.device,
        "start place": None if place is None else f"{place[0]} {place[1]}",
        "weekday": str(clues.weekday),
        "trainer": "indoors" if clues.indoor else "outdoors",
    }
    return {name: value for name, value in values.items() if value is not None}


def measures_of(clues: RideClues) -> dict[str, float]:
    """The clues that are measured, as logarithms, by name; a clue the ride does not have is absent."""
    values = {"speed": clues.speed_mps, "roughness": clues.roughness}
    return {name: math.log(value) for name, value in values.items() if value is not None and value > 0}


def _rider_habits(rides: Sequence[Known]) -> RiderHabits:
    firm = [ride for ride in rides if ride.by is not DecidedBy.EVIDENCE and ride.bike is not None]
    ridden = Counter(ride.bike for ride in rides)
    counted: dict[str, dict[BikeId, Counter[str]]] = defaultdict(lambda: defaultdict(Counter))
    measured: dict[str, dict[BikeId, list[float]]] = defaultdict(lambda: defaultdict(list))
    for ride in firm:
        assert ride.bike is not None
        for name, value in values_of(ride.clues).items():
            counted[name][ride.bike][value] += 1
        for name, number in measures_of(ride.clues).items():
            measured[name][ride.bike].append(number)
    pairs = list(itertools.pairwise(rides))
    soon = [(a, b) for a, b in pairs if b.clues.started_at - a.clues.ended_at <= SOON_AFTER]
    later = [(a, b) for a, b in pairs if b.clues.started_at - a.clues.ended_at > SOON_AFTER]
    by_habit = sum((count / len(rides)) ** 2 for count in ridden.values())
    return RiderHabits(
        ridden={bike: float(count) for bike, count in ridden.items()},
        times=tuple(ride.clues.started_at for ride in rides),
        bikes=tuple(ride.bike for ride in rides),
        same_soon=_same_again(soon, by_habit),
        same_later=_same_again(later, by_habit),
        tallies={name: _tally(of_bike) for name, of_bike in counted.items()},
        measures={name: _measures(of_bike) for name, of_bike in measured.items()},
    )


def _same_again(pairs: Sequence[tuple[Known, Known]], by_habit: float) -> float:
    """The share of pairs on the same bike beyond what habit alone would give, shrunk towards none."""
    beyond = sum(a.bike == b.bike for a, b in pairs) - by_habit * len(pairs)
    return max(0.0, beyond / ((1.0 - by_habit) * len(pairs) + SAME_AGAIN_WORTH))


def _tally(of_bike: Mapping[BikeId, Counter[str]]) -> Tally:
    everywhere: Counter[str] = Counter()
    for counts in of_bike.values():
        everywhere.update(counts)
    return Tally(dict(of_bike), everywhere)


def _measures(of_bike: Mapping[BikeId, Sequence[float]]) -> Measures:
    everything = [value for values in of_bike.values() for value in values]
    return Measures({bike: _moments(values) for bike, values in of_bike.items()}, _moments(everything))


def _moments(values: Sequence[float]) -> tuple[float, float, float]:
    mean = sum(values) / len(values)
    variance = sum((value - mean) ** 2 for value in values) / len(values)
    return float(len(values)), mean, max(variance, 0.0025)  # nobody repeats a ride closer than 5 %


def _ln_normal(value: float, mean: float, variance: float) -> float:
    return -0.5 * (math.log(2.0 * math.pi * variance) + (value - mean) ** 2 / variance)


def _teeth(
    firm: Iterable[Known], bikes: Iterable[Bike]
) -> dict[BikeId, tuple[frozenset[int], frozenset[int]]]:
    """The teeth of each bike: as entered, else every tooth number its known rides shifted to."""
    fronts: dict[BikeId, set[int]] = defaultdict(set)
    rears: dict[BikeId, set[int]] = defaultdict(set)
    for ride in firm:
        for front, rear in ride.clues.shifts:
            if ride.bike is not None and front is not None:
                fronts[ride.bike].add(front)
            if ride.bike is not None and rear is not None:
                rears[ride.bike].add(rear)
    for bike in bikes:
        if bike.chainrings:
            fronts[bike.id] = set(bike.chainrings)
        if bike.cogs:
            rears[bike.id] = set(bike.cogs)
    return {b: (frozenset(fronts[b]), frozenset(rears[b])) for b in {*fronts, *rears}}
