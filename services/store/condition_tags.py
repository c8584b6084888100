"""What each hour of a ride was like: the archive's tags with their revisions, and the rider's word."""

from __future__ import annotations

from collections.abc import Collection, Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import datetime
from typing import Any

from sqlalchemy import and_, bindparam, func, or_, select

from rules.vocabulary import Condition, ConditionTag, Ride, RideId, Tier
from services.store.errors import FactRefused, NotFound
from services.store.repository import Repository
from services.store.ride_rows import (
    TAG,
    counted_ids,
    counts,
    like_bits,
    load_rides,
    tag_of,
)
from services.store.rows_of_facts import Shape
from services.store.tables_rides import (
    IS_UNNAMED,
    IS_UNSETTLED,
    TAG_IS_CURRENT,
    Tagged,
    condition_tag,
    ride,
    ride_hour,
    ride_track,
    ride_word,
)


@dataclass(frozen=True, slots=True)
class TagFlip:
    """An hour whose tag changed in anything its word could depend on."""

    ride: RideId
    hour_start: datetime
    before: ConditionTag
    after: ConditionTag


@dataclass(frozen=True, slots=True)
class Word:
    """What a rider said of a ride. about: 'conditions' or 'unpaved share'; said None = took it back."""

    id: int
    about: str
    said: str | None
    at: datetime
    by: str


_WORD = Shape(Word, ride_word, called={"at": "made_at", "by": "made_by"})


class Tags(Repository):
    """Tags and words."""

    def add_tags(
        self, ride_id: RideId, tags: Iterable[tuple[datetime, ConditionTag]], at: datetime
    ) -> tuple[TagFlip, ...]:
        """Tag hours of a ride; returns those whose earlier tag said something else.

        A tag equal to the hour's newest only renews when it was checked. Raises NotFound for an hour the ride
        does not have.
        """
        query = (
            select(
                ride_hour.c.hour_start, ride_hour.c.id, ride_hour.c.tagged, condition_tag.c.id, *TAG.columns
            )
            .join_from(ride_hour, condition_tag, _CURRENT, isouter=True)
            .where(ride_hour.c.ride == ride_id)
        )
        hours = {row[0]: (*row[1:4], tag_of(row[4:])) for row in self._all(query)}
        flips, fresh, superseded, same = [], [], [], []
        mirrored: dict[int, Tagged] = {}
        for hour_start, tag in tags:
            if hour_start not in hours:
                raise NotFound(f"hour of ride {ride_id}", f"{hour_start:%Y-%m-%d %H:%M}")
            hour_id, how_far, current_id, current = hours[hour_start]
            if how_far != (known := _tagged(tag)):
                mirrored[hour_id] = known
            if current == tag:
                same.append(current_id)
                continue
            if current is not None:
                superseded.append(current_id)
                if _said(current) != _said(tag):
                    flips.append(TagFlip(ride_id, hour_start, current, tag))
            of_now = {"ride_hour": hour_id, "is_current": True, "made_at": at, "checked_at": at}
            fresh.append(of_now | TAG.values(tag))
        self._update_tags(superseded, is_current=False)
        self._update_tags(same, checked_at=at)
        self._insert_many(condition_tag, fresh)
        self._mirror_tags(mirrored)
        return tuple(flips)

    def untagged(
        self,
        limit: int = 1000,
        *,
        checked_before: datetime | None = None,
        preliminary: bool = True,
    ) -> tuple[Ride, ...]:
        """Outdoor rides with an hour whose tag is missing, unknown, or (unless told not to) preliminary.

        The newest `limit` rides, by start. Hours without a place cannot be tagged and do not count.
        checked_before: leave out hours whose tag was checked at or after this instant.
        """
        waiting = select(ride_hour.c.ride).where(IS_UNSETTLED)
        if not preliminary:
            waiting = waiting.where(ride_hour.c.tagged != Tagged.PRELIMINARY)
        if checked_before is not None:
            waiting = waiting.join(condition_tag, _CURRENT, isouter=True).where(
                or_(condition_tag.c.id.is_(None), condition_tag.c.checked_at < checked_before)
            )
        ids = (
            counted_ids()
            .where(~ride.c.indoor, ~ride.c.virtual, ride.c.id.in_(waiting))
            .order_by(ride.c.started_at.desc(), ride.c.id.desc())
            .limit(limit)
        )
        return load_rides(self._connection, ids)

    def conditions_unknown(self) -> int:
        """How many outdoor rides have an hour of which no archive has said anything yet."""
        unknown = (Tagged.NOT_YET, Tagged.UNKNOWN)
        waiting = select(ride_hour.c.ride).where(IS_UNSETTLED, ride_hour.c.tagged.in_(unknown))
        query = select(func.count()).select_from(ride).where(ride.c.id.in_(waiting), _OUTDOORS)
        return self._connection.scalar(query) or 0

    def any_unsettled(
        self, *, never_tagged: bool = False, began: tuple[datetime, datetime] | None = None
    ) -> bool:
        """Whether any outdoor hour is not settled.

        never_tagged: not even by a tag that says so.  began: only hours begun after the first instant and
        up to the second.
        """
        waiting = select(ride_hour.c.ride).where(IS_UNSETTLED)
        if never_tagged:
            waiting = waiting.where(ride_hour.c.tagged == Tagged.NOT_YET)
        if began is not None:
            waiting = waiting.where(ride_hour.c.hour_start > began[0], ride_hour.c.hour_start <= began[1])
        query = select(ride.c.id).where(ride.c.id.in_(waiting), _OUTDOORS).limit(1)
        return self._connection.scalar(query) is not None

    def set_word(self, ride_id: RideId, word: Condition | None, at: datetime, by: str) -> Ride:
        """The rider's word on the conditions overrules the archive; None takes it back. Raises NotFound."""
        value = None if word is None else word.value
        return self._say(ride_id, "conditions", value, at, by, word=value)

    def set_unpaved_share(self, ride_id: RideId, share: float | None, at: datetime, by: str) -> Ride:
        """The rider's word on how much of the ride was unpaved, 0..1; None returns to what the file said."""
        if share is not None and not 0 <= share <= 1:
            raise FactRefused(f"An unpaved share lies between 0 and 1, not at {share:g}.")
        from_file = self._row(ride, ride_id, "ride").unpaved_share_from_file
        said = None if share is None else repr(float(share))
        return self._say(
            ride_id, "unpaved share", said, at, by, unpaved_share=from_file if share is None else share
        )

    def unnamed(self) -> bool:
        """Whether of any ride it is not kept what it was like."""
        query = select(ride.c.id).where(IS_UNNAMED).order_by(ride.c.id)  # in order, or SQLite reads them all
        return self._connection.scalar(query.limit(1)) is not None

    def without_likes(self, limit: int) -> tuple[RideId, ...]:
        """Rides of which it is not kept what they were like; so many at most, the newest first."""
        query = counted_ids().where(IS_UNNAMED).order_by(ride.c.id.desc()).limit(limit)
        return tuple(RideId(number) for number in self._connection.scalars(query))

    def set_likes(self, likes: Mapping[RideId, Collection[Condition]]) -> None:
        """Keep what these rides were like. Those that count no more are no answer to anything."""
        keep = ride.update().where(ride.c.id == bindparam("of_ride")).values(likes=bindparam("bits"))
        rows = [{"of_ride": one, "bits": like_bits(words)} for one, words in likes.items()]
        if rows:
            self._connection.execute(keep, rows)
        self._connection.execute(ride.update().where(IS_UNNAMED, ~counts()).values(likes=0))

    def forget_likes(self) -> None:
        """All rides are to be named anew."""
        self._connection.execute(ride.update().where(ride.c.likes.is_not(None)).values(likes=None))

    def likes(self) -> dict[RideId, frozenset[Condition]]:
        """What is kept of every ride that counts, as far as it is."""
        query = select(ride.c.id, ride.c.likes).where(counts(), ride.c.likes.is_not(None))
        return {
            RideId(row.id): frozenset(word for word in Condition if row.likes & like_bits([word]))
            for row in self._all(query)
        }

    def without_unpaved_word(self) -> tuple[RideId, ...]:
        """Outdoor rides with a track on whose unpaved share nobody's word stands, newest first."""
        about = and_(ride_word.c.about == "unpaved share", ~ride_word.c.is_undone)
        newest = select(func.max(ride_word.c.id)).where(about).group_by(ride_word.c.ride)
        spoken = select(ride_word.c.ride).where(ride_word.c.id.in_(newest), ride_word.c.said.is_not(None))
        query = (
            select(ride.c.id)
            .join_from(ride, ride_track, ride_track.c.ride == ride.c.id)
            .where(
                counts(),
                ~ride.c.indoor,
                ~ride.c.virtual,
                ride.c.id.not_in(spoken),
                ride_track.c.track != b"",
            )
            .order_by(ride.c.started_at.desc(), ride.c.id.desc())
        )
        return tuple(RideId(row.id) for row in self._all(query))

    def tracks(self, ride_ids: Sequence[RideId]) -> dict[RideId, bytes]:
        """The simplified tracks of these rides, as ingest.ride.track packs them, in their order."""
        query = select(ride_track.c.ride, ride_track.c.track).where(ride_track.c.ride.in_(ride_ids))
        found = {row.ride: row.track for row in self._all(query)}
        return {ride_id: found[ride_id] for ride_id in ride_ids if ride_id in found}

    def words_of(self, ride_id: RideId) -> tuple[Word, ...]:
        """Everything riders said of this ride that was not undone, oldest first."""
        query = select(*_WORD.columns).where(ride_word.c.ride == ride_id, ~ride_word.c.is_undone)
        return self._made(_WORD, query.order_by(ride_word.c.id))

    def take_back_word(self, word_id: int) -> None:
        """As if it had not been said: the word before it holds, or the file's. Raises NotFound."""
        row = self._row(ride_word, word_id, "word")
        self._update(ride_word, word_id, is_undone=True)
        holds = [word.said for word in self.words_of(RideId(row.ride)) if word.about == row.about]
        said = holds[-1] if holds else None
        if row.about == "conditions":
            self._update(ride, row.ride, word=said)
        else:
            from_file = self._row(ride, row.ride, "ride").unpaved_share_from_file
            self._update(ride, row.ride, unpaved_share=from_file if said is None else float(said))

    def _say(
        self, ride_id: RideId, about: str, said: str | None, at: datetime, by: str, **mirror: Any
    ) -> Ride:
        self._row(ride, ride_id, "ride")
        self._insert(ride_word, ride=ride_id, about=about, said=said, made_at=at, made_by=by, is_undone=False)
        self._update(ride, ride_id, **mirror)
        return load_rides(self._connection, select(ride.c.id).where(ride.c.id == ride_id))[0]

    def _mirror_tags(self, tagged: Mapping[int, Tagged]) -> None:
        if tagged:
            self._connection.execute(
                ride_hour.update().where(ride_hour.c.id == bindparam("hour")).values(tagged=bindparam("how")),
                [{"hour": hour, "how": how} for hour, how in tagged.items()],
            )

    def _update_tags(self, ids: list[int], **values: Any) -> None:
        if ids:
            self._connection.execute(
                condition_tag.update().where(condition_tag.c.id.in_(ids)).values(**values)
            )


_OUTDOORS = and_(~ride.c.indoor, ~ride.c.virtual, counts())
_CURRENT = and_(condition_tag.c.ride_hour == ride_hour.c.id, TAG_IS_CURRENT)


def _tagged(tag: ConditionTag) -> Tagged:
    """How far an hour with this tag is known."""
    return Tagged(tag.tier.value) if tag.known else Tagged.UNKNOWN


def _said(tag: ConditionTag) -> ConditionTag:
    """The tag without what only explains it: two that differ here may be different words."""
    return replace(
        tag,
        confidence=0.0,
        tier=Tier.FINAL,
        rain_mm=None,
        rain_before_mm=None,
        source="",
        fetched_at=None,
        because="",
    )
