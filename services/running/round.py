"""One round: read, fetch and tag, decide, deliver. A step that cannot be done waits; the rest goes on."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping
from contextlib import suppress
from dataclasses import dataclass, field
from datetime import datetime, timedelta
from pathlib import Path

from ingest.errors import UnreadableFile
from ingest.files.folder import FileState, put_off, released, settled, unchanged, waits_ended
from ingest.files.read_pool import ToRead
from rules.same_names import as_read
from rules.vocabulary import Rider
from services.app import App
from services.heartbeat import note_look
from services.settings import Watched
from services.store.bookkeeping import FILES_WAITING, LAST_ROUND
from services.use_cases.deliver_letters import DeliveryReport, deliver_waiting
from services.use_cases.import_rides import WAITS, FileOutcome, Outcome, import_files, ride_files, whose
from services.use_cases.judge_bikes import Move, also_moved, judge_new_rides
from services.use_cases.map_surface import surfaces_from_map
from services.use_cases.regroup_outings import outings_anew
from services.use_cases.tag_conditions import TagReport, anything_to_tag, tag_conditions
from services.use_cases.tell_tomorrow import anything_ahead, tell_tomorrow
from services.use_cases.update_reminders import Reckoning, anything_to_reckon, reckon
from services.use_cases.upload_files import DROPPED_FOLDER
from services.use_cases.weather_ahead import ask_ahead
from services.views.calendar_entries import refresh_calendar
from services.views.file_summary import grouped

SCAN_EVERY = timedelta(hours=1)  # for what was written to where it lies, and said nothing
DROPPED_QUIET_S = 600.0
CALENDAR_EVERY = timedelta(hours=1)  # what is only expected moves with the days


@dataclass
class Watching:
    """What is remembered between rounds; start with an empty one.

    places: of each watched folder, when it was last scanned and what was read then; forgotten when stirred.
    writes: how much had been written when the round before ended; None = no round has ended yet.
    idle: what the round before said, if it found nothing to do.
    """

    places: dict[Path, tuple[datetime, dict[str, int]]] = field(default_factory=dict)
    writes: int | None = None
    idle: RoundReport | None = None
    calendar_at: datetime | None = None
    states: dict[Path, Mapping[Path, FileState]] = field(default_factory=dict)
    riders: frozenset[Rider] = frozenset()  # in the round before
    waiting: dict[Path, FileOutcome] = field(default_factory=dict)  # could not be read, or is nobody's
    told_nobody_rides: bool = False

    def rests(self, folder: Path, now: datetime) -> bool:
        """Whether this folder need not be scanned: all of it is known, and nothing came since."""
        scanned_at, places = self.places.get(folder, (now, {}))
        return (
            bool(places)
            and timedelta(0) <= now - scanned_at < SCAN_EVERY
            and all(one.handed_over for one in self.states[folder].values())
            and unchanged(places)
        )

    def stirred(self) -> None:
        """Something may have happened in a watched folder: none rests. Any thread may say so."""
        self.places.clear()


@dataclass(frozen=True, slots=True)
class RoundReport:
    """What a round did, and what it is waiting for."""

    files: tuple[FileOutcome, ...]
    trouble: tuple[str, ...]
    tags: TagReport
    reckoning: Reckoning
    delivery: DeliveryReport
    ground: tuple[str, ...] = ()  # what the street map said
    bikes: tuple[str, ...] = ()  # which earlier rides the new ones moved

    @property
    def did_something(self) -> bool:
        """Whether anything is new since the round before, trouble included."""
        return bool(
            any(one.outcome is not Outcome.KNOWN for one in self.files)
            or self.trouble
            or self.ground
            or self.bikes
            or self.tags.hours
            or self.reckoning.sentences
            or self.delivery.delivered
            or self.delivery.not_delivered
        )

    def sentences(self) -> list[str]:
        """What a person wants to know of it."""
        waits = any(one.outcome is Outcome.NOT_READ_NOW for one in self.files)
        said = [
            *grouped(self.files, quiet=[Outcome.KNOWN]),
            *(["What could not be read now is tried again by itself."] if waits else []),
            *self.trouble,
            *self.ground,
            *self.bikes,
            *self.tags.sentences(),
            *self.reckoning.sentences,
            *self.delivery.sentences(),
        ]
        return said or ["Nothing new."]


def one_round(
    app: App, *, now: datetime, watching: Watching | None = None, patience: timedelta = timedelta(minutes=2)
) -> RoundReport:
    """Do everything that can be done now.

    watching: with it, only files that have settled since the round before are read; without it, every file in
    the watched folders that was not read yet is taken as it is.
    patience: how long to wait for an archive that asks to wait; the rest is left to the next round.
    """
    if watching is not None and (idle := _still_idle(app, watching, now)):
        note_look(app.settings.home, now)
        return idle
    trouble: list[str] = []
    moved: list[Move] = []
    files = _read_new(app, now, watching, trouble, moved.extend)
    ground: list[str] = []
    bikes: list[str] = []
    changed = watching is None or watching.writes != _writes(app)
    if changed:
        moved += judge_new_rides(app.store, now)  # what a kill left unjudged
        twice = outings_anew(app, now=now)
        with app.store.reading() as tx:
            bikes = [*twice, *also_moved(tx, moved)]
        ground = surfaces_from_map(app, now=now)
    tags = tag_conditions(app, now=now, patience=patience)
    if why := ask_ahead(app, now=now, patience=patience):
        trouble.append(why)
    reckoning = _reckoned(app, now)
    tell_tomorrow(app, now=now)
    delivery = deliver_waiting(app.store, app.channels, now=now)
    if changed and (late := judge_new_rides(app.store, now, at_once=False)):
        # All rides by all, which takes minutes where there are tens of thousands: no letter waits for it.
        with app.store.reading() as tx:
            bikes += also_moved(tx, late)
        again = _reckoned(app, now)
        reckoning = Reckoning(reckoning.sentences + again.sentences, reckoning.queued + again.queued)
    if watching is None or _calendar_moves(app, watching, now):
        trouble += refresh_calendar(app)
    report = RoundReport(tuple(files), tuple(trouble), tags, reckoning, delivery, tuple(ground), tuple(bikes))
    note_look(app.settings.home, now)
    with app.store.reading() as tx:
        told_before = tx.notes.get(LAST_ROUND)
    if told_before != report.sentences():
        with app.store.writing() as tx:
            tx.notes.put(LAST_ROUND, report.sentences(), at=now)
    if watching is not None:
        watching.writes = _writes(app)
        watching.idle = None if report.did_something or report.tags.waiting else report
    return report


def _still_idle(app: App, watching: Watching, now: datetime) -> RoundReport | None:
    """What the round before said, if it was idle and there is nothing to do since: one look at the ledger.

    Nothing was written, in no folder did anything stir, and for nothing has the time come.
    """
    if watching.idle is None or not all(watching.rests(one.folder, now) for one in _every_folder(app)):
        return None
    with app.store.reading() as tx:
        wanted = (
            tx.writes() != watching.writes
            or _calendar_waits(watching, now)
            or anything_to_tag(tx, app, now)
            or anything_ahead(tx, app, now)
            or anything_to_reckon(tx, app, now)
            or tx.outbox.anything_due(now)
        )
    return None if wanted else watching.idle


def _reckoned(app: App, now: datetime) -> Reckoning:
    """The reminders brought up to the facts, if they may not be."""
    with app.store.reading() as tx:
        wanted = anything_to_reckon(tx, app, now)
    if not wanted:
        return Reckoning((), 0)
    with app.store.writing() as tx:
        return reckon(tx, app, now=now)


def _writes(app: App) -> int:
    with app.store.reading() as tx:
        return tx.writes()


def _calendar_moves(app: App, watching: Watching, now: datetime) -> bool:
    """Whether the calendar may show something else than when it was last brought up to date."""
    if not _calendar_waits(watching, now) and watching.writes == _writes(app):
        return False
    watching.calendar_at = now
    return True


def _calendar_waits(watching: Watching, now: datetime) -> bool:
    """Whether its time has come even if nothing was written."""
    at = watching.calendar_at
    return at is None or not timedelta(0) <= now - at < CALENDAR_EVERY


def _read_new(
    app: App,
    now: datetime,
    watching: Watching | None,
    trouble: list[str],
    on_moved: Callable[[Iterable[Move]], None],
) -> list[FileOutcome]:
    with app.store.reading() as tx:
        riders = tx.equipment.riders()
    if not riders:
        trouble += _nobody_rides(app, watching)
        return []
    if watching is not None and watching.riders != frozenset(riders):
        # Somebody new, or another name: perhaps the one whom a file waits for.
        watching.states = {folder: waits_ended(state) for folder, state in watching.states.items()}
        watching.riders = frozenset(riders)
    outcomes: list[FileOutcome] = []
    for watched in _every_folder(app):
        by_name = {as_read(rider.name): rider.id for rider in riders}
        named = by_name.get(as_read(watched.rider)) if watched.rider else None
        if watched.rider and named is None:
            trouble.append(
                f"{watched.folder}: there is no rider “{watched.rider}”; add them or mend the settings."
            )
            continue
        try:
            if watching is None:
                paths = ride_files([watched.folder])
            elif watching.rests(watched.folder, now):
                continue
            else:
                places: dict[str, int] = {}
                watching.places[watched.folder] = now, places  # before: what happens meanwhile counts
                found, state = settled(
                    watched.folder,
                    watching.states.get(watched.folder, {}),
                    now=now,
                    quiet_s=watched.quiet_s,
                    on_trouble=lambda error: trouble.append(str(error)),
                    places=places,
                )
                watching.states[watched.folder] = state
                paths = [file.path for file in found]
        except UnreadableFile as error:
            if watching is not None:
                watching.places.pop(watched.folder, None)
            trouble.append(str(error))
            continue
        to_read = [ToRead(path, whose(path, riders, named)) for path in paths]
        try:
            read = import_files(app.store, to_read, now=now, on_moved=on_moved)
        except BaseException:
            # A locked database or a full disk: what was kept is known by its place, the rest comes again.
            if watching is not None:
                watching.states[watched.folder] = released(watching.states[watched.folder], paths)
            raise
        outcomes += read if watching is None else _not_told_yet(read, watching, watched.folder, now)
    _note_what_waits(app, watching, outcomes, now)
    return outcomes


def _every_folder(app: App) -> list[Watched]:
    """The watched folders, and that of files dropped on the page, which are read at once as a rule."""
    dropped = app.settings.home / DROPPED_FOLDER
    left = [Watched(folder=dropped, quiet_s=DROPPED_QUIET_S)] if dropped.is_dir() else []
    return [*app.settings.watch, *left]


def _nobody_rides(app: App, watching: Watching | None) -> list[str]:
    """Files that nobody can have ridden are left alone, which is said once, not for each of them."""
    if watching is not None and watching.told_nobody_rides:
        return []
    waiting = 0
    for watched in _every_folder(app):
        with suppress(UnreadableFile):
            waiting += len(ride_files([watched.folder])) if watched.folder.is_dir() else 0
    if not waiting:
        return []
    if watching is not None:
        watching.told_nobody_rides = True
    files = "1 file waits" if waiting == 1 else f"{waiting} files wait"
    return [f"{files}: nobody rides yet. Say who does: on the page, or with 'gritledger add rider NAME'."]


def _not_told_yet(
    read: list[FileOutcome], watching: Watching, folder: Path, now: datetime
) -> list[FileOutcome]:
    """The outcomes without the waits that were told before; what waits will be handed over again."""
    before = watching.states[folder]
    waits = {one.file: one for one in read if one.outcome in WAITS}
    told = {path for path, one in waits.items() if path in before and before[path].waits_because == one.why}
    state = put_off(before, {path: one.why for path, one in waits.items()}, now=now)
    watching.states[folder] = state
    still = {path: one for path, one in watching.waiting.items() if path in state and state[path].again_at}
    watching.waiting = {path: one for path, one in still.items() if not state[path].handed_over} | waits
    return [one for one in read if one.file not in told]


def _note_what_waits(app: App, watching: Watching | None, read: list[FileOutcome], now: datetime) -> None:
    """Keep which watched files wait and why, for the page and for health; only when that is news."""
    if watching is None:
        waits = [one for one in read if one.outcome in WAITS]
    else:
        waits = list(watching.waiting.values())
    rows = sorted([one.name, one.why, one.try_this] for one in waits)
    with app.store.reading() as tx:
        if tx.notes.get(FILES_WAITING, []) == rows:
            return
    with app.store.writing() as tx:
        tx.notes.put(FILES_WAITING, rows, at=now)
