"""Ride files of a club's household are handed to its workers: kept first, read later."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import datetime
from pathlib import Path

from services.store import Store


def send_files(store: Store, paths: Sequence[Path], rider: str | None, *, now: datetime) -> int:
    """Keep these files for a worker to read; returns how many are new. rider: whose, by name.

    Raises NotFound, StoreError.
    """
    with store.reading() as tx:
        whose = tx.equipment.find_rider(rider).id if rider else None
    new = 0
    for path in paths:
        data = path.read_bytes()
        with store.writing() as tx:
            new += tx.arrivals.put(str(path), data, whose, at=now)
    return new
