"""Riders, bikes and sensors: who and what the household has. Chains and their fittings are in chains.py."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import TypeVar
from zoneinfo import ZoneInfo

from sqlalchemy import func, select

from rules.vocabulary import Bike, BikeId, Rider, RiderId, Sensor, SensorId
from services.store.chains import Chains
from services.store.errors import FactRefused, NotFound
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

    def add_rider(self, name: str, email: str | None = None, time_zone: str = "UTC") -> Rider:
        """A new rider. Raises FactRefused for a name that is taken, or a time zone that does not exist."""
        _known_zone(time_zone)
        name = self._free_name(rider, name, "rider")
        row_id = self._insert(rider, name=name, name_key=name.casefold(), email=email, time_zone=time_zone)
        return Rider(RiderId(row_id), name, email, time_zone)

    def riders(self) -> tuple[Rider, ...]:
        """Everybody, in the order they were added."""
        return tuple(_rider(row) for row in self._all(standing_facts(rider, "rider").order_by(rider.c.id)))

    def find_rider(self, name: str) -> Rider:
        """The rider of that name, whatever its case. Raises NotFound with the names that look like it."""
        return _found(name, self.riders(), "rider")

    def add_bike(
        self,
        name: str,
        owner: RiderId,
        *,
        unpaved_share: float = 0.0,
        chainrings: Sequence[int] = (),
        cogs: Sequence[int] = (),
        wheel_circumference_m: float | None = None,
        indoor: bool = False,
        from_at: datetime | None = None,
        until_at: datetime | None = None,
    ) -> Bike:
        """A new bike. Raises FactRefused for a name that is taken or a value that cannot be."""
        self._row(rider, owner, "rider")
        name = self._free_name(bike, name, "bike")
        row_id = self._insert(
            bike,
            name=name,
            name_key=name.casefold(),
            owner=owner,
            unpaved_share=unpaved_share,
            chainrings=list(chainrings),
            cogs=list(cogs),
            wheel_circumference_m=wheel_circumference_m,
            indoor=indoor,
            from_at=from_at,
            until_at=until_at,
        )
        return self.bike(BikeId(row_id))

    def bikes(self) -> tuple[Bike, ...]:
        """Every bike, those that are gone too, in the order they were added."""
        return tuple(_bike(row) for row in self._all(standing_facts(bike, "bike").order_by(bike.c.id)))

    def bike(self, bike_id: BikeId) -> Bike:
        """The bike of that number. Raises NotFound."""
        return _bike(self._row(bike, bike_id, "bike"))

    def find_bike(self, name: str) -> Bike:
        """The bike of that name, whatever its case. Raises NotFound with the names that look like it."""
        return _found(name, self.bikes(), "bike")

    def add_sensor(
        self,
        kind: str,
        identity: str,
        bike_id: BikeId,
        from_at: datetime | None = None,
        until_at: datetime | None = None,
    ) -> Sensor:
        """This sensor sat on this bike in this span; it left the bike where it sat before, for that span.

        Raises FactRefused when it is known to have moved elsewhere within the span.
        """
        self.bike(bike_id)
        for before in (
            s for s in self.sensors() if s.identity == identity and _overlap(s, from_at, until_at)
        ):
            if from_at is None or (before.from_at is not None and before.from_at >= from_at):
                raise FactRefused(
                    f"The sensor {identity} is already on {self.bike(before.bike).name} in that time; "
                    "say from when it sits on this one."
                )
            self._update(sensor, before.id, until_at=from_at)
            if until_at is not None and (before.until_at is None or before.until_at > until_at):
                self._insert(
                    sensor,
                    kind=before.kind,
                    identity=identity,
                    bike=before.bike,
                    from_at=until_at,
                    until_at=before.until_at,
                )
        row_id = self._insert(
            sensor, kind=kind, identity=identity, bike=bike_id, from_at=from_at, until_at=until_at
        )
        return Sensor(SensorId(row_id), kind, identity, bike_id, from_at, until_at)

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


def _known_zone(name: str) -> None:
    try:
        ZoneInfo(name)
    except (KeyError, ValueError, OSError) as error:
        raise FactRefused(
            f"There is no time zone “{name}”; give an IANA name such as Europe/Vienna or America/La_Paz."
        ) from error


def _overlap(other: Sensor, from_at: datetime | None, until_at: datetime | None) -> bool:
    starts_before_end = other.from_at is None or until_at is None or other.from_at < until_at
    ends_after_start = other.until_at is None or from_at is None or other.until_at > from_at
    return starts_before_end and ends_after_start


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
