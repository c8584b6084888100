"""One round: read, fetch and tag, decide, deliver. A step that cannot be done waits; the rest goes on."""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass, field
from datetime import datetime, timedelta
from pathlib import Path

from ingest.errors import UnreadableFile
from ingest.files.folder import FileState, put_off, released, settled
from ingest.files.read_pool import ToRead
from services.app import App
from services.store.notes import LAST_ROUND
from services.use_cases.deliver_letters import DeliveryReport, deliver_waiting
from services.use_cases.import_rides import FileOutcome, Outcome, import_files, ride_files, whose
from services.use_cases.judge_bikes import Move, also_moved, judge_new_rides
from services.use_cases.map_surface import surfaces_from_map
from services.use_cases.tag_conditions import TagReport, tag_conditions
from services.use_cases.update_reminders import Reckoning, reckon
from services.views.calendar_entries import refresh_calendar


@dataclass
class Watching:
    """What is remembered of the watched folders between rounds; start with an empty one."""

    states: dict[Path, Mapping[Path, FileState]] = field(default_factory=dict)


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
        counts = Counter(one.outcome for one in self.files if one.outcome is not Outcome.KNOWN)
        read = [f"{'; '.join(f'{n} {kind.value}' for kind, n in counts.items())}."] if counts else []
        troubled = [
            f"{one.name}: {one.why}; {one.try_this}"
            for one in self.files
            if one.outcome in (Outcome.UNREADABLE, Outcome.WHOSE, Outcome.NOT_READ_NOW, Outcome.DAMAGED)
        ]
        said = [
            *read,
            *troubled,
            *self.trouble,
            *self.ground,
            *self.bikes,
            *self.tags.sentences(),
            *self.reckoning.sentences,
            *self.delivery.sentences(),
        ]
        return said or ["Nothing new."]


def one_round(
    app: App,
    *,
    now: datetime,
    watching: Watching | None = None,
    patience: timedelta = timedelta(minutes=2),
    on_progress: Callable[[str, int, int], None] = lambda *_: None,
) -> RoundReport:
    """Do everything that can be done now.

    watching: with it, only files that have settled since the round before are read; without it, every file in
    the watched folders that was not read yet is taken as it is.
    patience: how long to wait for an archive that asks to wait; the rest is left to the next round.
    """
    trouble: list[str] = []
    moved: list[Move] = []
    files = _read_new(app, now, watching, trouble, moved.extend)
    moved += judge_new_rides(app.store, now)  # what a kill left unjudged
    with app.store.reading() as tx:
        bikes = also_moved(tx, moved)
    ground = surfaces_from_map(app, now=now)
    tags = tag_conditions(app, now=now, patience=patience, on_progress=on_progress)
    with app.store.writing() as tx:
        reckoning = reckon(tx, app, now=now)
    delivery = deliver_waiting(app.store, app.channels, now=now)
    trouble += refresh_calendar(app)
    report = RoundReport(tuple(files), tuple(trouble), tags, reckoning, delivery, tuple(ground), tuple(bikes))
    with app.store.writing() as tx:
        tx.notes.put(LAST_ROUND, report.sentences(), at=now)
    return report


def _read_new(
    app: App,
    now: datetime,
    watching: Watching | None,
    trouble: list[str],
    on_moved: Callable[[Iterable[Move]], None],
) -> list[FileOutcome]:
    with app.store.reading() as tx:
        riders = tx.equipment.riders()
    outcomes: list[FileOutcome] = []
    for watched in app.settings.watch:
        by_name = {rider.name.casefold(): rider.id for rider in riders}
        named = by_name.get(watched.rider.casefold()) if watched.rider else None
        if watched.rider and named is None:
            trouble.append(
                f"{watched.folder}: there is no rider “{watched.rider}”; add them or mend the settings."
            )
            continue
        try:
            if watching is None:
                paths = ride_files([watched.folder])
            else:
                found, state = settled(
                    watched.folder,
                    watching.states.get(watched.folder, {}),
                    now=now,
                    quiet_s=watched.quiet_s,
                    on_trouble=lambda error: trouble.append(str(error)),
                )
                watching.states[watched.folder] = state
                paths = [file.path for file in found]
        except UnreadableFile as error:
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
    return outcomes


def _not_told_yet(
    read: list[FileOutcome], watching: Watching, folder: Path, now: datetime
) -> list[FileOutcome]:
    """The outcomes without the waits that were told before; what waits will be handed over again."""
    before = watching.states[folder]
    nobodys = [one.file for one in read if one.outcome is Outcome.WHOSE]
    unread = {one.file: one.why for one in read if one.outcome is Outcome.NOT_READ_NOW}
    told = {path for path, why in unread.items() if path in before and before[path].waits_because == why}
    watching.states[folder] = put_off(released(before, nobodys), unread, now=now)
    return [one for one in read if one.file not in told]
