"""Reading files, always in other processes, one for each core when there are many.

Nothing a file may hold ends more than its own reading: each has a budget of time and memory, and a reader
that the system ends is replaced, its files read again one by one.
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
from contextlib import nullcontext
from dataclasses import dataclass
from datetime import datetime
from functools import cache
from itertools import islice
from multiprocessing.context import BaseContext
from pathlib import Path

from ingest.bikes.ride_clues import RideClues, clues_of
from ingest.errors import NotNow, UnreadableFile
from ingest.files.process_memory import keep_memory
from ingest.files.reader import recordings_in
from ingest.files.time_and_memory import within_budget
from ingest.files.unpack import members
from ingest.ride.recording import Recording
from ingest.ride.summary import RideSummary, summarise
from rules.vocabulary import RiderId

PATIENCE_S = 120.0  # by the wall clock: ten times what any file may take, and a disk that stands still ends
# What a reader needs, loaded once in the process that readers are forked from.
_READING = (
    "ingest.files.process_memory",
    "ingest.files.read_pool",
    "ingest.fit.fast_reader",
    "ingest.fit.recording",
    "ingest.gpx.contents",
    "ingest.gpx.stream",
)
# No reader could be started: what they are forked from was killed meanwhile, or there is no room for another.
NO_READER = (EOFError, OSError)
FEWEST_FILES_A_READER = 2  # starting another costs as much as reading several


@dataclass(frozen=True, slots=True)
class ToRead:
    """A file to be read, and whose it is as far as its place tells."""

    path: Path
    rider: RiderId | None
    said_ride: bool = False  # the rider's word that it was a bicycle ride, whatever the file says
    again: bool = False  # asked for by its rider: read whatever was said of it before, without a budget


@dataclass(frozen=True, slots=True)
class Member:
    """A file, or one member of an archive, as it was read."""

    name: str
    sha256: str
    size: int
    summary: RideSummary | None = None
    clues: RideClues | None = None
    trouble: UnreadableFile | None = None

    @property
    def waits(self) -> bool:
        """Whether this machine could not read it now, which says nothing about the file."""
        return isinstance(self.trouble, NotNow)


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
    """Read files in order, in other processes; only a few results are held at a time."""
    if not files:
        return
    workers = min(os.cpu_count() or 1, -(-len(files) // FEWEST_FILES_A_READER))
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
                yield future.result(None if file.again else PATIENCE_S)
            except (BrokenProcessPool, TimeoutError):
                # One of the files in hand killed or held up its reader: each is read alone, so only that one
                # suffers.
                _ended(pool)
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
    except (BrokenProcessPool, *NO_READER) as broken:
        failed: Future[ReadFile] = Future()
        failed.set_exception(BrokenProcessPool(str(broken)))
        return failed


def _ended(pool: ProcessPoolExecutor) -> None:
    """End a pool and its readers, those too that wait for a disk that does not answer."""
    for process in list((pool._processes or {}).values()):  # there is no public way to end them
        process.kill()
    pool.shutdown(wait=False, cancel_futures=True)


def _processes(workers: int) -> ProcessPoolExecutor:
    return ProcessPoolExecutor(workers, mp_context=_context(), initializer=_begin)


@cache
def _context() -> BaseContext:
    """Where it can be, readers are forked from one process that has loaded what they need."""
    if "forkserver" not in multiprocessing.get_all_start_methods():
        return multiprocessing.get_context("spawn")
    context = multiprocessing.get_context("forkserver")
    context.set_forkserver_preload(list(_READING))
    return context


def _begin() -> None:
    keep_memory()
    _end_with_parent()


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
    pool = _processes(1)
    try:
        return pool.submit(_read_one, file, now).result(None if file.again else PATIENCE_S)
    except TimeoutError:
        why, try_this = f"nothing came of reading it for {PATIENCE_S:.0f} s", "check the disk it lies on"
    except (BrokenProcessPool, *NO_READER):
        why, try_this = "the process that read it was ended by the system", "free some memory"
    finally:
        _ended(pool)
    try:
        name, size, mtime = stamp(file.path)
    except OSError as error:
        name, size, mtime = str(file.path), 0, 0.0
        why, try_this = f"it could not be opened ({error.strerror})", "check that it is there"
    return ReadFile(file, size, mtime, (_not_opened(name, size, mtime, why, try_this),))


def _not_opened(name: str, size: int, mtime: float, why: str, try_this: str) -> Member:
    return Member(name, _digest_of_words(name, size, mtime), size, trouble=NotNow(name, why, try_this))


def _read_one(file: ToRead, now: datetime) -> ReadFile:
    """Read one file and summarise what is in it. Never raises for what a file may contain."""
    name, size, mtime = str(file.path), 0, 0.0
    found: list[Member] = []
    troubles: list[UnreadableFile] = []
    try:
        name, size, mtime = stamp(file.path)
        for member_name, data in members(file.path, name, on_trouble=troubles.append):
            found += _read_member(member_name, data, file, now)
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


def _read_member(name: str, data: bytes, file: ToRead, now: datetime) -> list[Member]:
    """One file, or the rides of it where they lie days apart: each is a member of its own."""
    digest = hashlib.sha256(data).hexdigest()
    try:
        with nullcontext() if file.again else within_budget(name, len(data)):
            recordings = recordings_in(data, name)
            return [
                _member(one, digest if place == 1 else _digest_of_ride(digest, place), len(data), file, now)
                for place, one in enumerate(recordings, 1)
            ]
    except UnreadableFile as trouble:
        return [Member(name, digest, len(data), trouble=trouble)]


def _member(recording: Recording, digest: str, size: int, file: ToRead, now: datetime) -> Member:
    try:
        summary = summarise(recording, now=now, said_ride=file.said_ride)
    except UnreadableFile as trouble:
        return Member(recording.file_name, digest, size, trouble=trouble)
    clues = clues_of(recording, summary, file.rider) if file.rider is not None else None
    return Member(recording.file_name, digest, size, summary, clues)


def _digest_of_file(path: Path) -> str:
    with path.open("rb") as file:
        return hashlib.file_digest(file, "sha256").hexdigest()


def _digest_of_ride(digest: str, place: int) -> str:
    """Of a further ride in the file with this digest."""
    return hashlib.sha256(f"{digest} ride {place}".encode()).hexdigest()


def _digest_of_words(name: str, size: int, mtime: float) -> str:
    """Stands in for a digest where the bytes cannot be had: the same trouble is told once."""
    return hashlib.sha256(f"{name} {size} {mtime}".encode(errors="surrogateescape")).hexdigest()
