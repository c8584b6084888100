"""The household's facts, in one stated order, and what was in force at any instant.

A ledger is a frozen bundle of facts. `dataclasses.replace` gives a changed one; everything derived from it
(indexes, orders) is worked out again, lazily, and never edited.
"""

from __future__ import annotations

from bisect import bisect_right
from collections import defaultdict
from collections.abc import Hashable, Iterable, Mapping
from dataclasses import dataclass, fields
from datetime import UTC, datetime, timedelta
from functools import cached_property
from itertools import pairwise
from typing import Any, NamedTuple, TypeVar

from rules.vocabulary import (
    Bike,
    BikeId,
    Chain,
    ChainId,
    Fitting,
    FittingId,
    OwnLimits,
    Reading,
    Ride,
    RideHour,
    RideId,
    Rider,
    RiderId,
    Sensor,
    Supply,
    Treatment,
    TreatmentKind,
    Trial,
    WipeTest,
)

END = datetime(9999, 12, 31, tzinfo=UTC)


class Fitted(NamedTuple):
    """The chain went onto a bike."""

    fitting: Fitting


class Removed(NamedTuple):
    """The chain came off a bike."""

    fitting: Fitting


class RiddenHour(NamedTuple):
    """The chain was ridden: one clock hour of one ride."""

    ride: Ride
    hour: RideHour
    number: int  # 1 for the ride's first hour

    @property
    def ends_at(self) -> datetime:
        """When this part of the ride was over."""
        return min(self.hour.hour_start + timedelta(hours=1), self.ride.ended_at)


Fact = Removed | WipeTest | Reading | Treatment | Fitted | RiddenHour

# Facts are ordered by instant. At the same instant the earlier line of this table comes first.
FACT_ORDER: tuple[tuple[type, str], ...] = (
    (Removed, "a chain is off before anything is done to it on the bench"),
    (WipeTest, "the rag is passed along the chain as it came home, before hands clean it"),
    (Reading, "a reading belongs to what was ridden before it"),
    (Treatment, "a treatment at the minute a ride starts was for that ride"),
    (Fitted, "a treated chain is then fitted"),
    (RiddenHour, "and then ridden"),
)
_RANK = {fact_type: rank for rank, (fact_type, _) in enumerate(FACT_ORDER)}

# Within one instant, treatments in the order hands do them.
_TREATMENT_ORDER = {
    kind: position
    for position, kind in enumerate(
        (
            TreatmentKind.WIPE,
            TreatmentKind.STRIP,
            TreatmentKind.CLEAN,
            TreatmentKind.IMMERSION,
            TreatmentKind.DRIP,
            TreatmentKind.OIL,
        )
    )
}


class DatedFact(NamedTuple):
    """A fact and the instant that places it in the order."""

    at: datetime
    fact: Fact


class Trouble(NamedTuple):
    """Facts that contradict each other: who is concerned, and what to do. Nothing stops for it."""

    chain: ChainId | None
    bike: BikeId | None
    sentence: str


Item = TypeVar("Item")
Key = TypeVar("Key")


def _grouped(pairs: Iterable[tuple[Key, Item]]) -> Mapping[Key, tuple[Item, ...]]:
    groups: defaultdict[Key, list[Item]] = defaultdict(list)
    for key, item in pairs:
        groups[key].append(item)
    return {key: tuple(items) for key, items in groups.items()}


@dataclass(frozen=True, slots=True)
class Facts:
    """Facts about equipment and care, by family; rides are not among them."""

    riders: tuple[Rider, ...] = ()
    bikes: tuple[Bike, ...] = ()
    sensors: tuple[Sensor, ...] = ()
    chains: tuple[Chain, ...] = ()
    fittings: tuple[Fitting, ...] = ()
    treatments: tuple[Treatment, ...] = ()
    readings: tuple[Reading, ...] = ()
    wipe_tests: tuple[WipeTest, ...] = ()
    trials: tuple[Trial, ...] = ()
    supplies: tuple[Supply, ...] = ()
    own_limits: tuple[OwnLimits, ...] = ()


FAMILIES: tuple[str, ...] = tuple(one.name for one in fields(Facts))


@dataclass(frozen=True)
class Ledger(Facts):
    """Every fact of the household that is now in force, in no particular order.

    An unknown id raises KeyError: ids come from the ledger itself, so that is a programmer's mistake.
    """

    rides: tuple[Ride, ...] = ()

    def rider(self, rider: RiderId) -> Rider:
        """Who has this id?"""
        return self._riders_by_id[rider]

    def bike(self, bike: BikeId) -> Bike:
        """Which bike has this id?"""
        return self._bikes_by_id[bike]

    def chain(self, chain: ChainId) -> Chain:
        """Which chain has this id?"""
        return self._chains_by_id[chain]

    def ride(self, ride: RideId) -> Ride | None:
        """Which ride has this id? None once it was removed."""
        return self._rides_by_id.get(ride)

    def fitting_on(self, bike: BikeId, at: datetime) -> Fitting | None:
        """Which fitting was in force on this bike at this instant?

        A bike wears one chain and a chain sits on one bike: a fitting ends when it is said to, or when its
        bike gets another chain, or when its chain goes to another bike, whichever is first.
        """
        return self._in_force(self._fittings_of_bike.get(bike, ()), at)

    def chain_on(self, bike: BikeId, at: datetime) -> Chain | None:
        """Which chain was on this bike at this instant?"""
        fitting = self.fitting_on(bike, at)
        return None if fitting is None else self.chain(fitting.chain)

    def fitting_of(self, chain: ChainId, at: datetime) -> Fitting | None:
        """Where was this chain at this instant? None = on no bike."""
        return self._in_force(self.fittings_of(chain), at)

    def last_fitting_of(self, chain: ChainId, at: datetime) -> Fitting | None:
        """Where was this chain at this instant, or last before it? None = on no bike yet."""
        begun = [one for one in self.fittings_of(chain) if one.fitted_at <= at]
        return begun[-1] if begun else None

    def fittings_of(self, chain: ChainId) -> tuple[Fitting, ...]:
        """Where has this chain been? In order."""
        return self._fittings_of_chain.get(chain, ())

    def spans_of(self, chain: ChainId) -> tuple[tuple[BikeId, datetime, datetime], ...]:
        """On which bike was this chain, from when until before when? In order; END = still."""
        ends = self._end_of_fitting
        return tuple((one.bike, one.fitted_at, ends[one.id]) for one in self.fittings_of(chain))

    def rides_of(self, chain: ChainId) -> tuple[Ride, ...]:
        """Which rides was this chain ridden on? By start; a ride belongs to the chain fitted at its start."""
        return self._rides_of_chain.get(chain, ())

    def rides_on(self, bike: BikeId) -> tuple[Ride, ...]:
        """Which rides was this bike ridden on? By start."""
        return self._rides_of_bike.get(bike, ())

    def chain_of(self, ride: Ride) -> Chain | None:
        """Which chain did this ride wear? None = no bike known, or no chain noted on it at the start."""
        return None if ride.bike is None else self.chain_on(ride.bike, ride.started_at)

    def bikes_here(self, at: datetime) -> tuple[Bike, ...]:
        """Bikes that were in the household then."""
        return tuple(
            bike
            for bike in self.bikes
            if (bike.from_at is None or bike.from_at <= at) and (bike.until_at is None or at < bike.until_at)
        )

    def may_have_been(self, ride: Ride) -> tuple[Bike, ...]:
        """The bikes that a question about a ride offers: the rider's own first, by no guess."""
        here = self.bikes_here(ride.started_at)
        return tuple(sorted(here, key=lambda bike: (bike.owner != ride.rider, bike.id)))

    def treatments_of(self, chain: ChainId) -> tuple[Treatment, ...]:
        """What was done to this chain? In the order of the facts."""
        return tuple(dated.fact for dated in self.facts_of(chain) if isinstance(dated.fact, Treatment))

    def readings_of(self, chain: ChainId) -> tuple[Reading, ...]:
        """What was measured on this chain? In the order of the facts."""
        return tuple(dated.fact for dated in self.facts_of(chain) if isinstance(dated.fact, Reading))

    def facts_of(self, chain: ChainId) -> tuple[DatedFact, ...]:
        """What happened to this chain, in the total order of FACT_ORDER?

        A ride's hour stands at its own beginning, or at the ride's start if that is later. So a treatment
        logged in the middle of a ride comes after the hour that had begun and before the next one.
        """
        if ("facts", chain) not in self.derived:
            self.derived["facts", chain] = self._order_facts(chain)
        facts: tuple[DatedFact, ...] = self.derived["facts", chain]
        return facts

    def same_for(self, chain: ChainId, other: Ledger) -> bool:
        """Whether this chain and what happened to it are the same in both ledgers."""
        return (
            self._chains_by_id.get(chain) == other._chains_by_id.get(chain)
            and self.rides_of(chain) == other.rides_of(chain)
            and self.fittings_of(chain) == other.fittings_of(chain)
            and self._treatments_of_chain.get(chain) == other._treatments_of_chain.get(chain)
            and self._readings_of_chain.get(chain) == other._readings_of_chain.get(chain)
            and self._wipe_tests_of_chain.get(chain) == other._wipe_tests_of_chain.get(chain)
        )

    def in_use(self, now: datetime) -> frozenset[ChainId]:
        """Which chains are on a bike, on the shelf or in a trial, and not retired?"""
        here = {one.id for one in self.chains if one.retired_at is None or one.retired_at > now}
        worn = {one.chain for bike in self._fittings_of_bike if (one := self.fitting_on(bike, now))}
        open_trials = [one for one in self.trials if one.ended_at is None]
        return frozenset(here.union(worn, *({one.waxed, one.control} for one in open_trials)))

    def joined(self, more: Ledger) -> Ledger:
        """As much of a household's ledger as two looks at it hold together."""
        both = {
            each.name: {one.id: one for one in (*getattr(self, each.name), *getattr(more, each.name))}
            for each in fields(self)
        }
        return Ledger(**{name: tuple(found.values()) for name, found in both.items()})

    def unworn(self) -> tuple[tuple[BikeId, datetime, datetime], ...]:
        """When was a bike without a chain that had one before? Bike, from when until before when."""
        gaps = []
        for bike, fittings in self._fittings_of_bike.items():
            begins = [fitting.fitted_at for fitting in fittings[1:]]
            for fitting, begin in zip(fittings, [*begins, END], strict=True):
                if self._end_of_fitting[fitting.id] < begin:
                    gaps.append((bike, self._end_of_fitting[fitting.id], begin))
        return tuple(gaps)

    def troubles(self) -> tuple[Trouble, ...]:
        """Which fittings contradict each other? In order of chains, then bikes."""
        found: list[Trouble] = []
        for chain, fittings in self._fittings_of_chain.items():
            name = self.chain(chain).name
            for earlier, later in pairwise(fittings):
                if _said_end(earlier) > later.fitted_at and earlier.bike != later.bike:
                    old, new = self.bike(earlier.bike).name, self.bike(later.bike).name
                    sentence = (
                        f"{name} was fitted to {new} on {later.fitted_at:%Y-%m-%d} while still noted "
                        f"on {old}: say when it came off {old}."
                    )
                    found.append(Trouble(chain, later.bike, sentence))
        for bike, fittings in self._fittings_of_bike.items():
            name = self.bike(bike).name
            for earlier, later in pairwise(fittings):
                if _said_end(earlier) > later.fitted_at and earlier.chain != later.chain:
                    old, new = self.chain(earlier.chain).name, self.chain(later.chain).name
                    sentence = (
                        f"{new} was fitted to {name} on {later.fitted_at:%Y-%m-%d} with {old} still on it: "
                        f"{new} counts from then on; say when {old} came off."
                    )
                    found.append(Trouble(later.chain, bike, sentence))
        return tuple(found)

    @cached_property
    def _riders_by_id(self) -> Mapping[RiderId, Rider]:
        return {rider.id: rider for rider in self.riders}

    @cached_property
    def _bikes_by_id(self) -> Mapping[BikeId, Bike]:
        return {bike.id: bike for bike in self.bikes}

    @cached_property
    def _chains_by_id(self) -> Mapping[ChainId, Chain]:
        return {chain.id: chain for chain in self.chains}

    @cached_property
    def _rides_by_id(self) -> Mapping[RideId, Ride]:
        return {ride.id: ride for ride in self.rides}

    @cached_property
    def _fittings_in_order(self) -> tuple[Fitting, ...]:
        return tuple(sorted(self.fittings, key=lambda fitting: (fitting.fitted_at, fitting.id)))

    @cached_property
    def _fittings_of_bike(self) -> Mapping[BikeId, tuple[Fitting, ...]]:
        return _grouped((fitting.bike, fitting) for fitting in self._fittings_in_order)

    @cached_property
    def _fittings_of_chain(self) -> Mapping[ChainId, tuple[Fitting, ...]]:
        return _grouped((fitting.chain, fitting) for fitting in self._fittings_in_order)

    @cached_property
    def _end_of_fitting(self) -> Mapping[FittingId, datetime]:
        """When each fitting really ended, END for one still in force."""
        ends = {fitting.id: _said_end(fitting) for fitting in self.fittings}
        for groups in (self._fittings_of_bike, self._fittings_of_chain):
            for fittings in groups.values():
                for earlier, later in pairwise(fittings):
                    ends[earlier.id] = min(ends[earlier.id], later.fitted_at)
        return ends

    def _in_force(self, fittings: tuple[Fitting, ...], at: datetime) -> Fitting | None:
        """Of the fittings of one bike or one chain, in order: the one that holds at this instant."""
        position = bisect_right(fittings, at, key=_fitted_at)
        if position and at < self._end_of_fitting[fittings[position - 1].id]:
            return fittings[position - 1]
        return None

    @cached_property
    def _rides_of_bike(self) -> Mapping[BikeId, tuple[Ride, ...]]:
        rides = sorted(self.rides, key=lambda ride: (ride.started_at, ride.id))
        return _grouped((ride.bike, ride) for ride in rides if ride.bike is not None)

    @cached_property
    def _rides_of_chain(self) -> Mapping[ChainId, tuple[Ride, ...]]:
        pairs = []
        for bike, rides in self._rides_of_bike.items():
            for ride in rides:
                fitting = self.fitting_on(bike, ride.started_at)
                if fitting is not None:
                    pairs.append((fitting.chain, ride))
        pairs.sort(key=lambda pair: (pair[1].started_at, pair[1].id))
        return _grouped(pairs)

    @cached_property
    def _treatments_of_chain(self) -> Mapping[ChainId, tuple[Treatment, ...]]:
        return _grouped((treatment.chain, treatment) for treatment in self.treatments)

    @cached_property
    def _readings_of_chain(self) -> Mapping[ChainId, tuple[Reading, ...]]:
        return _grouped((reading.chain, reading) for reading in self.readings)

    @cached_property
    def _wipe_tests_of_chain(self) -> Mapping[ChainId, tuple[WipeTest, ...]]:
        return _grouped((test.chain, test) for test in self.wipe_tests)

    @cached_property
    def derived(self) -> dict[Hashable, Any]:
        """What pure functions have worked out from these facts, so that it is worked out once.

        It hangs on the ledger and cannot outlive it: a changed ledger is another one and starts with none.
        """
        return {}

    def _order_facts(self, chain: ChainId) -> tuple[DatedFact, ...]:
        keyed: list[tuple[datetime, int, int, int, Fact]] = []
        for ride in self.rides_of(chain):
            for number, hour in enumerate(ride.hours, start=1):
                at = max(ride.started_at, hour.hour_start)
                keyed.append((at, _RANK[RiddenHour], ride.id, number, RiddenHour(ride, hour, number)))
        for treatment in self._treatments_of_chain.get(chain, ()):
            order = _TREATMENT_ORDER[treatment.kind]
            keyed.append((treatment.done_at, _RANK[Treatment], order, treatment.id, treatment))
        keyed.extend(
            (reading.taken_at, _RANK[Reading], reading.id, 0, reading)
            for reading in self._readings_of_chain.get(chain, ())
        )
        keyed.extend(
            (test.done_at, _RANK[WipeTest], test.id, 0, test)
            for test in self._wipe_tests_of_chain.get(chain, ())
        )
        for fitting in self.fittings_of(chain):
            keyed.append((fitting.fitted_at, _RANK[Fitted], fitting.id, 0, Fitted(fitting)))
            if fitting.removed_at is not None:
                keyed.append((fitting.removed_at, _RANK[Removed], fitting.id, 0, Removed(fitting)))
        keyed.sort(key=lambda fact: fact[:4])
        return tuple(DatedFact(at, fact) for at, _, _, _, fact in keyed)


def _fitted_at(fitting: Fitting) -> datetime:
    return fitting.fitted_at


def _said_end(fitting: Fitting) -> datetime:
    return END if fitting.removed_at is None else fitting.removed_at
