"""Riders, bikes and sensors: who and what the household has. Chains and their fittings are in chains.py."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from datetime import datetime
from typing import TypeVar

from sqlalchemy import func, select

from rules.vocabulary import Bike, BikeId, Rider, RiderId, Sensor, SensorId
from services.store.chains import Chains
from services.store.errors import NotFound
from services.store.repository import AnyRow
from services.store.retractions import standing_facts
from services.store.tables import bike, rider, sensor
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


class Equipment(Chains):
    """What the household has. Names are found whatever their case; no two differ by case alone."""

    def riders(self) -> tuple[Rider, ...]:
        """Everybody, in the order they were added."""
        return tuple(_rider(row) for row in self._all(standing_facts(rider, "rider").order_by(rider.c.id)))

    def find_rider(self, name: str) -> Rider:
        """The rider of that name, whatever its case. Raises NotFound with the names that look like it."""
        return _found(name, self.riders(), "rider")

    def bikes(self) -> tuple[Bike, ...]:
        """Every bike, those that are gone too, in the order they were added."""
        return tuple(_bike(row) for row in self._all(standing_facts(bike, "bike").order_by(bike.c.id)))

    def find_bike(self, name: str) -> Bike:
        """The bike of that name, whatever its case. Raises NotFound with the names that look like it."""
        return _found(name, self.bikes(), "bike")

    def sensors(self) -> tuple[Sensor, ...]:
        """Which sensor sat on which bike when, in the order it was learned."""
        return tuple(
            _sensor(row) for row in self._all(standing_facts(sensor, "sensor").order_by(sensor.c.id))
        )

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
    by_key = {thing.name.casefold(): thing for thing in things}
    thing = by_key.get(name.strip().casefold())
    if thing is None:
        raise NotFound(what, name, (thing.name for thing in by_key.values()))
    return thing


def _rider(row: AnyRow) -> Rider:
    return Rider(RiderId(row.id), row.name, row.email, row.time_zone)


def _bike(row: AnyRow) -> Bike:
    return Bike(
        id=BikeId(row.id),
        name=row.name,
        owner=RiderId(row.owner),
        unpaved_share=row.unpaved_share,
        chainrings=tuple(row.chainrings),
        cogs=tuple(row.cogs),
        wheel_circumference_m=row.wheel_circumference_m,
        indoor=row.indoor,
        from_at=row.from_at,
        until_at=row.until_at,
    )


def _sensor(row: AnyRow) -> Sensor:
    return Sensor(SensorId(row.id), row.kind, row.identity, BikeId(row.bike), row.from_at, row.until_at)
