"""The household as a ledger, for the rules: all of it, or as much as a few chains need."""

from __future__ import annotations

from collections.abc import Collection, Hashable, Iterable
from dataclasses import replace
from datetime import datetime
from operator import attrgetter
from typing import TypeVar

from sqlalchemy import ColumnElement, Connection, and_, or_, select

from rules.ledger import Ledger
from rules.vocabulary import BikeId, ChainId, Fitting, Ride, RideId
from services.store.care import Care
from services.store.equipment import Equipment
from services.store.ride_rows import counted_ids, load_rides
from services.store.tables_rides import ride

Item = TypeVar("Item")
AT_ONCE = 200  # spans in one question: every database takes that many


class LedgerReading:
    """The ledgers that a transaction gives."""

    def __init__(self, connection: Connection) -> None:
        self._connection = connection
        self.equipment = Equipment(connection)  # riders, bikes, sensors, chains and fittings
        self.care = Care(connection)  # treatments, readings and wipe tests

    def ledger(self) -> Ledger:
        """Every fact in force, for the rules: what was taken back or is a second recording is left out."""
        return replace(self.care_ledger(), rides=load_rides(self._connection))

    def care_ledger(self) -> Ledger:
        """Every fact in force but for rides."""
        care = self.care
        return replace(
            self.garage(),
            treatments=care.treatments(),
            readings=care.readings(),
            wipe_tests=care.wipe_tests(),
        )

    def garage(self) -> Ledger:
        """Who and what there is, and what was fitted where; no ride, and nothing that hands did."""
        garage, care = self.equipment, self.care
        return Ledger(
            riders=garage.riders(),
            bikes=garage.bikes(),
            sensors=garage.sensors(),
            chains=garage.chains(),
            fittings=garage.fittings(),
            trials=care.trials(),
            supplies=care.supplies(),
            own_limits=care.own_limits(),
        )

    def in_use(self, now: datetime, before: Ledger | None = None, still: Collection[ChainId] = ()) -> Ledger:
        """Who and what there is, and every fact in force about the chains that are not retired now.

        still: chains that stand in the ledger of `before` as they are: what happened to them is not read
        again.
        """
        garage, care = self.garage(), self.care
        known, used = before or Ledger(), garage.in_use(now)
        told = used & frozenset(still)
        anew = used - told
        rides = {one.id: one for chain in told for one in known.rides_of(chain)}
        rides |= {one.id: one for one in _rides_of(self._connection, garage, anew)}
        treatments = [one for one in known.treatments if one.chain in told]
        readings = [one for one in known.readings if one.chain in told]
        wipe_tests = [one for one in known.wipe_tests if one.chain in told]
        found = replace(
            garage,
            treatments=_by((*care.treatments(anew), *treatments), "done_at"),
            readings=_by((*care.readings(anew), *readings), "taken_at"),
            wipe_tests=_by((*care.wipe_tests(anew), *wipe_tests), "done_at"),
            rides=_by(rides.values(), "started_at"),
        )
        found.derived.update((key, was) for key, was in dict(known.derived).items() if _is_of(key, told))
        return found

    def ledger_of(self, chains: Collection[ChainId], rides: Iterable[RideId] = ()) -> Ledger:
        """As much of the ledger as tells all of these chains: of the others only that they are there.

        rides: others that are wanted too, as far as they count, with what was fitted on their bikes then.
        """
        garage, care = self.equipment, self.care
        named = load_rides(self._connection, counted_ids().where(ride.c.id.in_(list(rides))))
        fittings = _fittings_around(garage, set(chains), {one.bike for one in named if one.bike is not None})
        about = {one.chain for one in fittings} | set(chains)
        bare = Ledger(
            riders=garage.riders(),
            bikes=garage.bikes(),
            chains=garage.chains(about),
            fittings=fittings,
            trials=care.trials(),
            own_limits=care.own_limits(),
            treatments=care.treatments(chains),
            readings=care.readings(chains),
            wipe_tests=care.wipe_tests(chains),
        )
        ridden = {one.id: one for one in (*named, *_rides_of(self._connection, bare, chains))}
        return replace(bare, rides=_by(ridden.values(), "started_at"))


def _by(facts: Iterable[Item], at: str) -> tuple[Item, ...]:
    """In the order of their time; of the same moment, of their number."""
    return tuple(sorted(facts, key=attrgetter(at, "id")))


def _is_of(key: Hashable, chains: Collection[ChainId]) -> bool:
    """Whether something derived is of one of these chains alone."""
    return isinstance(key, tuple) and key[0] in ("facts", "history") and key[1] in chains


def _fittings_around(garage: Equipment, chains: set[ChainId], bikes: set[BikeId]) -> tuple[Fitting, ...]:
    """What was fitted to these bikes, and to those that wore one of these chains; and where else that was.

    A fitting ends when its bike gets another chain, or its chain another bike: so neighbours are needed.
    """
    own = garage.fittings(chains=chains)
    beside = garage.fittings(bikes=bikes | {one.bike for one in own})
    around = garage.fittings(chains={one.chain for one in beside} | chains)
    every = {one.id: one for one in (*own, *beside, *around)}
    return _by(every.values(), "fitted_at")


def _rides_of(connection: Connection, bare: Ledger, chains: Collection[ChainId]) -> Iterable[Ride]:
    spans: list[ColumnElement[bool]] = [
        and_(ride.c.bike == bike, ride.c.started_at >= begin, ride.c.started_at < end)
        for chain in sorted(chains)
        for bike, begin, end in bare.spans_of(chain)
    ]
    for first in range(0, len(spans), AT_ONCE):
        ids = select(ride.c.id).where(or_(*spans[first : first + AT_ONCE]))
        yield from load_rides(connection, counted_ids().where(ride.c.id.in_(ids)))
