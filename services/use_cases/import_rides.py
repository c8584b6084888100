"""Files become rides on bikes.

    paths | read and summarise (all cores) | known? same outing? | one transaction a batch | which bikes?

Reading is done in other processes when there is a lot of it; deciding and storing happen here, in order.
A kill in the middle loses at most the batch in hand, and the next run takes those files again. Bikes are
judged at the end, all rides by all rides; what a kill left unjudged, the next run or round judges.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import dataclass, replace
from datetime import datetime
from enum import StrEnum
from pathlib import Path
from typing import Any

from ingest.bikes.judge import RideClues
from ingest.errors import NotARide, OverBudget, UnreadableFile
from ingest.files.folder import scan
from ingest.files.read_pool import Member, ReadFile, ToRead, read_all, stamp
from ingest.files.reader import WAY_OF_READING
from ingest.ride.counted_recordings import CLOCK_ERRORS
from ingest.ride.summary import RideSummary
from rules.same_names import as_read
from rules.vocabulary import RideId, Rider, RiderId
from services.store import FileRecord, RideSpan, Store, Transaction
from services.store.bookkeeping import FILES_READ_BY
from services.store.files import Stamp
from services.store.job_queue import Job
from services.use_cases.judge_bikes import Move, judge_new_rides
from services.use_cases.reread_file import read_anew
from services.use_cases.second_recordings import KnownOutings

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
    NOT_READ_NOW = "could not be read now"
    TOO_MUCH = "takes too much to read"
    ANEW = "read anew as ride"


COUNTS_ANYWAY = "that is a guess, so they count; the lower of its figures is without them"
COPY_AGAIN = "copy it from the device again"
WAITS = frozenset({Outcome.WHOSE, Outcome.NOT_READ_NOW})
REFUSED = (Outcome.NOT_A_RIDE, Outcome.UNREADABLE, Outcome.TOO_MUCH)


@dataclass(frozen=True, slots=True)
class FileOutcome:
    """One file, or one member of an archive, and what became of it."""

    name: str
    outcome: Outcome
    why: str = ""
    try_this: str = ""
    ride: RideId | None = None

    @property
    def file(self) -> Path:
        """The file itself, for a member of an archive as well."""
        return Path(self.name.split(" > ")[0])


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
    by_name = {as_read(rider.name): rider.id for rider in riders}
    for folder in path.parents:
        if as_read(folder.name) in by_name:
            return by_name[as_read(folder.name)]
    return riders[0].id if len(riders) == 1 else None


def import_files(
    store: Store,
    files: Sequence[ToRead],
    *,
    now: datetime,
    on_progress: Callable[[FileOutcome], None] = lambda _: None,
    on_moved: Callable[[tuple[Move, ...]], None] = lambda _: None,
) -> list[FileOutcome]:
    """Read files into the ledger; each gets an outcome, and none stops the others.

    on_moved: told of earlier rides whose bike is now another.
    A file already read (same place, size and time; or same content under any name) is passed over, but for
    one that was refused and is said to be a ride, and for those asked for again: their rides are told anew.
    """
    outcomes: list[FileOutcome] = []
    unknown: list[ToRead] = []
    _try_again_after_an_upgrade(store, now)
    stamps = [_stamp_of(file.path) for file in files]
    with store.reading() as tx:
        known = tx.files.known_of(one for one in stamps if one is not None)
    for file, its_stamp in zip(files, stamps, strict=True):
        if its_stamp is None:
            outcomes.append(FileOutcome(str(file.path), Outcome.UNREADABLE, "it is gone", "drop it again"))
        elif its_stamp in known and not file.said_ride and not file.again:
            outcomes.append(FileOutcome(str(file.path), Outcome.KNOWN))
        else:
            unknown.append(file)
    for outcome in outcomes:
        on_progress(outcome)

    for batch in _batches(read_all(unknown, now), BATCH):
        with store.writing() as tx:
            stored = _Batch(tx, batch, now).stored()
            tx.later(Job.TAG)
        outcomes += stored
        for outcome in stored:
            on_progress(outcome)
    if moved := judge_new_rides(store, now):
        on_moved(moved)
    return outcomes


def _stamp_of(path: Path) -> Stamp | None:
    """Path, size and time of a file; None when it is gone."""
    try:
        return stamp(path)
    except OSError:
        return None


def _try_again_after_an_upgrade(store: Store, now: datetime) -> None:
    """What another version of this program refused is read once more by this one."""
    with store.reading() as tx:
        if tx.notes.get(FILES_READ_BY) == WAY_OF_READING:
            return
    with store.writing() as tx:
        tx.files.forget_paths_of(REFUSED)
        tx.notes.put(FILES_READ_BY, WAY_OF_READING, at=now)


class _Batch:
    """One transaction's files: looked up at once, taken in order, written at once.

    A new ride waits to be written with the others, but for one that meets another new one of its rider or the
    same bytes: those before it are written first, so that the order of files never matters to the outcome.
    """

    def __init__(self, tx: Transaction, files: Sequence[ReadFile], now: datetime) -> None:
        self._tx, self._files, self._now = tx, files, now
        read = [member for file in files for member in file.members]
        self._seen = tx.files.seen_of(member.sha256 for member in read)
        found = [member.summary for member in read if member.summary is not None]
        self._here = KnownOutings(tx, found, now)
        self._outcomes: list[FileOutcome] = []
        self._waiting: list[_NewRide] = []
        self._fresh: dict[str, tuple[int, Member]] = {}  # by digest: position among the outcomes

    def stored(self) -> list[FileOutcome]:
        """Every file's outcome, all of it written."""
        settled = []
        for file in self._files:
            first = len(self._outcomes)
            for member in file.members:
                self._outcomes.append(self._outcome_of(member, file.asked))
            whose_is_open = any(one.outcome is Outcome.WHOSE for one in self._outcomes[first:])
            if not whose_is_open and not any(member.waits for member in file.members):
                settled.append((str(file.asked.path), file.size, file.mtime))
        self._write_waiting()
        self._write_files()
        self._tx.files.record_paths(settled)
        return self._outcomes

    def _outcome_of(self, member: Member, asked: ToRead) -> FileOutcome:
        if member.waits:
            # This machine's trouble is no fact about the file: nothing is kept, and it is read again.
            assert member.trouble is not None
            return FileOutcome(member.name, Outcome.NOT_READ_NOW, member.trouble.why, member.trouble.try_this)
        if member.sha256 in self._fresh:
            self._write_waiting()
            return FileOutcome(
                member.name, Outcome.KNOWN, ride=self._outcomes[self._fresh[member.sha256][0]].ride
            )
        seen = self._seen.get(member.sha256)
        if seen is not None and not _counts_now(seen, member, asked):
            here = asked.again and seen.ride is not None
            return (
                self._anew(seen, member) if here else FileOutcome(member.name, Outcome.KNOWN, ride=seen.ride)
            )
        if member.trouble is not None:
            kind = _kind_of(member.trouble)
            outcome = FileOutcome(member.name, kind, member.trouble.why, member.trouble.try_this)
        elif asked.rider is None or member.clues is None or member.summary is None:
            # Not recorded as seen: once the rider is known, the next round takes it.
            return _whose_is_it(member)
        else:
            outcome = self._ride(replace(member.summary, file_name=member.name), member.clues, asked.rider)
        self._fresh[member.sha256] = (len(self._outcomes), member)
        return outcome

    def _anew(self, seen: FileRecord, member: Member) -> FileOutcome:
        """What another reading of a file moves, whose ride is here already."""
        if member.trouble is not None:
            why = f"{member.trouble.why}; ride {seen.ride}, read from it before, stays as it is"
            mend = f"if it was none, say so: gritledger correct {seen.ride} --not-a-ride"
            return FileOutcome(member.name, _kind_of(member.trouble), why, mend, seen.ride)
        if member.summary is None or member.clues is None:
            return _whose_is_it(member)
        self._write_waiting()
        anew = read_anew(self._tx, self._here, seen, member.summary, member.clues, self._now)
        if anew is None:
            return FileOutcome(member.name, Outcome.KNOWN, ride=seen.ride)
        if seen.outcome in (Outcome.NEW, Outcome.DAMAGED):
            became = Outcome.DAMAGED if member.summary.damage else Outcome.NEW
            why, try_this = _told(member.summary)
            self._tx.files.record(replace(seen, outcome=became.value, why=why, try_this=try_this))
        ride, moved = anew
        shows = f"'gritledger rides {ride}' shows it as it is now"
        return FileOutcome(member.name, Outcome.ANEW, moved, shows, ride)

    def _ride(self, summary: RideSummary, clues: RideClues, rider: RiderId) -> FileOutcome:
        begin, end, name = summary.started_at, summary.ended_at, summary.file_name
        off = CLOCK_ERRORS[-1]
        if any(one.rider == rider and one.meets(begin - off, end + off) for one in self._waiting):
            self._write_waiting()
        if (known := self._here.of(summary, clues, rider)) is not None:
            ride, because = known
            return FileOutcome(name, Outcome.SAME_OUTING, "; ".join(because), "", ride)
        self._waiting.append(_NewRide(len(self._outcomes), summary, clues, rider))
        return FileOutcome(name, Outcome.DAMAGED if summary.damage else Outcome.NEW, *_told(summary))

    def _write_waiting(self) -> None:
        waiting, self._waiting = self._waiting, []
        ids = self._tx.rides.add_many([(one.summary, one.rider, one.clues.to_json()) for one in waiting])
        for ride, one in zip(ids, waiting, strict=True):
            self._here.add(replace(one.span(), id=ride))
            self._outcomes[one.position] = replace(self._outcomes[one.position], ride=ride)

    def _write_files(self) -> None:
        new = []
        for digest, (position, member) in self._fresh.items():
            outcome = self._outcomes[position]
            record = FileRecord(
                digest,
                member.name,
                member.size,
                self._now,
                outcome.outcome.value,
                outcome.why,
                outcome.try_this,
                outcome.ride,
            )
            if digest in self._seen:
                self._tx.files.record(record)
            else:
                new.append(record)
        self._tx.files.record_new(new)


def _counts_now(seen: FileRecord, member: Member, asked: ToRead) -> bool:
    """Whether a file that was refused before is to be taken after all."""
    if seen.outcome not in REFUSED:
        return False
    # A better version of this program, no budget this time, or a ride after all, by its rider's word.
    return member.trouble is None or (asked.said_ride and seen.outcome == Outcome.NOT_A_RIDE)


def _told(summary: RideSummary) -> tuple[str, str]:
    """What is wrong with a ride's file, or doubtful about the ride, and what to do; "" when all is well."""
    why = "; ".join(filter(None, (*summary.damage, summary.doubt)))
    return why, COPY_AGAIN if summary.damage else COUNTS_ANYWAY if summary.doubt else ""


def _whose_is_it(member: Member) -> FileOutcome:
    why = "there are several riders, and nothing says whose this is"
    mend = "name the rider (--rider), or keep the file in a folder with the rider's name"
    return FileOutcome(member.name, Outcome.WHOSE, why, mend)


def _kind_of(trouble: UnreadableFile) -> Outcome:
    if isinstance(trouble, NotARide):
        return Outcome.NOT_A_RIDE
    return Outcome.TOO_MUCH if isinstance(trouble, OverBudget) else Outcome.UNREADABLE


@dataclass(frozen=True, slots=True)
class _NewRide:
    """A ride that waits to be written. position: of its outcome."""

    position: int
    summary: RideSummary
    clues: RideClues
    rider: RiderId

    def meets(self, begin: datetime, end: datetime) -> bool:
        return self.summary.started_at < end and begin < self.summary.ended_at

    def span(self) -> RideSpan:
        """As the others see it; it has no number yet."""
        return RideSpan(RideId(0), self.rider, self.summary.started_at, self.summary.ended_at, None, None)


def _batches(items: Iterable[Any], size: int) -> Iterator[list[Any]]:
    batch: list[Any] = []
    for item in items:
        batch.append(item)
        if len(batch) == size:
            yield batch
            batch = []
    if batch:
        yield batch
