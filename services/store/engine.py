"""Connections: how a database is opened, how transactions begin, and what its errors mean to a rider.

SQLite takes its write lock at BEGIN, so that two writers queue instead of failing half way. On PostgreSQL a
transaction-long advisory lock does the same.
"""

from __future__ import annotations

import os
import sqlite3
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

from sqlalchemy import URL, Connection, CursorResult, Engine, create_engine, event, make_url, text
from sqlalchemy.exc import (
    ArgumentError,
    DBAPIError,
    IntegrityError,
    NoSuchModuleError,
    OperationalError,
    StatementError,
)

from services.store.errors import FactRefused, StoreBusy, StoreUnusable
from services.store.private_files import FOLDER, touch_private

BUSY_S = 10.0  # how long a writer waits for another
WRITING, MIGRATING = "gritledger_writing", "gritledger_migrating"
WROTE = "gritledger_wrote"  # whether a connection has changed a row since this was last taken off it
HOUSEHOLD = "gritledger_household"  # which household of a club; None = the database is one household's own
# Any fixed number: every gritledger that writes to one PostgreSQL database takes this one lock; in a club's,
# with the household's number beside it.
WRITE_LOCK = 0x67726974

# What every policy of a club's tables reads.
HOUSEHOLD_SETTING = "gritledger.household"

# SQLSTATE: serialization failure, deadlock, lock not available, cannot connect now, too many connections
_POSTGRES_BUSY = {"40001", "40P01", "55P03", "57P03", "53300"}


def url_of(url_or_path: str | Path) -> URL:
    """The URL of a database: one that is given, or SQLite at a path. Raises StoreUnusable."""
    if isinstance(url_or_path, str) and "://" in url_or_path:
        try:
            url = make_url(url_or_path)
        except ArgumentError as error:
            raise StoreUnusable(
                "The database URL", "is not a URL", "write sqlite:///… or postgresql://…"
            ) from error
        if url.drivername in ("postgresql", "postgres"):
            url = url.set(drivername="postgresql+psycopg")
        if url.drivername not in ("sqlite", "sqlite+pysqlite", "postgresql+psycopg"):
            raise StoreUnusable(
                where(url),
                f"“{url.drivername}” is not a database we keep a ledger in",
                "use SQLite or PostgreSQL",
            )
        return url
    return URL.create("sqlite", database=str(Path(url_or_path).expanduser()))


def where(url: URL) -> str:
    """The database as a message names it: the file, or the URL without its password."""
    if url.get_backend_name() == "sqlite":
        return str(url.database)
    return url.render_as_string(hide_password=True)


def make_engine(url: URL) -> Engine:
    """An engine with our ways of beginning transactions. The file's folder is made. Raises StoreUnusable."""
    engine = _sqlite_engine(url) if url.get_backend_name() == "sqlite" else _postgresql_engine(url)
    event.listen(engine, "after_cursor_execute", _note_writes)
    return engine


def _postgresql_engine(url: URL) -> Engine:
    try:
        engine = create_engine(url, pool_pre_ping=True)
    except (NoSuchModuleError, ImportError) as error:
        raise StoreUnusable(
            where(url), "the PostgreSQL driver is not installed", "install gritledger[postgresql]"
        ) from error
    event.listen(engine, "begin", _begin_postgresql)
    return engine


def _sqlite_engine(url: URL) -> Engine:
    if not url.database or url.database == ":memory:":
        raise StoreUnusable(
            "The database", "has no file", "name a file, such as sqlite:////home/me/gritledger.db"
        )
    path = Path(url.database)
    try:
        # The folder holds where somebody rides: for its owner alone, if it is ours to make.
        path.parent.mkdir(mode=FOLDER, parents=True, exist_ok=True)
        if path.parent.is_dir() and os.access(path.parent, os.W_OK):
            touch_private(path)  # SQLite gives its journals the rights of the file
    except OSError as error:
        raise StoreUnusable(
            str(path), f"its folder cannot be made ({error.strerror})", "choose another data folder"
        ) from error
    engine = create_engine(url, connect_args={"timeout": BUSY_S})
    event.listen(engine, "connect", _connect_sqlite)
    event.listen(engine, "begin", _begin_sqlite)
    return engine


def _connect_sqlite(connection: sqlite3.Connection, record: object) -> None:
    del record
    connection.isolation_level = None  # the driver's own BEGIN comes too late and too weak
    _use_wal(connection)
    connection.create_function("lower", 1, _folded, deterministic=True)  # its own knows A to Z alone
    connection.execute("PRAGMA foreign_keys = ON")
    connection.execute("PRAGMA synchronous = FULL")  # a committed fact survives a power cut


def _folded(text: str | None) -> str | None:
    return None if text is None else text.casefold()


def _use_wal(connection: sqlite3.Connection) -> None:
    """Switch to WAL; the switch itself does not wait for other connections, so we do."""
    give_up = time.monotonic() + BUSY_S
    while True:
        try:
            connection.execute("PRAGMA journal_mode = WAL")
            return
        except sqlite3.OperationalError as error:
            if "locked" not in str(error) or time.monotonic() > give_up:
                raise
            time.sleep(0.02)


def _note_writes(
    connection: Connection, cursor: Any, _statement: str, _values: Any, context: Any, _many: bool
) -> None:
    if context is not None and (context.isinsert or context.isupdate or context.isdelete) and cursor.rowcount:
        connection.info[WROTE] = True


def _begin_sqlite(connection: Connection) -> None:
    options = connection.get_execution_options()
    migrating, writing = options.get(MIGRATING, False), options.get(WRITING, False)
    # A table rebuilt under foreign keys takes its children along; inside a transaction it is too late.
    connection.exec_driver_sql(f"PRAGMA foreign_keys = {'OFF' if migrating else 'ON'}")
    connection.exec_driver_sql(f"PRAGMA query_only = {'OFF' if writing or migrating else 'ON'}")
    connection.exec_driver_sql("BEGIN IMMEDIATE" if writing or migrating else "BEGIN DEFERRED")


def _begin_postgresql(connection: Connection) -> None:
    options = connection.get_execution_options()
    household: int | None = options.get(HOUSEHOLD)
    if options.get(WRITING, False) or options.get(MIGRATING, False):
        connection.exec_driver_sql(f"SET LOCAL lock_timeout = {int(BUSY_S * 1000)}")
        lock = f"{WRITE_LOCK}" if household is None else f"{WRITE_LOCK}, {household:d}"
        connection.exec_driver_sql(f"SELECT pg_advisory_xact_lock({lock})")
    else:
        connection.exec_driver_sql("SET TRANSACTION ISOLATION LEVEL REPEATABLE READ READ ONLY")
    if household is not None:
        # For this transaction alone: the pool's next borrower must not be somebody else by mistake.
        connection.exec_driver_sql(f"SELECT set_config('{HOUSEHOLD_SETTING}', '{household:d}', true)")


def alone_with_what_is_shared(connection: Connection) -> None:
    """Wait for other households that write what all of a club share; at home nobody else writes."""
    if connection.get_execution_options().get(HOUSEHOLD) is not None:
        connection.exec_driver_sql(f"SELECT pg_advisory_xact_lock({WRITE_LOCK}, 0)")


@contextmanager
def plain_errors(url: URL, *, reading: bool = False) -> Iterator[None]:
    """Turn a database's errors into ours: StoreBusy, StoreUnusable, FactRefused.

    reading: a refused write is then the program's mistake, not the disk's.
    """
    try:
        yield
    except IntegrityError as error:
        raise FactRefused(f"That cannot be kept: {_constraint(error)}.") from error
    except DBAPIError as error:
        if reading and _is_refused_write(error.orig):
            raise TypeError("This transaction only reads; write inside store.writing().") from error
        raise _plain(url, error) from error
    except StatementError as error:
        if isinstance(error.orig, ValueError) and "timezone" in str(error.orig):
            raise FactRefused(
                "A time that does not say its time zone cannot be kept; give an aware one."
            ) from error
        raise
    except sqlite3.Error as error:
        raise _plain_sqlite(url, error) from error


def _is_refused_write(error: object) -> bool:
    return (
        getattr(error, "sqlite_errorcode", None) == sqlite3.SQLITE_READONLY
        or getattr(error, "sqlstate", None) == "25006"
    )


def _constraint(error: IntegrityError) -> str:
    diagnostic = getattr(error.orig, "diag", None)
    if diagnostic is not None and diagnostic.message_primary:
        return str(diagnostic.message_primary)
    return str(error.orig)


def _plain(url: URL, error: DBAPIError) -> Exception:
    original: Any = error.orig
    if isinstance(original, sqlite3.Error):
        return _plain_sqlite(url, original)
    if getattr(original, "sqlstate", None) in _POSTGRES_BUSY:
        return StoreBusy(str(original))
    if getattr(original, "sqlstate", None) == "42501":  # insufficient privilege
        first_line = (str(original).splitlines() or ["not allowed"])[0]
        return StoreUnusable(where(url), first_line, "sign in as the role that this database was made for")
    if isinstance(error, OperationalError):
        first_line = (str(original).splitlines() or ["no answer"])[0]
        return StoreUnusable(where(url), first_line, "check that the server runs and that the URL is right")
    return error


def _plain_sqlite(url: URL, error: sqlite3.Error) -> Exception:
    code = getattr(error, "sqlite_errorcode", 0) & 0xFF
    if code in (sqlite3.SQLITE_BUSY, sqlite3.SQLITE_LOCKED):
        return StoreBusy(str(error))
    known = {
        sqlite3.SQLITE_FULL: (
            "the disk is full",
            "make room and try again; what was being written was left out whole",
        ),
        sqlite3.SQLITE_NOTADB: ("is not a database of ours", "move it away, or name another file"),
        sqlite3.SQLITE_CORRUPT: ("is damaged", "put back a copy, or move it away and import the files again"),
        sqlite3.SQLITE_CANTOPEN: (
            "cannot be opened",
            "check that the folder is there and that you may write to it",
        ),
        sqlite3.SQLITE_READONLY: ("may not be written to", "check its permissions, and those of its folder"),
        # A disk so full that not even the journal fits ends here too, not at SQLITE_FULL.
        sqlite3.SQLITE_IOERR: (
            "the disk is full or does not answer",
            "make room, or check the disk; what was being written was left out whole",
        ),
        sqlite3.SQLITE_PERM: ("may not be opened", "check its permissions"),
    }
    if code not in known:
        return error
    why, try_this = known[code]
    return StoreUnusable(where(url), why, try_this)


@contextmanager
def begun(engine: Engine, **how: Any) -> Iterator[Connection]:
    """A connection in a transaction; how: WRITING, MIGRATING, HOUSEHOLD."""
    with engine.connect().execution_options(**how) as connection, connection.begin():
        yield connection


def run(connection: Connection, sql: str, **values: Any) -> CursorResult[*tuple[Any, ...]]:
    """The database's answer to SQL of our own; values: what stands in it as :name."""
    return connection.execute(text(sql), values)


def rows_of(connection: Connection, query: str) -> list[tuple[Any, ...]]:
    """The rows of a plain query: for pragmas and the server's own tables."""
    return [tuple(row) for row in run(connection, query)]


def quoted(name: str) -> str:
    """A table's, a column's or a role's name as SQL writes it."""
    return '"' + name.replace('"', '""') + '"'
