"""Two recordings of one outing: the richer is the ride, the other stays linked and can be split again."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import TYPE_CHECKING

from sqlalchemy import or_, select

from rules.vocabulary import RideId, RiderId
from services.store.errors import FactRefused, NotFound
from services.store.recordings import Recordings, recording_values
from services.store.ride_rows import counts
from services.store.tables_rides import ride, ride_hour, ride_sensor, ride_track, same_outing

if TYPE_CHECKING:  # reading a ride file takes numpy; listing rides does not
    from ingest.ride.summary import RideSummary


IMPORTER = "the importer"


@dataclass(frozen=True, slots=True)
class Recorded:
    """As much of a recording as telling outings apart takes."""

    id: RideId
    started_at: datetime
    ended_at: datetime
    sketch: bytes


class SameOutings(Recordings):
    """Linking and splitting recordings of one outing."""

    def add_second_recording(
        self,
        ride_id: RideId,
        summary: RideSummary,
        *,
        keep_new: bool,
        because: Sequence[str],
        at: datetime,
        clues: str = "",
    ) -> RideId:
        """Keep another recording of an outing that is here already; returns the linked recording's own id.

        keep_new: the new recording is the better one. The ride keeps its id, its bike and what riders said of
        it; its hours become the new ones, untagged, and the old recording becomes the linked one.
        """
        kept = self._row(ride, ride_id, "ride")
        new = recording_values(summary)
        values = {name: getattr(kept, name) for name in new} if keep_new else new
        other = RideId(
            self._insert(
                ride,
                rider=kept.rider,
                **values,
                unpaved_share=values["unpaved_share_from_file"],
            )
        )
        if keep_new:
            for table in (ride_hour, ride_sensor, ride_track):
                self._connection.execute(table.update().where(table.c.ride == ride_id).values(ride=other))
            self._add_parts([(ride_id, summary, clues or self.clues(other))])
            if not self._share_was_said(ride_id):
                new["unpaved_share"] = summary.unpaved_share
            self._update(ride, ride_id, **new)
        else:
            self._add_parts([(other, summary, clues)])
        self.link_same_outing(ride_id, other, because, at=at, by=IMPORTER)
        return other

    def recorded(self, rider: RiderId) -> Iterator[Recorded]:
        """A rider's rides that count, by start, in one look."""
        query = (
            select(ride.c.id, ride.c.started_at, ride.c.ended_at, ride_track.c.sketch)
            .join_from(ride, ride_track, ride_track.c.ride == ride.c.id)
            .where(ride.c.rider == rider, counts())
            .order_by(ride.c.started_at, ride.c.id)
        )
        for row in self._connection.execute(query):
            yield Recorded(RideId(row.id), row.started_at, row.ended_at, row.sketch)

    def recordings_of(self, rides: Iterable[RideId]) -> tuple[RideId, ...]:
        """These rides and every second recording of them, by number."""
        ids = list(rides)
        if not ids:
            return ()
        query = select(ride.c.id).where(or_(ride.c.id.in_(ids), ride.c.same_as.in_(ids))).order_by(ride.c.id)
        return tuple(RideId(one) for one in self._connection.scalars(query))

    def was_split_by_a_rider(self, rides: Iterable[RideId]) -> bool:
        """Whether somebody said of any of these that two recordings were two outings."""
        ids = list(rides)
        query = select(same_outing.c.id).where(
            or_(same_outing.c.kept.in_(ids), same_outing.c.other.in_(ids)),
            same_outing.c.split_at.is_not(None),
            same_outing.c.split_by != IMPORTER,
        )
        return self._connection.execute(query.limit(1)).first() is not None

    def is_second(self, ride_id: RideId) -> bool:
        """Whether this ride is a second recording of another one."""
        return self._row(ride, ride_id, "ride").same_as is not None

    def exchange_recordings(self, one: RideId, other: RideId) -> None:
        """Each of the two rides gets the other's recording; what riders said of either stays where it is."""
        first, second = self._row(ride, one, "ride"), self._row(ride, other, "ride")
        names = tuple(recording_values(self.outing(one), first.file_name))
        # By way of a third: two rides may not hold the same hour at any moment.
        copied = {name: value for name, value in first._asdict().items() if name != "id"}
        spare = self._insert(ride, **copied | {"same_as": None})
        for start, end in ((one, spare), (other, one), (spare, other)):
            for table in (ride_hour, ride_sensor, ride_track):
                self._connection.execute(table.update().where(table.c.ride == start).values(ride=end))
        self._connection.execute(ride.delete().where(ride.c.id == spare))
        for this, that in ((first, second), (second, first)):
            values = {name: getattr(that, name) for name in names}
            if not self._share_was_said(RideId(this.id)):
                values["unpaved_share"] = that.unpaved_share_from_file
            self._update(ride, this.id, **values)
            self._words_are(RideId(this.id), that.words)

    def link_same_outing(
        self, kept: RideId, other: RideId, because: Sequence[str], *, at: datetime, by: str
    ) -> None:
        """`other` records the same outing as `kept`, and counts no more. Raises NotFound, FactRefused."""
        kept_row, other_row = self._row(ride, kept, "ride"), self._row(ride, other, "ride")
        if kept == other:
            raise FactRefused(f"Ride {kept} cannot be a second recording of itself.")
        if kept_row.same_as is not None:
            raise FactRefused(
                f"Ride {kept} is itself a second recording, of ride {kept_row.same_as}; link to that one."
            )
        if other_row.same_as is not None:
            raise FactRefused(f"Ride {other} is a second recording of ride {other_row.same_as} already.")
        followers = self._connection.execute(select(ride.c.id).where(ride.c.same_as == other)).scalars()
        for follower in followers.all():
            self.split_again(RideId(follower), at=at, by=by)
            self._link(kept, RideId(follower), because, at, by)
        self._link(kept, other, because, at, by)

    def split_again(self, other: RideId, *, at: datetime, by: str) -> None:
        """It was an outing of its own after all. Raises NotFound when it is linked to none."""
        if self._row(ride, other, "ride").same_as is None:
            raise NotFound("second recording", other)
        self._connection.execute(
            same_outing.update()
            .where(same_outing.c.other == other, same_outing.c.split_at.is_(None))
            .values(split_at=at, split_by=by)
        )
        self._update(ride, other, same_as=None)

    def join_again(self, other: RideId, *, at: datetime, by: str) -> None:
        """As if it had not been split: a second recording once more, for the old reasons. Raises NotFound."""
        query = select(same_outing).where(same_outing.c.other == other).order_by(same_outing.c.id.desc())
        last = self._connection.execute(query).first()
        if last is None:
            raise NotFound("second recording", other)
        self.link_same_outing(RideId(last.kept), other, last.because, at=at, by=by)

    def why_same_outing(self, other: RideId) -> tuple[str, ...]:
        """Why this ride was linked to the one kept, in sentences; empty = it is not linked."""
        found = self._connection.scalar(
            select(same_outing.c.because).where(
                same_outing.c.other == other, same_outing.c.split_at.is_(None)
            )
        )
        return tuple(found or ())

    def _link(self, kept: RideId, other: RideId, because: Sequence[str], at: datetime, by: str) -> None:
        self._insert(same_outing, kept=kept, other=other, because=list(because), made_at=at, made_by=by)
        self._update(ride, other, same_as=kept)
