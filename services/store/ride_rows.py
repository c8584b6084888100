"""Rows to rides: the one place where rides are put together from their rows, hours and tags, in bulk."""

from __future__ import annotations

from collections.abc import Collection, Sequence
from datetime import UTC, datetime, timedelta
from typing import Any

from sqlalchemy import ColumnElement, Connection, Select, and_, select

from rules.vocabulary import Condition, ConditionTag, DecidedBy, DriveMethod, Ride, RideHour, Tier
from services.store.rows_of_facts import Shape, is_retracted, words_of
from services.store.tables_rides import TAG_IS_CURRENT, condition_tag, ride, ride_hour

_RIDE = Shape(
    Ride,
    ride,
    beside=("hours",),
    decided_by=words_of(DecidedBy),
    drive_method=words_of(DriveMethod),
    word=words_of(Condition),
)
HOUR = Shape(RideHour, ride_hour, beside=("tag",))
_tier = words_of(Tier)
TAG = Shape(ConditionTag, condition_tag, tier=_tier)
_TIER = TAG.names.index("tier")


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
        select(*_RIDE.columns).where(ride.c.id.in_(wanted)).order_by(ride.c.started_at, ride.c.id)
    ).all()
    hours = _load_hours(connection, wanted)
    return tuple(_RIDE.of(row, hours=tuple(hours.get(row[0], ()))) for row in rows)


def _load_hours(connection: Connection, ids: Select[Any]) -> dict[int, list[RideHour]]:
    current = and_(condition_tag.c.ride_hour == ride_hour.c.id, TAG_IS_CURRENT)
    query = (
        select(ride_hour.c.ride, *HOUR.columns, *TAG.columns)
        .join_from(ride_hour, condition_tag, current, isouter=True)
        .where(ride_hour.c.ride.in_(ids))
        .order_by(ride_hour.c.ride, ride_hour.c.hour_start)
    )
    hours: dict[int, list[RideHour]] = {}
    size = len(HOUR.columns)
    for ride_id, *row in connection.execute(query).all():  # by place: there are tens of thousands
        hours.setdefault(ride_id, []).append(RideHour(*(*row[:size], tag_of(row[size:]))))
    return hours


def tag_of(values: Sequence[Any]) -> ConditionTag | None:
    """A tag from the values of TAG's columns; None where the hour has no tag."""
    if values[_TIER] is None:
        return None
    return ConditionTag(*(*values[:_TIER], _tier(values[_TIER]), *values[_TIER + 1 :]))


def like_bits(words: Collection[Condition]) -> int:
    """What a ride was like as a number: a bit for each word."""
    return sum(1 << place for place, word in enumerate(Condition) if word in words)


LONGEST = timedelta(days=14)  # between two recordings six hours apart nobody rides for longer


def overlaps(start: datetime, end: datetime) -> ColumnElement[bool]:
    """The condition that a ride was under way at some moment between these; those long before are not met."""
    earliest = max(start, datetime.min.replace(tzinfo=UTC) + 2 * LONGEST) - LONGEST
    return and_(ride.c.started_at > earliest, ride.c.started_at < end, ride.c.ended_at > start)
