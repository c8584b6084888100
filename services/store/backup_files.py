"""Copies of a SQLite ledger: whole at any moment, for their owner alone, looked through before they count.

The database is never copied as a file: what was committed last is in its journal beside it.
"""

from __future__ import annotations

import gzip
import hashlib
import os
import re
import shutil
import sqlite3
import time
import zlib
from collections.abc import Iterable, Iterator, Mapping, Sequence
from contextlib import closing, contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import IO, Final
from urllib.parse import quote

from services.store.errors import StoreUnusable
from services.store.private_files import touch_private

CHUNK: Final = 1 << 20
LEFT_OVER_AFTER_S: Final = 3600.0
_LEFT_OVER = re.compile(r"^gritledger-.*\.(plain(-wal|-shm)?|unfinished-\d+)$|^looked-at-\d+\.db")
_GZIP_MARK = b"\x1f\x8b"
# What a rider would miss, by the table that holds it.
COUNTED: Final = {
    "rider": "riders",
    "bike": "bikes",
    "chain": "chains",
    "ride": "recordings of rides",
    "treatment": "treatments",
    "reading": "readings",
    "change": "words of yours",
    "reminder": "reminders",
}


@dataclass(frozen=True, slots=True)
class Inside:
    """What a copy holds. schema None = none of ours. faults: what is wrong with it, in sentences."""

    schema: str | None
    rows: Mapping[str, int]  # by what they are to a rider
    faults: tuple[str, ...]


def copy_whole(database: Path, target: Path) -> None:
    """A compact copy of the database as it is at this moment; writers go on meanwhile.

    target: must not exist; it appears only once it is whole and on the disk. Raises StoreUnusable.
    """
    unfinished = target.with_name(f"{target.name}.unfinished-{os.getpid()}")
    try:
        touch_private(unfinished)
        with closing(sqlite3.connect(database)) as connection:
            connection.execute("VACUUM INTO ?", (str(unfinished),))
        settle(unfinished)
        unfinished.replace(target)
        settle(target.parent)
    except (OSError, sqlite3.Error) as error:
        raise StoreUnusable(
            str(database),
            f"could not be copied to {target} ({error})",
            "make room there, and see that it can be written to; the ledger itself was not touched",
        ) from error
    finally:
        unfinished.unlink(missing_ok=True)


def look_inside(database: Path, *, alone: bool = True) -> Inside:
    """What is in this database file, read in full, nothing of it written. Never raises for what it holds.

    alone: there is no journal beside it, and nobody writes to it.
    """
    how = "mode=ro&immutable=1" if alone else "mode=ro"
    faults: list[str] = []
    schema: str | None = None
    rows: dict[str, int] = {}
    try:
        with closing(sqlite3.connect(f"file:{quote(str(database))}?{how}", uri=True)) as connection:
            damage = [row[0] for row in connection.execute("PRAGMA integrity_check")]
            faults += faults_told(damage, connection.execute("PRAGMA foreign_key_check").fetchall())
            schema = connection.execute("SELECT version_num FROM alembic_version").fetchone()[0]
            there = {row[0] for row in connection.execute("SELECT name FROM sqlite_master")}
            for table, word in COUNTED.items():
                if table in there:  # an older schema has fewer
                    query = f'SELECT count(*) FROM "{table}"'  # noqa: S608 - a name of our own
                    rows[word] = connection.execute(query).fetchone()[0]
    except (sqlite3.Error, TypeError) as error:
        faults.append(f"It is no whole ledger of ours ({error}).")
    return Inside(schema, rows, tuple(faults))


def faults_told(checked: Iterable[object], orphans: Iterable[Sequence[object]]) -> tuple[str, ...]:
    """What SQLite's own checks found, in sentences. checked: "ok", or what is damaged."""
    return (
        *(f"The file is damaged: {one}." for one in checked if one != "ok"),
        *(f"A row of “{row[0]}” points to a missing row of “{row[2]}”." for row in orphans),
    )


def pack(database: Path, target: Path) -> None:
    """Pack a copy, and read the packed one back before it counts. Raises StoreUnusable."""
    unfinished = target.with_name(f"{target.name}.unfinished-{os.getpid()}")
    try:
        touch_private(unfinished)
        with (
            database.open("rb") as plain,
            unfinished.open("wb") as file,
            # No name and no time inside: the same ledger gives the same bytes.
            gzip.GzipFile("", "wb", 6, file, mtime=0) as packed,
        ):
            shutil.copyfileobj(plain, packed, CHUNK)
        settle(unfinished)
        with gzip.open(unfinished) as packed, database.open("rb") as plain:
            if _digest(packed) != _digest(plain):
                raise OSError("it reads back otherwise than it was written")
        unfinished.replace(target)
        settle(target.parent)
    except (OSError, EOFError, zlib.error) as error:
        raise StoreUnusable(
            str(target),
            f"could not be written ({error})",
            "make room there, or name another folder with --to",
        ) from error
    finally:
        unfinished.unlink(missing_ok=True)


@contextmanager
def unpacked(copy: Path, beside: Path) -> Iterator[Path]:
    """The copy as a plain database of its own in the folder `beside`, gone afterwards.

    A plain database file, its journal with it, will do as well. Raises StoreUnusable when it cannot be had.
    """
    plain = beside / f"looked-at-{os.getpid()}.db"
    try:
        with copy.open("rb") as file:
            is_packed = file.read(2) == _GZIP_MARK
        touch_private(plain)
        if is_packed:
            with gzip.open(copy) as packed, plain.open("wb") as file:
                shutil.copyfileobj(packed, file, CHUNK)
        else:
            with closing(sqlite3.connect(f"file:{quote(str(copy))}?mode=ro", uri=True)) as connection:
                connection.execute("VACUUM INTO ?", (str(plain),))
        settle(plain)
        yield plain
    except (OSError, EOFError, zlib.error, sqlite3.Error) as error:
        raise StoreUnusable(
            str(copy), f"cannot be read as a copy of a ledger ({error})", "choose another copy"
        ) from error
    finally:
        for name in (plain.name, f"{plain.name}-wal", f"{plain.name}-shm"):
            plain.with_name(name).unlink(missing_ok=True)


def put_in_place(plain: Path, database: Path, aside: Path) -> None:
    """Make this plain copy the ledger; what was there is kept in the folder `aside`, its journal with it.

    At every moment a whole ledger stands at its place: the old one, then the new. Nobody may have it open.
    """
    aside.mkdir(mode=0o700)
    journals = [database.with_name(f"{database.name}{end}") for end in ("-wal", "-shm")]
    try:
        # The old one takes its journal in, so that it is whole without it; a damaged one may not be able to.
        with closing(sqlite3.connect(database)) as connection:
            connection.execute("PRAGMA wal_checkpoint(TRUNCATE)")
    except sqlite3.Error:
        pass
    for path in (database, *journals):
        if path.exists():
            try:
                os.link(path, aside / path.name)
            except OSError:  # not on this kind of disk
                shutil.copy2(path, aside / path.name)
    for journal in journals:
        journal.unlink(missing_ok=True)
    plain.replace(database)
    settle(database.parent)


def tidy(folder: Path, *, older_than_s: float = LEFT_OVER_AFTER_S) -> None:
    """Delete what a copying that was killed has left in this folder.

    older_than_s: younger ones may be of a copying that is under way; 0 = nobody else copies into it.
    """
    for path in folder.glob("*"):
        if _LEFT_OVER.search(path.name) and time.time() - path.stat().st_mtime >= older_than_s:
            path.unlink(missing_ok=True)


def settle(path: Path) -> None:
    """Wait until a file, or a folder's list of names, is on the disk."""
    if os.name == "nt" and path.is_dir():
        return  # folders cannot be opened there
    handle = os.open(path, os.O_RDONLY)
    try:
        os.fsync(handle)
    finally:
        os.close(handle)


def _digest(file: IO[bytes] | gzip.GzipFile) -> bytes:
    return hashlib.file_digest(file, "sha256").digest()  # type: ignore[arg-type]
