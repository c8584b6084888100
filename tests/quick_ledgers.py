"""New ledgers without their price: migrations run once a session, and nobody waits for the disk.

A ledger of a test dies with the test, so that a power cut could not lose it; a killed process loses nothing
that way either. What migrations do is held by tests/services/store/test_migrate.py, which goes without this.

A program opens its ledger once and puts each query into words once; a session of tests opens thousands, and
spent more on the words than on the answers. So all ledgers of a kind share what one has put into words.
"""

from __future__ import annotations

import shutil
import sqlite3
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest
from sqlalchemy import URL, Engine
from sqlalchemy.util import LRUCache

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
        patched.setattr(engine_module, "_sqlite_engine", _well_spoken(engine_module._sqlite_engine))
        patched.setattr(engine_module, "_postgresql_engine", _well_spoken(engine_module._postgresql_engine))
        Store.open(migrated).close()
        patched.setattr(store_module, "migrate", copied)
        patched.setattr(engine_module, "_connect_sqlite", unsynchronised)
        yield migrated


def _well_spoken(make: Callable[[URL], Engine]) -> Callable[[URL], Engine]:
    """Engines that share their dialect, once one has asked its database, and the queries put into it."""
    first: list[Engine] = []
    words: LRUCache[object, object] = LRUCache(3000)

    def made(url: URL) -> Engine:
        engine = make(url)
        if first and first[0].dialect.server_version_info:
            engine.dialect = first[0].dialect
        else:
            first[:] = [engine]
            words.clear()
        engine.update_execution_options(compiled_cache=words)
        return engine

    return made
