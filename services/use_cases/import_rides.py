"""Files become rides on bikes.

    paths | read and summarise (all cores) | known? same outing? | one transaction a batch | which bikes?

Reading is done in other processes when there is a lot of it; deciding and storing happen here, in order.
A kill in the middle loses at most the batch in hand, and the next run takes those files again. Bikes are
judged at the end, all rides by all rides; what a kill left unjudged, the next run or round judges.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import asdict, dataclass, replace
from datetime import datetime
from enum import StrEnum
from pathlib import Path
from typing import Any

from ingest.bikes.judge import RideClues
from ingest.errors import NotARide, OverBudget, UnreadableFile
from ingest.files.folder import scan
from ingest.files.read_pool import Member, ReadFile, ToRead, read_all, stamp
from ingest.files.reader import WAY_OF_READING
from ingest.ride.outing_set import CLOCK_ERRORS, by_a_wrong_clock, resolved
from ingest.ride.same_ride import Relation, same_outing
from ingest.ride.same_ride import Verdict as SameOuting
from ingest.ride.summary import RideSummary
from ingest.ride.unrecorded import READER
from rules.vocabulary import DecidedBy, RideId, Rider, RiderId
from services.store import FileRecord, RideSpan, Store, Transaction
from services.store.notes import FILES_READ_BY
from services.store.same_outings import IMPORTER
from services.use_cases.judge_bikes import Move, judge_new_rides

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
    on_moved: Callable[[tuple[Move, ...]], None] = lambda _: None,
) -> list[FileOutcome]:
    """Read files into the ledger; each gets an outcome, and none stops the others.

    on_moved: told of earlier rides whose bike is now another.
    A file already read (same place, size and time; or same content under any name) is passed over, but for
    one that was refused and is now asked for again or said to be a ride.
    """
    outcomes: list[FileOutcome] = []
    unknown: list[ToRead] = []
    _try_again_after_an_upgrade(store, now)
    with store.reading() as tx:
        for file in files:
            try:
                asked = file.said_ride or file.again
                known = not asked and tx.files.is_known_path(*stamp(file.path))
            except OSError:
                outcomes.append(
                    FileOutcome(str(file.path), Outcome.UNREADABLE, "it is gone", "drop it again")
                )
                continue
            if known:
                outcomes.append(FileOutcome(str(file.path), Outcome.KNOWN))
            else:
                unknown.append(file)
    for outcome in outcomes:
        on_progress(outcome)

    for batch in _batches(read_all(unknown, now), BATCH):
        with store.writing() as tx:
            stored = _Batch(tx, batch, now).stored()
        outcomes += stored
        for outcome in stored:
            on_progress(outcome)
    if moved := judge_new_rides(store, now):
        on_moved(moved)
    return outcomes


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
        self._spans: list[RideSpan] = []
        if found:
            begin, end = min(one.started_at for one in found), max(one.ended_at for one in found)
            self._spans += tx.rides.spans(begin - CLOCK_ERRORS[-1], end + CLOCK_ERRORS[-1])
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
            return FileOutcome(member.name, Outcome.KNOWN, ride=seen.ride)
        if member.trouble is not None:
            kind = _kind_of(member.trouble)
            outcome = FileOutcome(member.name, kind, member.trouble.why, member.trouble.try_this)
        elif asked.rider is None or member.clues is None or member.summary is None:
            # Not recorded as seen: once the rider is known, the next round takes it.
            return FileOutcome(
                member.name,
                Outcome.WHOSE,
                "there are several riders, and nothing says whose this is",
                "name the rider (--rider), or keep the file in a folder with the rider's name",
            )
        else:
            # A file without a title is known to its rider by its name.
            title = member.summary.title or Path(member.name).stem
            titled = replace(member.summary, title=title, file_name=member.name)
            outcome = self._ride(titled, member.clues, asked.rider)
        self._fresh[member.sha256] = (len(self._outcomes), member)
        return outcome

    def _ride(self, summary: RideSummary, clues: RideClues, rider: RiderId) -> FileOutcome:
        begin, end, name = summary.started_at, summary.ended_at, summary.file_name
        off = CLOCK_ERRORS[-1]
        if any(one.rider == rider and one.meets(begin - off, end + off) for one in self._waiting):
            self._write_waiting()
        if (known := self._known_outing(summary, clues, rider)) is not None:
            ride, because = known
            return FileOutcome(name, Outcome.SAME_OUTING, "; ".join(because), "", ride)
        self._waiting.append(_NewRide(len(self._outcomes), summary, clues, rider))
        if summary.damage:
            why = "; ".join(summary.damage)
            return FileOutcome(name, Outcome.DAMAGED, why, "copy it from the device again")
        return FileOutcome(name, Outcome.NEW)

    def _known_outing(
        self, summary: RideSummary, clues: RideClues, rider: RiderId
    ) -> tuple[RideId, tuple[str, ...]] | None:
        """If others of the rider's recordings are of this outing, it is kept with them: the ride it is in."""
        begin, end = summary.started_at, summary.ended_at
        mine = [one for one in self._spans if one.rider == rider]
        same: list[tuple[RideSpan, SameOuting]] = []
        for other in (one for one in mine if one.started_at < end and begin < one.ended_at):
            verdict = same_outing(self._tx.rides.outing(other.id), summary, same_rider=True)
            if verdict.same:
                same.append((other, verdict))
        if same:
            kept = [other for other, _ in same]
            because = tuple(dict.fromkeys(why for _, verdict in same for why in verdict.because))
            recordings = self._tx.rides.recordings_of(one.id for one in kept)
            spoken_for = {one.bike for one in kept if one.decided_by is DecidedBy.RIDER}
            if self._tx.rides.was_split_by_a_rider(recordings) or len(spoken_for) > 1:
                other, verdict = same[0]
                self._second_recording(other, summary, clues, verdict)
                return other.id, verdict.because
            return self._regrouped(kept, recordings, summary, clues, rider, because), because
        told = next((one for one in mine if self._was_told(one, begin, end)), None)
        if told is not None:
            why = "its rider told of it before its file came: the file counts now"
            verdict = SameOuting(True, (why,), "second", Relation.SAME)
            self._second_recording(told, summary, clues, verdict)
            return told.id, verdict.because
        off = CLOCK_ERRORS[-1]
        by_clock: dict[RideSpan, str] = {}
        for other in (one for one in mine if one.started_at < end + off and begin - off < one.ended_at):
            known = self._tx.rides.recordings_of([other.id])
            if self._tx.rides.was_split_by_a_rider(known):
                continue  # somebody said already that these are outings of their own
            if (
                found := by_a_wrong_clock([self._tx.rides.outing(one) for one in known], summary)
            ) is not None:
                by_clock[other] = found
        if not by_clock:
            return None
        because = tuple(dict.fromkeys(by_clock.values()))
        recordings = self._tx.rides.recordings_of(one.id for one in by_clock)
        return self._regrouped(list(by_clock), recordings, summary, clues, rider, because), because

    def _was_told(self, ride: RideSpan, begin: datetime, end: datetime) -> bool:
        """Whether a ride that is half of that time has no file, only its rider's word."""
        shared = min(ride.ended_at, end) - max(ride.started_at, begin)
        half = min(ride.ended_at - ride.started_at, end - begin) / 2
        return shared >= half and self._tx.rides.outing(ride.id).reader == READER

    def _regrouped(
        self,
        kept: Sequence[RideSpan],
        recordings: Sequence[RideId],
        summary: RideSummary,
        clues: RideClues,
        rider: RiderId,
        because: tuple[str, ...],
    ) -> RideId:
        """Keep a new recording of an outing, and say anew which of its recordings count."""
        rides = self._tx.rides
        (new,) = rides.add_many([(summary, rider, clues.to_json())])
        every = [*recordings, new]
        found = resolved([rides.outing(one) for one in every])
        counted = {every[n] for n in found.counted}
        followed = {every[n]: every[one] for n, one in found.follows.items()}
        before = {one.id for one in kept}
        for one in recordings:
            if one not in before:
                rides.split_again(one, at=self._now, by=IMPORTER)
        # What was said of a ride stays with its number: a recording that counts now takes that of one which
        # counts no more.
        place = {one: one for one in every}
        for freed in sorted(before - counted):
            heirs = [one for one in counted - before if followed[freed] == one or len(counted - before) == 1]
            if heirs:
                heir = min(heirs)
                rides.exchange_recordings(freed, heir)
                place[heir], place[freed] = freed, heir
                counted.remove(heir)
                rides.judge_anew(freed)
        for one, other in followed.items():
            rides.link_same_outing(
                place[other], place[one], [*because, found.because], at=self._now, by=IMPORTER
            )
        ids = {one.id for one in kept} | {place[one] for one in every}
        self._spans = [one for one in self._spans if one.id not in ids]
        begin = min(summary.started_at, *(one.started_at for one in kept))
        end = max(summary.ended_at, *(one.ended_at for one in kept))
        self._spans += (one for one in rides.spans(begin, end) if one.id in ids)
        return place[followed.get(new, new)]

    def _second_recording(
        self, kept: RideSpan, summary: RideSummary, clues: RideClues, verdict: SameOuting
    ) -> None:
        self._tx.rides.add_second_recording(
            kept.id,
            summary,
            keep_new=verdict.keep == "second",
            because=verdict.because,
            at=self._now,
            clues=clues.to_json(),
        )
        if verdict.keep == "second":
            # The richer recording may name its bike where the first did not.
            self._tx.rides.judge_anew(kept.id)
            self._spans.remove(kept)
            self._spans += (
                one for one in self._tx.rides.spans(summary.started_at, summary.ended_at) if one.id == kept.id
            )

    def _write_waiting(self) -> None:
        waiting, self._waiting = self._waiting, []
        ids = self._tx.rides.add_many([(one.summary, one.rider, one.clues.to_json()) for one in waiting])
        for ride, one in zip(ids, waiting, strict=True):
            self._spans.append(replace(one.span(), id=ride))
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
                self._tx.files.record(**asdict(record))
            else:
                new.append(record)
        self._tx.files.record_new(new)


def _counts_now(seen: FileRecord, member: Member, asked: ToRead) -> bool:
    """Whether a file that was refused before is to be taken after all."""
    if seen.outcome not in REFUSED:
        return False
    # A better version of this program, no budget this time, or a ride after all, by its rider's word.
    return member.trouble is None or (asked.said_ride and seen.outcome == Outcome.NOT_A_RIDE)


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
