"""Files become rides on bikes.

    paths | read and summarise (all cores) | known? same outing? which bike? | one transaction a batch

Reading is done in other processes when there is a lot of it; deciding and storing happen here, in order.
A kill in the middle loses at most the batch in hand, and the next run takes those files again.
"""

from __future__ import annotations

import hashlib
import multiprocessing
import os
import threading
from collections import deque
from collections.abc import Callable, Iterable, Iterator, Sequence
from concurrent.futures import Future, ProcessPoolExecutor
from concurrent.futures.process import BrokenProcessPool
from dataclasses import dataclass, replace
from datetime import datetime
from enum import StrEnum
from itertools import islice
from pathlib import Path
from typing import Any

from ingest.bikes import RideClues, clues_of
from ingest.errors import NotARide, UnreadableFile
from ingest.folder import scan
from ingest.reader import read
from ingest.same_ride import same_outing
from ingest.summary import RideSummary, summarise
from ingest.unpack import members
from rules.vocabulary import RideId, Rider, RiderId
from services.store import Store, Transaction
from services.which_bike import Judge

IN_PROCESS_UP_TO = 12  # files; starting other processes costs more than reading so few
BATCH = 64  # files a transaction: few enough that a kill loses little, many enough that commits cost nothing


class Outcome(StrEnum):
    """What became of a file."""

    NEW = "new ride"
    DAMAGED = "new ride, from a damaged file"
    SAME_OUTING = "an outing already here"
    KNOWN = "already read"
    NOT_A_RIDE = "not a ride"
    UNREADABLE = "unreadable"
    WHOSE = "whose ride is it?"


@dataclass(frozen=True, slots=True)
class FileOutcome:
    """One file, or one member of an archive, and what became of it."""

    name: str
    outcome: Outcome
    why: str = ""
    try_this: str = ""
    ride: RideId | None = None


@dataclass(frozen=True, slots=True)
class ToRead:
    """A file to be read, and whose it is as far as its place tells."""

    path: Path
    rider: RiderId | None
    said_ride: bool = False  # the rider's word that it was a bicycle ride, whatever the file says


@dataclass(frozen=True, slots=True)
class _Member:
    name: str
    sha256: str
    size: int
    summary: RideSummary | None = None
    clues: RideClues | None = None
    trouble: UnreadableFile | None = None
    opened: bool = True


@dataclass(frozen=True, slots=True)
class _ReadFile:
    asked: ToRead
    size: int
    mtime: float
    members: tuple[_Member, ...]


def ride_files(paths: Iterable[Path]) -> list[Path]:
    """Every file at or below these paths, in a stable order; hidden and half-written ones left alone.

    Raises UnreadableFile for a path that does not exist.
    """
    found: list[Path] = []
    for path in paths:
        if path.is_dir():
            found += sorted(scan(path))
        elif path.is_file():
            found.append(path)
        else:
            raise UnreadableFile(
                str(path), "there is no such file or folder", "check the path and its spelling"
            )
    return list(dict.fromkeys(found))


def whose(path: Path, riders: Sequence[Rider], named: RiderId | None = None) -> RiderId | None:
    """Whose ride a file is: as told, else the rider a folder above it is named after, else the only rider."""
    if named is not None:
        return named
    by_name = {rider.name.casefold(): rider.id for rider in riders}
    for folder in path.parents:
        if folder.name.casefold() in by_name:
            return by_name[folder.name.casefold()]
    return riders[0].id if len(riders) == 1 else None


def import_files(
    store: Store,
    files: Sequence[ToRead],
    *,
    now: datetime,
    on_progress: Callable[[FileOutcome], None] = lambda _: None,
) -> list[FileOutcome]:
    """Read files into the ledger; each gets an outcome, and none stops the others.

    A file already read (same place, size and time; or same content under any name) is passed over, but for
    one that was refused as no ride and is now said to be one.
    """
    outcomes: list[FileOutcome] = []
    unknown: list[ToRead] = []
    with store.reading() as tx:
        for file in files:
            try:
                known = tx.files.is_known_path(*_stamp(file.path)) and not file.said_ride
            except OSError:
                outcomes.append(
                    FileOutcome(str(file.path), Outcome.UNREADABLE, "it is gone", "drop it again")
                )
                continue
            if known:
                outcomes.append(FileOutcome(str(file.path), Outcome.KNOWN))
            else:
                unknown.append(file)
        judge = Judge(tx) if unknown else None
    for outcome in outcomes:
        on_progress(outcome)

    for batch in _batches(_read_all(unknown, now), BATCH):
        assert judge is not None
        with store.writing() as tx:
            stored = [one for file in batch for one in _store(tx, judge, file, now)]
        outcomes += stored
        for outcome in stored:
            on_progress(outcome)
    return outcomes


def _stamp(path: Path) -> tuple[str, int, float]:
    status = path.stat()
    return str(path), status.st_size, status.st_mtime


def _read_all(files: Sequence[ToRead], now: datetime) -> Iterator[_ReadFile]:
    """Read files in order, in other processes when there are many; only a few results are held at a time."""
    if len(files) <= IN_PROCESS_UP_TO:
        for file in files:
            yield _read_one(file, now)
        return
    workers = os.cpu_count() or 1
    ahead: deque[tuple[ToRead, Future[_ReadFile]]] = deque()
    pool = _processes(workers)
    try:
        to_submit = iter(files)
        while True:
            for file in islice(to_submit, 4 * workers - len(ahead)):
                ahead.append((file, pool.submit(_read_one, file, now)))
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


def _read_alone(file: ToRead, now: datetime) -> _ReadFile:
    """Read one file in a process of its own; a file that kills it is unreadable, and says so."""
    with _processes(1) as pool:
        try:
            return pool.submit(_read_one, file, now).result()
        except BrokenProcessPool:
            name, size, mtime = _stamp(file.path)
            trouble = UnreadableFile(
                name,
                "the process that read it was ended by the system",
                "free some memory, or leave the file out",
            )
            member = _Member(name, _digest_of_file(file.path), size, trouble=trouble)
            return _ReadFile(file, size, mtime, (member,))


def _read_one(file: ToRead, now: datetime) -> _ReadFile:
    """Read one file and summarise what is in it. Never raises for what a file may contain."""
    name, size, mtime = str(file.path), 0, 0.0
    found: list[_Member] = []
    troubles: list[UnreadableFile] = []
    try:
        name, size, mtime = _stamp(file.path)
        for member_name, data in members(file.path, name, on_trouble=troubles.append):
            found.append(_read_member(member_name, data, file, now))
        found += [_Member(t.path, _digest_of_words(t.path, size, mtime), 0, trouble=t) for t in troubles]
    except UnreadableFile as unreadable:
        found.append(_Member(name, _digest_of_file(file.path), size, trouble=unreadable))
    except OSError as error:
        why = f"it could not be opened ({error.strerror})"
        trouble = UnreadableFile(name, why, "check that it is there and that you may read it")
        found.append(_Member(name, _digest_of_words(name, size, mtime), size, trouble=trouble, opened=False))
    return _ReadFile(file, size, mtime, tuple(found))


def _read_member(name: str, data: bytes, file: ToRead, now: datetime) -> _Member:
    digest = hashlib.sha256(data).hexdigest()
    try:
        recording = read(data, name)
        summary = summarise(recording, now=now, said_ride=file.said_ride)
        clues = clues_of(recording, summary, file.rider) if file.rider is not None else None
        return _Member(name, digest, len(data), summary, clues)
    except UnreadableFile as trouble:
        return _Member(name, digest, len(data), trouble=trouble)


def _digest_of_file(path: Path) -> str:
    with path.open("rb") as file:
        return hashlib.file_digest(file, "sha256").hexdigest()


def _digest_of_words(name: str, size: int, mtime: float) -> str:
    """Stands in for a digest where the bytes cannot be had: the same trouble is told once."""
    return hashlib.sha256(f"{name} {size} {mtime}".encode(errors="surrogateescape")).hexdigest()


def _store(tx: Transaction, judge: Judge, file: _ReadFile, now: datetime) -> Iterator[FileOutcome]:
    settled = True
    for member in file.members:
        outcome = _store_member(tx, judge, member, file.asked, now)
        settled = settled and outcome.outcome is not Outcome.WHOSE and member.opened
        yield outcome
    if settled:
        tx.files.record_path(str(file.asked.path), file.size, file.mtime)


def _store_member(
    tx: Transaction, judge: Judge, member: _Member, asked: ToRead, now: datetime
) -> FileOutcome:
    rider = asked.rider
    seen = tx.files.seen(member.sha256)
    if seen is not None and not (asked.said_ride and seen.outcome == Outcome.NOT_A_RIDE):
        return FileOutcome(member.name, Outcome.KNOWN, ride=seen.ride)
    if member.trouble is not None:
        kind = Outcome.NOT_A_RIDE if isinstance(member.trouble, NotARide) else Outcome.UNREADABLE
        outcome = FileOutcome(member.name, kind, member.trouble.why, member.trouble.try_this)
    elif rider is None or member.clues is None:
        # Not recorded as seen: once the rider is known, the next round takes it.
        return FileOutcome(
            member.name,
            Outcome.WHOSE,
            "there are several riders, and nothing says whose this is",
            "name the rider (--rider), or keep the file in a folder with the rider's name",
        )
    else:
        assert member.summary is not None
        # A file without a title is known to its rider by its name.
        titled = replace(member.summary, title=member.summary.title or Path(member.name).stem)
        outcome = _store_ride(tx, judge, member.name, titled, member.clues, rider, now)
    tx.files.record(
        sha256=member.sha256,
        name=member.name,
        size=member.size,
        seen_at=now,
        outcome=outcome.outcome,
        why=outcome.why,
        try_this=outcome.try_this,
        ride=outcome.ride,
    )
    return outcome


def _store_ride(
    tx: Transaction,
    judge: Judge,
    name: str,
    summary: RideSummary,
    clues: RideClues,
    rider: RiderId,
    now: datetime,
) -> FileOutcome:
    for other in tx.rides.overlapping(rider, summary.started_at, summary.ended_at):
        verdict = same_outing(tx.rides.outing(other.id), summary, same_rider=True)
        if verdict.same:
            tx.rides.add_second_recording(
                other.id,
                summary,
                keep_new=verdict.keep == "second",
                because=verdict.because,
                at=now,
                file_name=name,
                clues=clues.to_json(),
            )
            return FileOutcome(name, Outcome.SAME_OUTING, "; ".join(verdict.because), "", other.id)
    ride = tx.rides.add(summary, rider, file_name=name, clues=clues.to_json())
    judge.decide(tx, ride, clues, now)
    if summary.damage:
        return FileOutcome(
            name, Outcome.DAMAGED, "; ".join(summary.damage), "copy it from the device again", ride
        )
    return FileOutcome(name, Outcome.NEW, ride=ride)


def _batches(items: Iterable[Any], size: int) -> Iterator[list[Any]]:
    batch: list[Any] = []
    for item in items:
        batch.append(item)
        if len(batch) == size:
            yield batch
            batch = []
    if batch:
        yield batch
