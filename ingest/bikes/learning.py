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
from dataclasses import dataclass, field, replace
from datetime import datetime, timedelta
from typing import NamedTuple

from ingest.bikes.clues import RideClues
from ingest.bikes.gear_profiles import BikeCombs, learn_combs
from ingest.bikes.sensors import SensorStory, learn_sensors
from rules.vocabulary import Bike, BikeId, DecidedBy, Rider, RiderId, Sensor

LIKE_EVERY_BIKE = 12.0  # rides: a bike's own counts, as if this many more had been like all of the rider's
SELDOM_TELLING = 80.0  # the same for weekday and head unit: most of what they show is chance
NOT_SEEN_BEFORE = 1.0  # rides: the head start of a value that this rider never showed
OWN_BIKE, SHARED_BIKE, OTHER_BIKE = 2.0, 0.3, 1.0  # rides: the head start of a bike in how often it is taken
SOON_AFTER = timedelta(hours=18)  # the way back, or the next morning
SAME_AGAIN_WORTH = 10.0  # rides: how many pairs of rides it takes to believe in 'the same again'
HEARD_ELSEWHERE = 0.002  # a sensor of a bike that stood near, or was carried along: before any was counted
STRAYS_TO_BEGIN_WITH = 0.5
MEASURE_WORTH = 12.0  # rides: a bike's mean and spread, as if this many more had been like all of the rider's
MOST_A_MEASURE_SAYS = 3.0  # log-odds


@dataclass(frozen=True, slots=True)
class Household:
    """Who rides what: the bikes, where their sensors were said to sit, and the riders."""

    bikes: tuple[Bike, ...]
    sensors: tuple[Sensor, ...] = ()
    riders: tuple[Rider, ...] = ()


class Known(NamedTuple):
    """A ride whose bike is known, and by whose word. bike None = none of ours.

    RIDER teaches everything. SENSOR and ONLY_BIKE teach everything but where a sensor has moved to: no sensor
    is its own witness. EVIDENCE teaches only how often a bike is ridden, and when.
    """

    clues: RideClues
    bike: BikeId | None
    by: DecidedBy = DecidedBy.RIDER


@dataclass(frozen=True, slots=True)
class Tally:
    """How often each value of one clue was seen, on each bike of one rider."""

    by_bike: Mapping[BikeId, Counter[str]]
    of_bike: Mapping[BikeId, int]
    all_bikes: Counter[str]
    in_all: int
    worth: float = LIKE_EVERY_BIKE

    def seen(self, bike: BikeId, value: str) -> tuple[int, int]:
        """Rides on this bike with this value, and rides on this bike in all."""
        counts = self.by_bike.get(bike)
        return (counts.get(value, 0), self.of_bike[bike]) if counts is not None else (0, 0)

    def weight(self, bike: BikeId, value: str) -> float:
        """How much likelier this value is on this bike than on all of the rider's rides. [log-odds]

        (n of value on the bike + k · share of value everywhere) / (n on the bike + k), over that share; k is
        `worth`.
        """
        on_bike, of_bike = self.seen(bike, value)
        if not of_bike:
            return 0.0
        kinds = len(self.all_bikes) + (value not in self.all_bikes)
        usual = (self.all_bikes[value] + NOT_SEEN_BEFORE) / (self.in_all + NOT_SEEN_BEFORE * kinds)
        return math.log((on_bike + self.worth * usual) / (of_bike + self.worth) / usual)


@dataclass(frozen=True, slots=True)
class Measures:
    """Mean and spread of one measured clue, on each bike of one rider."""

    by_bike: Mapping[BikeId, tuple[float, float, float]]  # rides, mean, variance
    all_bikes: tuple[float, float, float]

    def weight(self, bike: BikeId, value: float) -> float:
        """How much likelier this value is on this bike than on all of the rider's rides. [log-odds]

        Two normal curves; the bike's as if twelve more rides had been like all of the rider's.
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
    unheard: float  # known rides without a sensor of ours: those that can have been on none of ours
    starts: tuple[datetime, ...]  # of known rides, ascending
    ends: tuple[datetime, ...]
    bikes: tuple[BikeId | None, ...]  # of those rides
    same_soon: float  # chance that a ride soon after another is on the same bike for being soon after
    same_later: float
    tallies: Mapping[str, Tally]
    measures: Mapping[str, Measures]

    def before(self, at: datetime) -> tuple[datetime, BikeId | None] | None:
        """When the last known ride that began before this instant ended, and its bike."""
        index = bisect.bisect_left(self.starts, at)
        return (self.ends[index - 1], self.bikes[index - 1]) if index else None


@dataclass(frozen=True, slots=True)
class Habits:
    """Everything learned. Without a single known ride it still knows what was entered."""

    riders: Mapping[RiderId, RiderHabits]
    sensors: Mapping[str, SensorStory]
    combs: BikeCombs
    heard_elsewhere: float  # chance that a sensor is heard on a ride on another bike than its own
    teeth: Mapping[BikeId, tuple[frozenset[int], frozenset[int]]] = field(default_factory=dict)  # front, rear

    def after(self, ride: Known) -> Habits:
        """These habits with one more ride as 'the ride before'; counts and combs stay as they were learned.

        For judging a batch in order without learning again after every ride.
        """
        rider = self.riders.get(ride.clues.rider)
        if rider is None:
            return self
        at = bisect.bisect_right(rider.starts, ride.clues.started_at)
        grown = replace(
            rider,
            starts=(*rider.starts[:at], ride.clues.started_at, *rider.starts[at:]),
            ends=(*rider.ends[:at], ride.clues.ended_at, *rider.ends[at:]),
            bikes=(*rider.bikes[:at], ride.bike, *rider.bikes[at:]),
        )
        return replace(self, riders={**self.riders, ride.clues.rider: grown})

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
    named = [(ride.clues, ride.bike) for ride in firm if ride.by is DecidedBy.RIDER]
    by_sensor = [(ride.clues, ride.bike) for ride in firm if ride.by is not DecidedBy.RIDER]
    sensors = learn_sensors(named, household.sensors, by_sensor)
    return Habits(
        riders={rider: _rider_habits(theirs, sensors) for rider, theirs in by_rider.items()},
        sensors=sensors,
        heard_elsewhere=_heard_elsewhere(firm, sensors),
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


def _rider_habits(rides: Sequence[Known], sensors: Mapping[str, SensorStory]) -> RiderHabits:
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
        unheard=float(sum(not _heard(ride.clues, sensors) for ride in rides)),
        starts=tuple(ride.clues.started_at for ride in rides),
        ends=tuple(ride.clues.ended_at for ride in rides),
        bikes=tuple(ride.bike for ride in rides),
        same_soon=_same_again(soon, by_habit),
        same_later=_same_again(later, by_habit),
        tallies={name: _tally(name, of_bike) for name, of_bike in counted.items()},
        measures={name: _measures(of_bike) for name, of_bike in measured.items()},
    )


def _heard(clues: RideClues, sensors: Mapping[str, SensorStory]) -> bool:
    """Whether a sensor that sat on one of the household's bikes took part."""
    stories = (sensors.get(sensor.identity) for sensor in clues.sensors)
    return any(story is not None and story.place(clues.started_at) for story in stories)


def _heard_elsewhere(firm: Iterable[Known], sensors: Mapping[str, SensorStory]) -> float:
    """(n strays + 0.5) / (n sightings + 250): a stray is a ride on another bike that was no move."""
    strays = sightings = 0
    for ride in firm:
        for sensor in ride.clues.sensors:
            story = sensors.get(sensor.identity)
            place = story.place(ride.clues.started_at) if story is not None else {}
            if place:
                sightings += 1
                strays += ride.bike is None or place.get(ride.bike, 0.0) < 0.6
    return (strays + STRAYS_TO_BEGIN_WITH) / (sightings + STRAYS_TO_BEGIN_WITH / HEARD_ELSEWHERE)


def _same_again(pairs: Sequence[tuple[Known, Known]], by_habit: float) -> float:
    """The share of pairs on the same bike beyond what habit alone would give, shrunk towards none."""
    beyond = sum(a.bike == b.bike for a, b in pairs) - by_habit * len(pairs)
    return max(0.0, beyond / ((1.0 - by_habit) * len(pairs) + SAME_AGAIN_WORTH))


def _tally(name: str, of_bike: Mapping[BikeId, Counter[str]]) -> Tally:
    everywhere: Counter[str] = Counter()
    for counts in of_bike.values():
        everywhere.update(counts)
    worth = SELDOM_TELLING if name in ("weekday", "head unit") else LIKE_EVERY_BIKE
    totals = {bike: counts.total() for bike, counts in of_bike.items()}
    return Tally(dict(of_bike), totals, everywhere, everywhere.total(), worth)


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
