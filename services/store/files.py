"""Files seen: what became of each, so that none is read twice and none vanishes silently."""

from __future__ import annotations

from collections.abc import Collection, Iterable, Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Any, TypedDict, Unpack

from sqlalchemy import ColumnElement, func, or_, select

from rules.vocabulary import RideId
from services.store.repository import Repository, storable
from services.store.rows_of_facts import Shape
from services.store.tables import file_path
from services.store.tables_rides import file_seen

AT_ONCE = 500  # values in one statement: every database takes that many
Stamp = tuple[str, int, float]  # a file's path, size [bytes] and modification time [Unix s]


@dataclass(frozen=True, slots=True)
class FileRecord:
    """What became of a file, or of one member of an archive ("archive.zip > member").

    outcome: a word of the importer's.  why, try_this: for the person who dropped it, "" when all is well.
    """

    sha256: str
    name: str
    size: int
    seen_at: datetime
    outcome: str
    why: str = ""
    try_this: str = ""
    ride: RideId | None = None


_FILE = Shape(FileRecord, file_seen, called={"size": "size_bytes"})


class SoughtFiles(TypedDict, total=False):
    """Which files are looked for: by default all.

    outcomes: became one of these.  but: became none of these.  since: seen from then on.  text: of the name,
    or of what was wrong, whatever case.
    """

    outcomes: Collection[str]
    but: Collection[str]
    since: datetime
    text: str


class Files(Repository):
    """Files by content, and paths by size and time."""

    def record(self, one: FileRecord) -> None:
        """Keep what became of a file. Known bytes get the new outcome: a later version may read them."""
        known = self._connection.scalar(select(file_seen.c.id).where(file_seen.c.sha256 == one.sha256))
        if known is None:
            self._insert(file_seen, **_values(one))
        else:
            self._update(file_seen, known, **_values(one))

    def seen_of(self, digests: Iterable[str]) -> dict[str, FileRecord]:
        """What became of each of these bytes, for those that were seen before."""
        found: dict[str, FileRecord] = {}
        wanted = list(dict.fromkeys(digests))
        for first in range(0, len(wanted), AT_ONCE):
            query = select(*_FILE.columns).where(file_seen.c.sha256.in_(wanted[first : first + AT_ONCE]))
            found.update((one.sha256, one) for one in self._made(_FILE, query))
        return found

    def record_new(self, records: Sequence[FileRecord]) -> None:
        """Keep what became of many files whose bytes were never seen before, all at once."""
        self._insert_many(file_seen, [_values(one) for one in records])

    def outcomes(
        self, *, limit: int | None = None, offset: int = 0, **sought: Unpack[SoughtFiles]
    ) -> tuple[FileRecord, ...]:
        """The files that are looked for, newest first; `limit` of them."""
        query = select(*_FILE.columns).where(*_conditions(**sought))
        newest_first = (file_seen.c.seen_at.desc(), file_seen.c.id.desc())
        query = query.order_by(*newest_first).limit(2**31 - 1 if limit is None else limit).offset(offset)
        return self._made(_FILE, query)

    def counted(self, **sought: Unpack[SoughtFiles]) -> dict[str, int]:
        """How many of these files became what, by outcome."""
        query = select(file_seen.c.outcome, func.count()).where(*_conditions(**sought))
        rows = self._all(query.group_by(file_seen.c.outcome).order_by(file_seen.c.outcome))
        return {row[0]: row[1] for row in rows}

    def files_of(self, ride: RideId) -> tuple[FileRecord, ...]:
        """The files a ride came from, first seen first."""
        query = select(*_FILE.columns).where(file_seen.c.ride == ride).order_by(file_seen.c.id)
        return self._made(_FILE, query)

    def known_of(self, stamps: Iterable[Stamp]) -> set[Stamp]:
        """Which of these files were read already?"""
        wanted = {storable(stamp[0]): stamp for stamp in stamps}
        paths, found = list(wanted), set()
        for first in range(0, len(paths), AT_ONCE):
            query = select(file_path.c.path, file_path.c.size_bytes, file_path.c.mtime_s)
            for path, *kept in self._all(query.where(file_path.c.path.in_(paths[first : first + AT_ONCE]))):
                if tuple(kept) == wanted[path][1:]:
                    found.add(wanted[path])
        return found

    def forget_paths_of(self, outcomes: Iterable[str]) -> int:
        """Let files that had these outcomes be read again when they are met; returns how many."""
        query = select(file_seen.c.name).where(file_seen.c.outcome.in_([str(one) for one in outcomes]))
        paths = list(dict.fromkeys(name.split(" > ")[0] for name in self._connection.scalars(query)))
        for first in range(0, len(paths), AT_ONCE):
            several = paths[first : first + AT_ONCE]
            self._connection.execute(file_path.delete().where(file_path.c.path.in_(several)))
        return len(paths)

    def known_paths(self) -> dict[str, tuple[int, float]]:
        """Every path read, with its size [bytes] and modification time [Unix s] at that moment."""
        rows = self._all(select(file_path.c.path, file_path.c.size_bytes, file_path.c.mtime_s))
        return {path: (size, mtime_s) for path, size, mtime_s in rows}

    def record_paths(self, read: Iterable[tuple[str, int, float]]) -> None:
        """The files at these paths, each with this size [bytes] and time [Unix s], have been read."""
        last = {storable(path): (size, mtime_s) for path, size, mtime_s in read}
        rows = [
            {"path": path, "size_bytes": size, "mtime_s": time_s} for path, (size, time_s) in last.items()
        ]
        known: set[str] = set()
        for first in range(0, len(rows), AT_ONCE):
            paths = [row["path"] for row in rows[first : first + AT_ONCE]]
            query = select(file_path.c.path).where(file_path.c.path.in_(paths))
            known.update(self._connection.scalars(query))
        for row in rows:
            if row["path"] in known:
                self._connection.execute(
                    file_path.update().where(file_path.c.path == row["path"]).values(**row)
                )
        self._insert_many(file_path, [row for row in rows if row["path"] not in known])


def _conditions(**sought: Unpack[SoughtFiles]) -> Iterable[ColumnElement[bool]]:
    if outcomes := sought.get("outcomes"):
        yield file_seen.c.outcome.in_([str(one) for one in outcomes])
    if but := sought.get("but"):
        yield file_seen.c.outcome.not_in([str(one) for one in but])
    if (since := sought.get("since")) is not None:
        yield file_seen.c.seen_at >= since
    if text := sought.get("text"):
        yield or_(
            file_seen.c.name.icontains(text, autoescape=True),
            file_seen.c.why.icontains(text, autoescape=True),
        )


def _values(one: FileRecord) -> dict[str, Any]:
    return _FILE.values(one) | {"name": storable(one.name)}
