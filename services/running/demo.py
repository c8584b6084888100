"""The whole job on an invented household, by the same import, tagging, rules and delivery as any other."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from datetime import datetime, time, timedelta
from pathlib import Path
from zoneinfo import ZoneInfo

from fixtures.household.build import build
from fixtures.household.scenario import TIME_ZONE, Household
from ingest.files.read_pool import ToRead
from rules.vocabulary import DecidedBy
from services.app import App
from services.atomic_write import write_whole
from services.running.round import one_round
from services.settings import SETTINGS_FILE, SettingsError
from services.store import Transaction
from services.use_cases.deliver_letters import deliver_waiting
from services.use_cases.import_rides import FileOutcome, import_files, ride_files, whose
from services.use_cases.judge_bikes import judge_household
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
        _enter_equipment(tx, household)
    outcomes = _import(app, home, now, on_progress)
    with app.store.writing() as tx:
        _enter_words_and_care(tx, household, home, now)
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


def _enter_equipment(tx: Transaction, household: Household) -> None:
    riders = {r.name: tx.equipment.add_rider(r.name, r.email, r.time_zone) for r in household.riders}
    bikes = {
        bike.name: tx.equipment.add_bike(
            name=bike.name,
            owner=riders[bike.owner].id,
            unpaved_share=bike.unpaved_share,
            chainrings=bike.chainrings,
            cogs=bike.cogs,
            wheel_circumference_m=bike.wheel_circumference_m,
            indoor=bike.indoor,
            from_at=bike.from_at,
            until_at=bike.until_at,
        )
        for bike in household.bikes
    }
    for sensor in household.sensors:
        tx.equipment.add_sensor(
            sensor.kind, sensor.identity, bikes[sensor.bike].id, sensor.from_at, sensor.until_at
        )
    chains = {
        chain.name: tx.equipment.add_chain(
            chain.name,
            regime=chain.regime,
            speeds=chain.speeds,
            links=chain.links,
            price=chain.price,
            acquired_at=chain.acquired_at,
        )
        for chain in household.chains
    }
    for fitting in sorted(household.fittings, key=lambda f: f.fitted_at):
        tx.equipment.fit_chain(
            chains[fitting.chain].id, bikes[fitting.bike].id, fitting.fitted_at, fitting.removed_at
        )
    for chain in household.chains:
        if chain.retired_at is not None:
            tx.equipment.retire_chain(chains[chain.name].id, chain.retired_at)


def _enter_words_and_care(tx: Transaction, household: Household, home: Path, now: datetime) -> None:
    """What the riders have already said and done: bikes of rides that named none, care, readings."""
    for word in household.bike_words:
        name = str(home / "rides" / word.file)
        ride = next((f.ride for f in tx.files.outcomes() if f.name.startswith(name)), None)
        if ride is not None:
            bike = tx.equipment.find_bike(word.bike)
            tx.rides.record(ride, bike.id, decided_by=DecidedBy.RIDER, at=now, by="a rider")
    chains = {chain.name: chain.id for chain in tx.equipment.chains()}
    for t in household.treatments:
        tx.care.log_treatment(chains[t.chain], t.kind, t.done_at, minutes=t.minutes, cost=t.cost, note=t.note)
    for r in household.readings:
        tx.care.log_reading(
            chains[r.chain],
            r.tool,
            r.taken_at,
            over_pct=r.over_pct,
            under_pct=r.under_pct,
            exact_pct=r.exact_pct,
            note=r.note,
        )
    for w in household.wipe_tests:
        tx.care.log_wipe_test(chains[w.chain], w.done_at, w.grade)
