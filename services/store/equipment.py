"""Riders, bikes, sensors and chains: who and what the household has, and what was fitted where."""

from __future__ import annotations

from collections.abc import Collection, Iterable
from dataclasses import dataclass
from datetime import datetime
from typing import TypeVar

from sqlalchemy import func, select

from rules.same_names import as_read
from rules.vocabulary import Bike, BikeId, Chain, ChainId, Fitting, Rider, Sensor
from services.store.errors import NotFound
from services.store.repository import AnyRow, Repository
from services.store.rows_of_facts import BIKES, CHAINS, FITTINGS, RIDERS, SENSORS
from services.store.tables_rides import ride, ride_sensor

Named = TypeVar("Named", Rider, Bike)


@dataclass(frozen=True, slots=True)
class SensorSighting:
    """A sensor or head unit that files name, how often, and the bikes those rides are now on."""

    kind: str
    identity: str
    recorder: bool  # it wrote the files: a head unit
    rides: int
    first_at: datetime
    last_at: datetime
    bikes: tuple[tuple[BikeId, int], ...]  # most rides first; rides without a bike are in none


class Equipment(Repository):
    """What the household has. Names are found whatever their case; no two differ by case alone."""

    def riders(self) -> tuple[Rider, ...]:
        """Everybody, in the order they were added."""
        return self._standing(RIDERS)

    def find_rider(self, name: str) -> Rider:
        """The rider of that name, whatever its case. Raises NotFound with the names that look like it."""
        return _found(name, self.riders(), "rider")

    def bikes(self) -> tuple[Bike, ...]:
        """Every bike, those that are gone too, in the order they were added."""
        return self._standing(BIKES)

    def find_bike(self, name: str) -> Bike:
        """The bike of that name, whatever its case. Raises NotFound with the names that look like it."""
        return _found(name, self.bikes(), "bike")

    def sensors(self) -> tuple[Sensor, ...]:
        """Which sensor sat on which bike when, in the order it was learned."""
        return self._standing(SENSORS)

    def chains(self, only: Collection[ChainId] | None = None) -> tuple[Chain, ...]:
        """Every chain, or of these, retired ones too, in the order they were added."""
        return self._standing(CHAINS, *([] if only is None else [CHAINS.table.c.id.in_(only)]))

    def chain(self, chain_id: ChainId) -> Chain:
        """The chain of that number. Raises NotFound."""
        found = self._made(CHAINS, select(*CHAINS.columns).where(CHAINS.table.c.id == chain_id))
        return self._only(found, CHAINS.table, chain_id, "chain")

    def fittings(
        self, *, chains: Collection[ChainId] | None = None, bikes: Collection[BikeId] | None = None
    ) -> tuple[Fitting, ...]:
        """Every fitting in force, or those of these chains, or to these bikes, oldest first."""
        of = FITTINGS.table.c
        narrowed = [
            column.in_(few) for column, few in ((of.chain, chains), (of.bike, bikes)) if few is not None
        ]
        return self._standing(FITTINGS, *narrowed)

    def sensors_seen(self) -> tuple[SensorSighting, ...]:
        """Every identifiable sensor and head unit that any file named, most rides first."""
        query = (
            select(
                ride_sensor.c.kind,
                ride_sensor.c.identity,
                ride_sensor.c.recorder,
                ride.c.bike,
                func.count(ride.c.id.distinct()).label("rides"),
                func.min(ride.c.started_at).label("first_at"),
                func.max(ride.c.started_at).label("last_at"),
            )
            .join(ride, ride.c.id == ride_sensor.c.ride)
            .where(ride_sensor.c.identity.is_not(None))
            .group_by(ride_sensor.c.kind, ride_sensor.c.identity, ride_sensor.c.recorder, ride.c.bike)
        )
        groups: dict[tuple[str, str, bool], list[AnyRow]] = {}
        for row in self._all(query):
            groups.setdefault((row.kind, row.identity, row.recorder), []).append(row)
        sightings = [
            SensorSighting(
                *key,
                rides=sum(row.rides for row in rows),
                first_at=min(row.first_at for row in rows),
                last_at=max(row.last_at for row in rows),
                bikes=tuple(
                    (BikeId(row.bike), row.rides)
                    for row in sorted(rows, key=lambda row: (-row.rides, row.bike or 0))
                    if row.bike is not None
                ),
            )
            for key, rows in groups.items()
        ]
        return tuple(sorted(sightings, key=lambda s: (-s.rides, s.kind, s.identity)))


def _found(name: str, things: Iterable[Named], what: str) -> Named:
    by_key = {as_read(thing.name): thing for thing in things}
    thing = by_key.get(as_read(name))
    if thing is None:
        raise NotFound(what, name, (thing.name for thing in by_key.values()))
    return thing
