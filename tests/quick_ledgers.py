"""New SQLite ledgers without their price: migrations run once a session, and nobody waits for the disk.

A ledger of a test dies with the test, so that a power cut could not lose it; a killed process loses nothing
that way either. What migrations do is held by tests/services/store/test_migrate.py, which goes without this.
"""

from __future__ import annotations

import shutil
import sqlite3
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest
from sqlalchemy import Engine

from services.store import Store
from services.store import engine as engine_module
from services.store import migrate as migrate_module
from services.store import store as store_module
from services.store.engine import _connect_sqlite
from services.store.migrate import KNOWN, migrate


@contextmanager
def quick(folder: Path) -> Iterator[Path]:
    """As long as this lasts, a ledger that is opened where none was is a copy of the one in this folder."""
    migrated = folder / "ledger.db"
    Store.open(migrated).close()

    def copied(engine: Engine, where: str) -> None:
        file = Path(where)
        newest = migrate_module.KNOWN is KNOWN  # else a test makes a ledger as an older version did
        if newest and engine.dialect.name == "sqlite" and file.is_file() and not file.stat().st_size:
            shutil.copyfile(migrated, file)
        migrate(engine, where)

    def unsynchronised(connection: sqlite3.Connection, record: object) -> None:
        _connect_sqlite(connection, record)
        connection.execute("PRAGMA synchronous = OFF")

    with pytest.MonkeyPatch.context() as patched:
        patched.setattr(store_module, "migrate", copied)
        patched.setattr(engine_module, "_connect_sqlite", unsynchronised)
        yield migrated
