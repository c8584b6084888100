"""A recording's summary as rows, and back: the part of a ride that comes from its file alone."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import replace
from datetime import datetime
from typing import TYPE_CHECKING, Any

from sqlalchemy import select

from rules.vocabulary import DriveMethod, RideId
from services.store.errors import NotFound
from services.store.repository import AnyRow, Repository, storable
from services.store.ride_rows import HOUR
from services.store.search import parts_of, searched_words
from services.store.tables_rides import (
    Tagged,
    condition_tag,
    ride,
    ride_hour,
    ride_sensor,
    ride_track,
    ride_word,
    ride_words,
)

if TYPE_CHECKING:  # reading a ride file takes numpy; listing rides does not
    from ingest.ride.recording import SensorSeen
    from ingest.ride.summary import RideSummary

# Columns that hold a summary's field under the same name, as it is.
_PLAIN = (
    "title",
    "started_at",
    "ended_at",
    "drive_s",
    "drive_low_s",
    "drive_high_s",
    "moving_s",
    "distance_m",
    "climb_m",
    "indoor",
    "virtual",
    "sport",
    "sub_sport",
    "profile_name",
    "reader",
    "file_name",
)
NEAR_DEG = 0.05  # a fifth of an archive's cell
_SENSOR = ("kind", "serial", "ant_number", "manufacturer", "product", "battery")


class Recordings(Repository):
    """Recordings under rides."""

    def outing(self, ride_id: RideId) -> RideSummary:
        """The summary this ride was added with, as it was. Raises NotFound."""
        row = self._row(ride, ride_id, "ride")
        bulk = self._bulk(ride_id)
        hours = select(ride_hour).where(ride_hour.c.ride == ride_id).order_by(ride_hour.c.hour_start)
        devices = self._all(
            select(ride_sensor).where(ride_sensor.c.ride == ride_id).order_by(ride_sensor.c.id)
        )
        from ingest.ride.summary import HourSummary, RideSummary

        return RideSummary(
            **{name: getattr(row, name) for name in _PLAIN},
            drive_method=DriveMethod(row.drive_method),
            unpaved_share=row.unpaved_share_from_file,
            damage=tuple(row.damage),
            dropped=dict(row.dropped),
            device=next((_sensor_seen(seen) for seen in devices if seen.recorder), None),
            sensors=tuple(_sensor_seen(seen) for seen in devices if not seen.recorder),
            hours=tuple(
                HourSummary(*(getattr(hour, name) for name in HOUR.names)) for hour in self._all(hours)
            ),
            track=bulk.track,
            sketch=bulk.sketch,
            drive_parts=tuple((DriveMethod(method), seconds) for method, seconds in row.drive_parts),
        )

    def clues(self, ride_id: RideId) -> str:
        """What judging this ride's bike again needs, as ingest.bikes wrote it; "" = nothing was kept."""
        clues: str = self._bulk(ride_id).clues
        return clues

    def set_clues(self, ride_id: RideId, clues: str) -> None:
        """Keep newer clues for a ride. Raises NotFound."""
        self._bulk(ride_id)
        self._connection.execute(ride_track.update().where(ride_track.c.ride == ride_id).values(clues=clues))

    def read_from(self, file_name: str, ride_id: RideId, near: datetime) -> RideId | None:
        """Which recording was read from the file of this name, of this ride's outing or else of its rider's?

        near: of several, as files take each other's names, the one that began closest to then.
        """
        one = self._row(ride, ride_id, "ride")
        columns = (ride.c.id, ride.c.same_as, ride.c.started_at)
        query = select(*columns).where(ride.c.rider == one.rider, ride.c.file_name == storable(file_name))
        kept = one.same_as or one.id

        def farther(row: AnyRow) -> tuple[bool, float]:
            return (row.same_as or row.id) != kept, abs((row.started_at - near).total_seconds())

        found = min(self._all(query), key=farther, default=None)
        return None if found is None else RideId(found.id)

    def renew(self, ride_id: RideId, summary: RideSummary, clues: str) -> None:
        """Another reading of its file takes the place of a recording; what was said of the ride stands.

        An hour in the same place keeps its tags; one that was elsewhere, or is no more, loses them.
        """
        values = recording_values(summary, self._row(ride, ride_id, "ride").file_name)
        if not self._share_was_said(ride_id):
            values["unpaved_share"] = summary.unpaved_share
        self._update(ride, ride_id, **values)
        self._words_are(ride_id, values["words"])
        for table in (ride_track, ride_sensor):
            self._connection.execute(table.delete().where(table.c.ride == ride_id))
        new = {hour.hour_start: {name: getattr(hour, name) for name in HOUR.names} for hour in summary.hours}
        gone, elsewhere = [], []
        for row in self._all(select(ride_hour).where(ride_hour.c.ride == ride_id)):
            hour = new.pop(row.hour_start, None)
            if hour is None:
                gone.append(row.id)
            elif hour != {name: getattr(row, name) for name in HOUR.names}:
                self._update(ride_hour, row.id, **hour)
                elsewhere += [] if _is_near(row, hour) else [row.id]
        self._connection.execute(
            condition_tag.delete().where(condition_tag.c.ride_hour.in_(gone + elsewhere))
        )
        untagged = ride_hour.update().where(ride_hour.c.id.in_(elsewhere))
        self._connection.execute(untagged.values(tagged=Tagged.NOT_YET))
        self._connection.execute(ride_hour.delete().where(ride_hour.c.id.in_(gone)))
        only_new = tuple(hour for hour in summary.hours if hour.hour_start in new)
        self._add_parts([(ride_id, replace(summary, hours=only_new), clues)])

    def _share_was_said(self, ride_id: RideId) -> bool:
        newest = (
            select(ride_word.c.said)
            .where(ride_word.c.ride == ride_id, ride_word.c.about == "unpaved share", ~ride_word.c.is_undone)
            .order_by(ride_word.c.id.desc())
            .limit(1)
        )
        return self._connection.scalar(newest) is not None

    def _bulk(self, ride_id: RideId) -> AnyRow:
        row = self._connection.execute(select(ride_track).where(ride_track.c.ride == ride_id)).first()
        if row is None:
            raise NotFound("ride", ride_id)
        return row

    def _words_are(self, ride_id: RideId, words: str) -> None:
        """Have a ride found by these words, and no more by those it had."""
        self._connection.execute(ride_words.delete().where(ride_words.c.ride == ride_id))
        self._take_words_apart([(ride_id, words)])

    def _take_words_apart(self, said: Iterable[tuple[RideId, str]]) -> None:
        """Have rides found by any part of these words."""
        rows = [{"begins": begins, "ride": ride_id} for ride_id, words in said for begins in parts_of(words)]
        self._insert_many(ride_words, rows)

    def _add_parts(self, recordings: Iterable[tuple[RideId, RideSummary, str]]) -> None:
        """Put the hours, devices and bulk of recordings under rides that have none yet."""
        tracks: list[dict[str, Any]] = []
        sensors: list[dict[str, Any]] = []
        hours: list[dict[str, Any]] = []
        for ride_id, summary, clues in recordings:
            tracks.append({"ride": ride_id, "track": summary.track, "sketch": summary.sketch, "clues": clues})
            if summary.device is not None:
                sensors.append(_sensor_values(ride_id, summary.device, recorder=True))
            sensors += [_sensor_values(ride_id, seen, recorder=False) for seen in summary.sensors]
            hours += [
                {"ride": ride_id, **{name: getattr(hour, name) for name in HOUR.names}}
                for hour in summary.hours
            ]
        self._insert_many(ride_track, tracks)
        self._insert_many(ride_sensor, sensors)
        self._insert_many(ride_hour, hours)


def recording_values(summary: RideSummary, file_name: str | None = None) -> dict[str, Any]:
    """The columns of a ride's row that come from its recording; what anybody said since is not among them."""
    title, file_name = (
        storable(summary.title),
        storable(summary.file_name if file_name is None else file_name),
    )
    return {
        **{name: getattr(summary, name) for name in _PLAIN},
        "title": title,
        "file_name": file_name,
        "words": searched_words(title, file_name),
        "drive_method": summary.drive_method.value,
        "drive_parts": [[method.value, seconds] for method, seconds in summary.drive_parts],
        "unpaved_share_from_file": summary.unpaved_share,
        "damage": list(summary.damage),
        "dropped": dict(summary.dropped),
    }


def _is_near(row: AnyRow, hour: dict[str, Any]) -> bool:
    """Whether the weather of an hour's old place is that of its new one; of no place, none is known."""
    return all(
        getattr(row, name) is not None
        and hour[name] is not None
        and abs(getattr(row, name) - hour[name]) < NEAR_DEG
        for name in ("latitude_deg", "longitude_deg")
    )


def _sensor_values(ride_id: RideId, seen: SensorSeen, *, recorder: bool) -> dict[str, Any]:
    values = {name: getattr(seen, name) for name in _SENSOR}
    return {"ride": ride_id, "recorder": recorder, "identity": seen.identity, **values}


def _sensor_seen(row: AnyRow) -> SensorSeen:
    from ingest.ride.recording import SensorSeen

    return SensorSeen(*(getattr(row, name) for name in _SENSOR))
