"""Bookkeeping of the rounds: JSON values by name."""

from __future__ import annotations

import json
from datetime import datetime
from typing import Any, Final

from sqlalchemy import select

from services.store.repository import Repository
from services.store.tables import note

LAST_ROUND: Final = "last round"  # what the newest round said, and when
CONDITIONS_TAGGED_BY: Final = "conditions tagged by"  # which way of tagging all hours were last tagged by
BIKES_JUDGED_BY: Final = "bikes judged by"  # which way of judging all rides were last judged by
BIKES_FITTED: Final = "bikes fitted"  # when all rides were last judged by all

RECKONED: Final = "reminders derived"  # by which rulebook reminders were last derived, and when
RIDES_NAMED_BY: Final = "rides named by"  # which code and weights say what rides were like
LIMITS_OF: Final = "limits of"  # which edition of the program's own limits reminders were last derived by
SWAP_TOLD: Final = "swap told:"  # and a trial's number: the turn whose end its rider was told of
ADVISED: Final = "advised:"  # and a rider's number: when another way of caring was last advised
AHEAD: Final = "weather ahead"  # the day it is of, where, and each hour's ground with rain and without
AHEAD_WAITS: Final = "weather ahead waits until"
WET_CHANCES: Final = "wet chances:"  # and a month: P(wet) of its hours, as forecast the evening before
FORECAST_SCORE: Final = "forecast score"  # what the forecast was worth when last held against final tags
TOMORROW_TOLD: Final = "tomorrow told:"  # and a rider's number: the days that another bike was advised for
FILES_READ_BY: Final = "files read by"  # which way of reading all files were last read by
OUTINGS_BY: Final = "outings by"  # which way of telling outings apart all rides were last looked at by
FIRST_HOUR_OVER: Final = "first hour over"  # whether the way in is offered no more
LETTERS_OF: Final = "letters of"  # drawn once: what sets this household's letters apart from all others'
FILES_WAITING: Final = "files waiting"  # [name, why, what to do] of each watched file that could not be read


class Notes(Repository):
    """JSON values by name."""

    def put(self, name: str, value: Any, *, at: datetime) -> None:
        """Keep a JSON value under a name, in place of what was there."""
        kept = json.loads(json.dumps(value))
        done = self._connection.execute(
            note.update().where(note.c.name == name).values(value=kept, written_at=at)
        )
        if done.rowcount == 0:
            self._connection.execute(note.insert().values(name=name, value=kept, written_at=at))

    def get(self, name: str, default: Any = None) -> Any:
        """The value under a name, or the default."""
        row = self._connection.execute(select(note.c.value).where(note.c.name == name)).first()
        return default if row is None else row.value

    def written_at(self, name: str) -> datetime | None:
        """When the value under a name was kept; None = never."""
        found: datetime | None = self._connection.scalar(select(note.c.written_at).where(note.c.name == name))
        return found

    def forget(self, name: str) -> None:
        """Drop a name; one that is not there is fine."""
        self._connection.execute(note.delete().where(note.c.name == name))
