"""The whole job on an invented household, by the same import, tagging, rules and delivery as any other."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import dataclass, fields
from datetime import datetime, time, timedelta
from operator import attrgetter
from pathlib import Path
from typing import Any
from zoneinfo import ZoneInfo

from fixtures.household.build import build
from fixtures.household.scenario import BIKE_IDS, TIME_ZONE, Household
from ingest.files.read_pool import ToRead
from rules import commands as say
from services.app import App
from services.atomic_write import write_whole
from services.running.round import one_round
from services.settings import SETTINGS_FILE, SettingsError
from services.use_cases.deliver_letters import deliver_waiting
from services.use_cases.import_rides import FileOutcome, import_files, ride_files, whose
from services.use_cases.judge_bikes import judge_household
from services.use_cases.record_change import copied_in
from services.use_cases.tag_conditions import tag_conditions
from services.use_cases.update_reminders import reckon
from services.wiring import open_app

REPLAYED_DAYS = 21  # the reminders of three weeks, as each evening would have raised them
SETTINGS = """\
# The settings of the demo household. Change anything, then: gritledger watch --once --home <this folder>
use_variables = false       # variables such as GRITLEDGER_DATABASE are for your own ledger, not for this

[[watch]]
folder = "rides"            # subfolders named like a rider hold that rider's files

[weather]
archive = "local"           # an invented archive; leave this section out for the open archive
local_file = "weather.csv"

[channels]
mail_folder = "mail"        # reminders as .eml files; [channels.mail] sends them
calendar_file = "chains.ics"
"""


Progress = Callable[[str, int, int], None]  # what is being done, how much of it is done, of how much


@dataclass(frozen=True, slots=True)
class Demo:
    """What was made: the household's tools, what became of each file, and how many ride hours were tagged."""

    app: App
    files: tuple[FileOutcome, ...]
    tagged_hours: int


def refuse_occupied(home: Path) -> None:
    """The demo never mixes with anything else. Raises SettingsError."""
    if home.exists() and (not home.is_dir() or any(home.iterdir())):
        raise SettingsError(f"{home} is not empty; give the demo a folder of its own")


def run_demo(home: Path, *, now: datetime, on_progress: Progress) -> Demo:
    """Invent the household in a folder of its own and do the whole job on it. Raises SettingsError."""
    refuse_occupied(home)
    today = now.astimezone(ZoneInfo(TIME_ZONE)).date()
    household = build(
        home,
        today=today,
        progress=lambda done, total: on_progress("inventing rides and weather", done, total),
    )
    write_whole(home / SETTINGS_FILE, SETTINGS.encode(), mode=0o600)
    app = open_app(home)
    with app.store.writing() as tx:
        copied_in(tx, app, gear_of(household), now=now)
    outcomes = _import(app, home, now, on_progress)
    with app.store.writing() as tx:
        copied_in(tx, app, _care_of(household), now=now)
        copied_in(tx, app, [_bikes_told(household, outcomes, home)], now=now)
        judge_household(tx, now)
    tags = tag_conditions(app, now=now, on_progress=on_progress)
    for days_ago in range(REPLAYED_DAYS, 0, -1):
        evening = datetime.combine(
            today - timedelta(days=days_ago), time(20, 0), tzinfo=ZoneInfo(TIME_ZONE)
        ).astimezone(now.tzinfo)
        _decide_and_deliver(app, evening)
        on_progress("three weeks of reminders", REPLAYED_DAYS + 1 - days_ago, REPLAYED_DAYS)
    one_round(app, now=now)
    return Demo(app, tuple(outcomes), tags.hours)


def _import(app: App, home: Path, now: datetime, on_progress: Progress) -> list[FileOutcome]:
    with app.store.reading() as tx:
        riders = tx.equipment.riders()
    files = [ToRead(path, whose(path, riders)) for path in ride_files([home / "rides"])]
    read = 0

    def advance(_: FileOutcome) -> None:
        nonlocal read
        read += 1
        on_progress("reading rides", read, len(files))

    return import_files(app.store, files, now=now, on_progress=advance)


def _decide_and_deliver(app: App, now: datetime) -> None:
    with app.store.writing() as tx:
        reckon(tx, app, now=now)
    deliver_waiting(app.store, app.channels, now=now)


def gear_of(household: Household) -> list[say.Command]:
    """What the two would have said of what they have, and of what was fitted when: to an empty ledger."""
    retired = {chain.id: chain.retired_at for chain in household.chains}
    swaps: list[say.FitChain | say.TakeOff | say.Retire] = []
    for fitting in household.fittings:
        swaps.append(say.FitChain(fitting.chain, fitting.bike, fitting.fitted_at))
        if fitting.removed_at is not None and fitting.removed_at != retired[fitting.chain]:
            swaps.append(say.TakeOff(fitting.chain, fitting.removed_at))
    swaps += [say.Retire(chain, at) for chain, at in retired.items() if at is not None]
    return [
        *_said(say.AddRider, household.riders),
        *_said(say.AddBike, household.bikes),
        *_said(say.PlaceSensor, household.sensors),
        *_said(say.AddChain, household.chains),
        *sorted(swaps, key=attrgetter("at")),
    ]


def _care_of(household: Household) -> list[say.Command]:
    """What hands did and read."""
    return [
        *_said(say.LogTreatment, household.treatments),
        *_said(say.LogReading, household.readings),
        *_said(say.LogWipeTest, household.wipe_tests),
    ]


def _said(command: type[Any], facts: Iterable[object]) -> Iterator[say.Command]:
    """What would have been said for these facts to stand: they have the command's fields, and a number."""
    for fact in facts:
        yield command(
            **{one.name: getattr(fact, one.name) for one in fields(command) if hasattr(fact, one.name)}
        )


def _bikes_told(household: Household, outcomes: Sequence[FileOutcome], home: Path) -> say.PutRidesOn:
    """What the riders said of rides whose files name no bike."""
    rides = {outcome.name: outcome.ride for outcome in outcomes}
    told = (
        (rides.get(str(home / "rides" / word.file)), BIKE_IDS[word.bike]) for word in household.bike_words
    )
    return say.PutRidesOn(tuple((ride, bike) for ride, bike in told if ride is not None))
