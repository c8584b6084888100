"""When somebody last looked: the time of a file, for an idle round writes nothing in the ledger."""

from __future__ import annotations

import os
from contextlib import suppress
from datetime import UTC, datetime, timedelta
from pathlib import Path

LOOKED = "last-look"
SILENT_AFTER = timedelta(hours=26)  # a day, and the time a laptop sleeps


def note_look(home: Path, at: datetime) -> None:
    """A round was made. What cannot be noted does no harm: then the last round that wrote counts."""
    place = home / LOOKED
    with suppress(OSError):
        place.touch(mode=0o600)
        os.utime(place, (at.timestamp(), at.timestamp()))


def last_look(home: Path, written_at: datetime | None) -> datetime | None:
    """When was the last round? None = never. written_at: of the last with news, as the ledger has it."""
    try:
        seen = datetime.fromtimestamp((home / LOOKED).stat().st_mtime, UTC)
    except OSError:
        return written_at
    return seen if written_at is None else max(seen, written_at)
