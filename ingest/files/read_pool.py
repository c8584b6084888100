"""Reading many files: in this process when they are few, in others, one for each core, when there are many.

Nothing a file may hold ends more than its own reading: a reader that the system ends is replaced, and its
files are read again one by one.
"""

from __future__ import annotations

import hashlib
import multiprocessing
import os
import threading
from collections import deque
from collections.abc import Iterator, Sequence
from concurrent.futures import Future, ProcessPoolExecutor
from concurrent.futures.process import BrokenProcessPool
from dataclasses import dataclass
from datetime import datetime
from itertools import islice
from pathlib import Path

from ingest.bikes.judge import RideClues, clues_of
from ingest.errors import UnreadableFile
from ingest.files.reader import read
from ingest.files.unpack import members
from ingest.ride.summary import RideSummary, summarise
from rules.vocabulary import RiderId

IN_PROCESS_UP_TO = 12  # files; starting other processes costs more than reading so few


@dataclass(frozen=True, slots=True)
class ToRead:
    """A file to be read, and whose it is as far as its place tells."""

    path: Path
    rider: RiderId | None
    said_ride: bool = False  # the rider's word that it was a bicycle ride, whatever the file says


@dataclass(frozen=True, slots=True)
class Member:
    """A file, or one member of an archive, as it was read.

    opened: False = this machine could not read it now, which says nothing about the file; its digest then
    stands for name, size and time alone.
    """

    name: str
    sha256: str
    size: int
    summary: RideSummary | None = None
    clues: RideClues | None = None
    trouble: UnreadableFile | None = None
    opened: bool = True


@dataclass(frozen=True, slots=True)
class ReadFile:
    """A file with all its members, its size [bytes] and time [Unix s] when it was read."""

    asked: ToRead
    size: int
    mtime: float
    members: tuple[Member, ...]


def stamp(path: Path) -> tuple[str, int, float]:
    """A file's path, size [bytes] and modification time [Unix s]. Raises OSError."""
    status = path.stat()
    return str(path), status.st_size, status.st_mtime


def read_all(files: Sequence[ToRead], now: datetime) -> Iterator[ReadFile]:
    """Read files in order, in other processes when there are many; only a few results are held at a time."""
    if len(files) <= IN_PROCESS_UP_TO:
        for file in files:
            yield _read_one(file, now)
        return
    workers = os.cpu_count() or 1
    ahead: deque[tuple[ToRead, Future[ReadFile]]] = deque()
    pool = _processes(workers)
    try:
        to_submit = iter(files)
        while True:
            for file in islice(to_submit, 4 * workers - len(ahead)):
                ahead.append((file, _submitted(pool, file, now)))
            if not ahead:
                return
            file, future = ahead.popleft()
            try:
                yield future.result()
            except BrokenProcessPool:
                # One of the files in hand killed its reader: each is read alone, so only that one suffers.
                pool.shutdown(wait=False, cancel_futures=True)
                for suspect in (file, *(one for one, _ in ahead)):
                    yield _read_alone(suspect, now)
                ahead.clear()
                pool = _processes(workers)
    finally:
        pool.shutdown(wait=False, cancel_futures=True)


def _submitted(pool: ProcessPoolExecutor, file: ToRead, now: datetime) -> Future[ReadFile]:
    """The reading of a file, under way; one that failed at once where a reader was killed since the last."""
    try:
        return pool.submit(_read_one, file, now)
    except BrokenProcessPool as broken:
        failed: Future[ReadFile] = Future()
        failed.set_exception(broken)
        return failed


def _processes(workers: int) -> ProcessPoolExecutor:
    return ProcessPoolExecutor(
        workers, mp_context=multiprocessing.get_context("spawn"), initializer=_end_with_parent
    )


def _end_with_parent() -> None:
    """A reader whose parent was killed would wait for its next file for ever."""
    parent = multiprocessing.parent_process()
    if parent is None:
        return

    def end() -> None:
        parent.join()
        os._exit(1)

    threading.Thread(target=end, daemon=True).start()


def _read_alone(file: ToRead, now: datetime) -> ReadFile:
    """Read one file in a process of its own; one whose reader is ended again could not be read now."""
    with _processes(1) as pool:
        try:
            return pool.submit(_read_one, file, now).result()
        except BrokenProcessPool:
            why, try_this = "the process that read it was ended by the system", "free some memory"
            try:
                name, size, mtime = stamp(file.path)
            except OSError as error:
                name, size, mtime = str(file.path), 0, 0.0
                why, try_this = f"it could not be opened ({error.strerror})", "check that it is there"
            return ReadFile(file, size, mtime, (_not_opened(name, size, mtime, why, try_this),))


def _not_opened(name: str, size: int, mtime: float, why: str, try_this: str) -> Member:
    trouble = UnreadableFile(name, why, try_this)
    return Member(name, _digest_of_words(name, size, mtime), size, trouble=trouble, opened=False)


def _read_one(file: ToRead, now: datetime) -> ReadFile:
    """Read one file and summarise what is in it. Never raises for what a file may contain."""
    name, size, mtime = str(file.path), 0, 0.0
    found: list[Member] = []
    troubles: list[UnreadableFile] = []
    try:
        name, size, mtime = stamp(file.path)
        for member_name, data in members(file.path, name, on_trouble=troubles.append):
            found.append(_read_member(member_name, data, file, now))
        found += [Member(t.path, _digest_of_words(t.path, size, mtime), 0, trouble=t) for t in troubles]
    except (UnreadableFile, OSError) as error:
        found.append(_trouble_of(file.path, name, size, mtime, error))
    return ReadFile(file, size, mtime, tuple(found))


def _trouble_of(path: Path, name: str, size: int, mtime: float, error: UnreadableFile | OSError) -> Member:
    """What is wrong with the whole file; one that vanished while it was read could not be read now."""
    try:
        if isinstance(error, OSError):
            raise error
        return Member(name, _digest_of_file(path), size, trouble=error)
    except OSError as closed:
        why = f"it could not be opened ({closed.strerror})"
        return _not_opened(name, size, mtime, why, "check that it is there and that you may read it")


def _read_member(name: str, data: bytes, file: ToRead, now: datetime) -> Member:
    digest = hashlib.sha256(data).hexdigest()
    try:
        recording = read(data, name)
        summary = summarise(recording, now=now, said_ride=file.said_ride)
        clues = clues_of(recording, summary, file.rider) if file.rider is not None else None
        return Member(name, digest, len(data), summary, clues)
    except UnreadableFile as trouble:
        return Member(name, digest, len(data), trouble=trouble)


def _digest_of_file(path: Path) -> str:
    with path.open("rb") as file:
        return hashlib.file_digest(file, "sha256").hexdigest()


def _digest_of_words(name: str, size: int, mtime: float) -> str:
    """Stands in for a digest where the bytes cannot be had: the same trouble is told once."""
    return hashlib.sha256(f"{name} {size} {mtime}".encode(errors="surrogateescape")).hexdigest()
