"""Rides: kept once, never deleted, found again by time, rider and bike."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import TYPE_CHECKING, TypedDict, Unpack

from sqlalchemy import ColumnElement, and_, func, insert, select

from rules.vocabulary import BikeId, Condition, DecidedBy, Ride, RideId, RiderId
from services.store.assignments import Assignments
from services.store.condition_tags import Tags
from services.store.recordings import recording_values
from services.store.retractions import Retractions
from services.store.ride_rows import counted_ids, counts, like_bits, load_rides, overlaps
from services.store.rows_of_facts import Shape, words_of
from services.store.same_outings import SameOutings
from services.store.search import says
from services.store.tables import retraction
from services.store.tables_rides import IS_UNCLEAR, ride

if TYPE_CHECKING:  # reading a ride file takes numpy; listing rides does not
    from ingest.ride.summary import RideSummary


@dataclass(frozen=True, slots=True)
class RideDetails:
    """What a page or a question wants to know of a ride beyond the ride itself.

    kept_ride: the ride this one is a second recording of.  second_recordings: the rides that are one of this.
    withdrawn_because: why it was taken back; None = it counts.
    """

    ride: Ride
    summary: RideSummary
    clues: str
    verdict: str | None
    kept_ride: RideId | None
    second_recordings: tuple[RideId, ...]
    withdrawn_because: str | None


@dataclass(frozen=True, slots=True)
class RideSpan:
    """When a ride was under way, whose it is, and which bike it was on by whose word: for comparing many."""

    id: RideId
    rider: RiderId
    started_at: datetime
    ended_at: datetime
    bike: BikeId | None
    decided_by: DecidedBy | None


class Sought(TypedDict, total=False):
    """Which rides are looked for: by default all that count.

    between: started in a span, from, up to but not at.  asking: their bike is a question.  none_of_ours: on
    none of the household's.  text: in title or file name, whatever case.  like: it was so, as far as that is
    derived.
    """

    between: tuple[datetime | None, datetime | None] | None
    rider: RiderId | None
    bike: BikeId | None
    asking: bool
    none_of_ours: bool
    text: str
    like: Condition | None


@dataclass(frozen=True, slots=True)
class RideSums:
    """How many rides, how far [m], and for how long the pedals were turned [s]."""

    count: int
    distance_m: float
    drive_s: float


class Rides(Assignments, Tags, SameOutings):
    """Everything about rides. Lists hold those that count: not taken back, no outing's second recording."""

    def add(
        self, summary: RideSummary, rider_id: RiderId, *, file_name: str | None = None, clues: str = ""
    ) -> RideId:
        """Keep a new ride; nobody has judged its bike yet. file_name: None = the recording's own.

        clues: what judging it again needs, as ingest.bikes.judge writes it.
        """
        return self.add_many([(summary, rider_id, clues)], file_name=file_name)[0]

    def add_many(
        self, rides: Sequence[tuple[RideSummary, RiderId, str]], *, file_name: str | None = None
    ) -> list[RideId]:
        """Keep many new rides, each with its rider and clues; their ids in the same order."""
        if not rides:
            return []
        rows = [
            {"rider": rider_id, **recording_values(summary, file_name), **_UNJUDGED}
            | {"unpaved_share": summary.unpaved_share}
            for summary, rider_id, _ in rides
        ]
        added = self._connection.scalars(
            insert(ride).returning(ride.c.id, sort_by_parameter_order=True), rows
        )
        ids = [RideId(row_id) for row_id in added]
        self._take_words_apart((one, str(row["words"])) for one, row in zip(ids, rows, strict=True))
        self._add_parts(
            (ride_id, summary, clues) for ride_id, (summary, _, clues) in zip(ids, rides, strict=True)
        )
        return ids

    def ride(self, ride_id: RideId) -> Ride:
        """The ride of that number, whether it counts or not. Raises NotFound."""
        found = load_rides(self._connection, select(ride.c.id).where(ride.c.id == ride_id))
        return self._only(found, ride, ride_id, "ride")

    def rides(
        self,
        *,
        newest_first: bool = False,
        limit: int | None = None,
        offset: int = 0,
        **sought: Unpack[Sought],
    ) -> tuple[Ride, ...]:
        """The rides that are looked for, by start."""
        ids = counted_ids().where(*self._conditions(**sought))
        by_start = (
            (_RIDE.started_at.desc(), _RIDE.id.desc()) if newest_first else (_RIDE.started_at, _RIDE.id)
        )
        if limit is not None or offset:
            # SQLite knows OFFSET only behind a LIMIT.
            ids = ids.order_by(*by_start).limit(2**31 - 1 if limit is None else limit).offset(offset)
        if limit is not None:  # looked for once, not again for their hours
            ids = select(ride.c.id).where(ride.c.id.in_(self._connection.scalars(ids).all()))
        found = load_rides(self._connection, ids)
        return found[::-1] if newest_first else found

    def count(self, **sought: Unpack[Sought]) -> int:
        """How many rides `rides` would give for the same conditions."""
        return self.sums(**sought).count

    def sums(self, **sought: Unpack[Sought]) -> RideSums:
        """What these rides come to, without reading them."""
        sums = (func.count(), func.sum(ride.c.distance_m), func.sum(ride.c.drive_s))
        row = self._connection.execute(select(*sums).where(counts(), *self._conditions(**sought))).one()
        return RideSums(row[0], row[1] or 0.0, row[2] or 0.0)

    def numbers(self, **sought: Unpack[Sought]) -> tuple[RideId, ...]:
        """The numbers of these rides, oldest first."""
        ids = counted_ids().where(*self._conditions(**sought)).order_by(ride.c.started_at, ride.c.id)
        return tuple(RideId(number) for number in self._connection.scalars(ids))

    def started_in(self, spans: Iterable[tuple[BikeId, datetime, datetime]]) -> dict[BikeId, int]:
        """How many rides began on a bike from one instant until before another? Of bikes with any."""
        found: dict[BikeId, int] = {}
        for bike, begin, end in spans:
            began = (ride.c.bike == bike, ride.c.started_at >= begin, ride.c.started_at < end)
            some = self._connection.scalar(select(func.count()).select_from(ride).where(*began, counts()))
            if some:
                found[bike] = found.get(bike, 0) + some
        return found

    def spans(self, start: datetime, end: datetime) -> tuple[RideSpan, ...]:
        """Rides under way at some moment between these, without their hours: one quick look, by start."""
        query = select(*_SPAN.columns).where(overlaps(start, end), counts())
        return self._made(_SPAN, query.order_by(ride.c.started_at, ride.c.id))

    def details(self, ride_id: RideId) -> RideDetails:
        """Everything kept of a ride. Raises NotFound."""
        row = self._row(ride, ride_id, "ride")
        others = select(ride.c.id).where(ride.c.same_as == ride_id).order_by(ride.c.id)
        withdrawn = select(retraction.c.why).where(
            retraction.c.kind == "ride", retraction.c.fact_id == ride_id, retraction.c.undone_at.is_(None)
        )
        return RideDetails(
            ride=self.ride(ride_id),
            summary=self.outing(ride_id),
            clues=self.clues(ride_id),
            verdict=row.verdict,
            kept_ride=None if row.same_as is None else RideId(row.same_as),
            second_recordings=tuple(RideId(other) for (other,) in self._all(others)),
            withdrawn_because=self._connection.scalar(withdrawn),
        )

    def withdraw(self, ride_id: RideId, *, at: datetime, by: str, why: str) -> None:
        """The ride counts no more: a car, a test. It is kept. Raises NotFound, FactRefused."""
        Retractions(self._connection).take_back(ride, "ride", ride_id, at=at, by=by, why=why)

    def restore(self, ride_id: RideId, *, at: datetime, by: str) -> None:
        """Count a withdrawn ride again. Raises NotFound."""
        Retractions(self._connection).put_back("ride", ride_id, at=at, by=by)

    def _conditions(self, **sought: Unpack[Sought]) -> Iterable[ColumnElement[bool]]:
        first, end = sought.get("between") or (None, None)
        if first is not None:
            yield ride.c.started_at >= first
        if end is not None:
            yield ride.c.started_at < end
        if (rider := sought.get("rider")) is not None:
            yield ride.c.rider == rider
        if (bike := sought.get("bike")) is not None:
            yield ride.c.bike == bike
        if sought.get("asking"):
            yield IS_UNCLEAR  # type: ignore[misc]  # text, so that the partial index is used
        if sought.get("none_of_ours"):
            yield and_(ride.c.bike.is_(None), ride.c.decided_by.is_not(None))
        if text := sought.get("text"):
            yield says(self._connection, text)
        if (like := sought.get("like")) is not None:
            yield ride.c.likes.bitwise_and(like_bits([like])) != 0


_RIDE = ride.c
_SPAN = Shape(RideSpan, ride, decided_by=words_of(DecidedBy))
_UNJUDGED = {"likes": None, "bike": None, "decided_by": None, "verdict": None, "word": None, "same_as": None}
