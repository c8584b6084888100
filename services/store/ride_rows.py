"""Rows to rides: the one place where rides are put together from their rows, hours and tags, in bulk."""

from __future__ import annotations

from collections.abc import Collection, Mapping, Sequence
from datetime import UTC, datetime, timedelta
from typing import Any

from sqlalchemy import ColumnElement, Connection, Select, and_, select

from rules.vocabulary import (
    BikeId,
    Condition,
    ConditionTag,
    DecidedBy,
    DriveMethod,
    Ride,
    RideHour,
    RideId,
    RiderId,
    Tier,
)
from services.store.repository import AnyRow
from services.store.rows_of_facts import is_retracted
from services.store.tables_rides import TAG_IS_CURRENT, condition_tag, ride, ride_hour

# Enum lookup by calling the class costs ten times a dictionary's, and there are tens of thousands of hours.
_TIERS: Mapping[str, Tier] = {tier.value: tier for tier in Tier}
_DECIDED: Mapping[str | None, DecidedBy | None] = {None: None, **{one.value: one for one in DecidedBy}}
_METHODS: Mapping[str, DriveMethod] = {method.value: method for method in DriveMethod}
_WORDS: Mapping[str | None, Condition | None] = {None: None, **{word.value: word for word in Condition}}

_RIDE_COLUMNS = (
    ride.c.id,
    ride.c.rider,
    ride.c.started_at,
    ride.c.ended_at,
    ride.c.title,
    ride.c.bike,
    ride.c.decided_by,
    ride.c.drive_s,
    ride.c.drive_low_s,
    ride.c.drive_high_s,
    ride.c.drive_method,
    ride.c.moving_s,
    ride.c.distance_m,
    ride.c.climb_m,
    ride.c.indoor,
    ride.c.unpaved_share,
    ride.c.word,
    ride.c.file_name,
)
TAG_COLUMNS = (
    condition_tag.c.paved_water,
    condition_tag.c.unpaved_water,
    condition_tag.c.mud,
    condition_tag.c.dust,
    condition_tag.c.confidence,
    condition_tag.c.tier,
    condition_tag.c.rain_mm,
    condition_tag.c.rain_before_mm,
    condition_tag.c.source,
    condition_tag.c.fetched_at,
    condition_tag.c.because,
    condition_tag.c.frost,
    condition_tag.c.salt,
    condition_tag.c.snow_mm,
)
_HOUR_COLUMNS = (
    ride_hour.c.ride,
    ride_hour.c.hour_start,
    ride_hour.c.drive_s,
    ride_hour.c.distance_m,
    ride_hour.c.moving_s,
    ride_hour.c.mean_speed_mps,
    ride_hour.c.latitude_deg,
    ride_hour.c.longitude_deg,
    ride_hour.c.climb_m,
    *TAG_COLUMNS,
)


def counts() -> ColumnElement[bool]:
    """The condition that a ride counts: not taken back, not a second recording of an outing.

    Said of the row itself: a list of all that count, to look them up in, is made of every ride there is.
    """
    return and_(ride.c.same_as.is_(None), ~is_retracted(ride, "ride"))


def counted_ids() -> Select[Any]:
    """A select of the ids of rides that count."""
    return select(ride.c.id).where(counts())


def load_rides(connection: Connection, ids: Select[Any] | None = None) -> tuple[Ride, ...]:
    """The rides a select of ids names (None: every ride that counts), by start, with hours and tags."""
    wanted = counted_ids() if ids is None else ids
    rows = connection.execute(
        select(*_RIDE_COLUMNS).where(ride.c.id.in_(wanted)).order_by(ride.c.started_at, ride.c.id)
    )
    rides = rows.all()
    hours = _load_hours(connection, wanted)
    return tuple(_ride(row, tuple(hours.get(row[0], ()))) for row in rides)


def _load_hours(connection: Connection, ids: Select[Any]) -> dict[int, list[RideHour]]:
    current = and_(condition_tag.c.ride_hour == ride_hour.c.id, TAG_IS_CURRENT)
    query = (
        select(*_HOUR_COLUMNS)
        .join_from(ride_hour, condition_tag, current, isouter=True)
        .where(ride_hour.c.ride.in_(ids))
        .order_by(ride_hour.c.ride, ride_hour.c.hour_start)
    )
    hours: dict[int, list[RideHour]] = {}
    rows: Sequence[AnyRow] = connection.execute(query).all()
    for row in rows:
        ride_id, start, drive, distance, moving, speed, latitude, longitude, climb, *tag = row
        hours.setdefault(ride_id, []).append(
            RideHour(start, drive, distance, moving, speed, latitude, longitude, climb, tag_of(tag))
        )
    return hours


def tag_of(values: Sequence[Any]) -> ConditionTag | None:
    """A tag from the values of TAG_COLUMNS; None where the hour has no tag."""
    if values[5] is None:
        return None
    paved, unpaved, mud, dust, confidence, tier, *rest = values
    return ConditionTag(paved, unpaved, mud, dust, confidence, _TIERS[tier], *rest)


def tag_values(tag: ConditionTag) -> dict[str, Any]:
    """The columns of a tag's row."""
    return {
        "paved_water": tag.paved_water,
        "unpaved_water": tag.unpaved_water,
        "mud": tag.mud,
        "dust": tag.dust,
        "confidence": tag.confidence,
        "tier": tag.tier.value,
        "rain_mm": tag.rain_mm,
        "rain_before_mm": tag.rain_before_mm,
        "source": tag.source,
        "fetched_at": tag.fetched_at,
        "because": tag.because,
        "frost": tag.frost,
        "salt": tag.salt,
        "snow_mm": tag.snow_mm,
    }


def _ride(row: AnyRow, hours: tuple[RideHour, ...]) -> Ride:
    return Ride(
        id=RideId(row[0]),
        rider=RiderId(row[1]),
        started_at=row[2],
        ended_at=row[3],
        title=row[4],
        bike=None if row[5] is None else BikeId(row[5]),
        decided_by=_DECIDED[row[6]],
        drive_s=row[7],
        drive_low_s=row[8],
        drive_high_s=row[9],
        drive_method=_METHODS[row[10]],
        moving_s=row[11],
        distance_m=row[12],
        climb_m=row[13],
        indoor=row[14],
        hours=hours,
        unpaved_share=row[15],
        word=_WORDS[row[16]],
        file_name=row[17],
    )


def like_bits(words: Collection[Condition]) -> int:
    """What a ride was like as a number: a bit for each word."""
    return sum(1 << place for place, word in enumerate(Condition) if word in words)


LONGEST = timedelta(days=14)  # between two recordings six hours apart nobody rides for longer


def overlaps(start: datetime, end: datetime) -> ColumnElement[bool]:
    """The condition that a ride was under way at some moment between these; those long before are not met."""
    earliest = max(start, datetime.min.replace(tzinfo=UTC) + 2 * LONGEST) - LONGEST
    return and_(ride.c.started_at > earliest, ride.c.started_at < end, ride.c.ended_at > start)
