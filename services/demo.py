"""The whole job on an invented household, by the same import, tagging, rules and delivery as any other."""

from __future__ import annotations

import tempfile
from collections import Counter
from datetime import datetime, time, timedelta
from pathlib import Path
from zoneinfo import ZoneInfo

from rich.progress import BarColumn, MofNCompleteColumn, Progress, TextColumn, TimeElapsedColumn

from fixtures.household.build import build
from fixtures.household.scenario import TIME_ZONE, Household
from ingest.files.read_pool import ToRead
from rules.reminder import RaisedReminder
from rules.vocabulary import DecidedBy
from services.cli.screen import err, out, plain, say
from services.deliver import deliver_waiting
from services.import_rides import FileOutcome, Outcome, import_files, ride_files, whose
from services.reckoning import reckon
from services.round import one_round
from services.settings import SETTINGS_FILE, SettingsError
from services.show import why
from services.store import Transaction
from services.tag_conditions import tag_conditions
from services.which_bike import judge_again
from services.wiring import open_workshop
from services.workshop import Workshop

REPLAYED_DAYS = 21  # the reminders of three weeks, as each evening would have raised them
SETTINGS = """\
# The settings of the demo household. Change anything, then: gritledger round --home <this folder>
[[watch]]
folder = "rides"            # subfolders named like a rider hold that rider's files

[weather]
archive = "local"           # an invented archive; leave this section out for the open archive
local_file = "weather.csv"

[channels]
mail_folder = "mail"        # reminders as .eml files; [channels.mail] sends them
calendar_file = "chains.ics"
"""


def run_demo(folder: Path | None, *, now: datetime) -> None:
    """Invent the household in a folder of its own, do the whole job on it, and say what is due and why."""
    home = (folder or Path(tempfile.mkdtemp(prefix="gritledger-demo-"))).expanduser().absolute()
    if home.exists() and any(home.iterdir()):
        raise SettingsError(f"{home} is not empty; give the demo a folder of its own")
    say(f"An invented household on a high, dry plateau, in {home}")
    today = now.astimezone(ZoneInfo(TIME_ZONE)).date()
    with Progress(
        TextColumn("{task.description:<34}"),
        BarColumn(),
        MofNCompleteColumn(),
        TimeElapsedColumn(),
        console=err,
    ) as progress:
        task = progress.add_task("inventing rides and weather", total=1)
        household = build(
            home, today=today, progress=lambda done, total: progress.update(task, completed=done, total=total)
        )
        (home / SETTINGS_FILE).write_text(SETTINGS, encoding="utf-8")
        workshop = open_workshop(home)
        with workshop.store.writing() as tx:
            _enter_garage(tx, household)
        outcomes = _import(workshop, home, now, progress)
        with workshop.store.writing() as tx:
            _enter_words_and_care(tx, household, home, now)
            judge_again(tx, now)
        task = progress.add_task("weather and conditions", total=1)
        tags = tag_conditions(
            workshop,
            now=now,
            on_progress=lambda what, done, total: progress.update(
                task, description=what, completed=done, total=total
            ),
        )
        task = progress.add_task("three weeks of reminders", total=REPLAYED_DAYS)
        for days_ago in range(REPLAYED_DAYS, 0, -1):
            evening = datetime.combine(
                today - timedelta(days=days_ago), time(20, 0), tzinfo=ZoneInfo(TIME_ZONE)
            ).astimezone(now.tzinfo)
            _decide_and_deliver(workshop, evening)
            progress.advance(task)
        one_round(workshop, now=now)
    _tell(workshop, home, outcomes, tags.hours, now)


def _import(workshop: Workshop, home: Path, now: datetime, progress: Progress) -> list[FileOutcome]:
    with workshop.store.reading() as tx:
        riders = tx.garage.riders()
    files = [ToRead(path, whose(path, riders)) for path in ride_files([home / "rides"])]
    task = progress.add_task("reading rides", total=len(files))
    return import_files(workshop.store, files, now=now, on_progress=lambda _: progress.advance(task))


def _decide_and_deliver(workshop: Workshop, now: datetime) -> None:
    with workshop.store.writing() as tx:
        reckon(tx, workshop, now=now)
    deliver_waiting(workshop.store, workshop.channels, now=now)


def _enter_garage(tx: Transaction, household: Household) -> None:
    riders = {r.name: tx.garage.add_rider(r.name, r.email, r.time_zone) for r in household.riders}
    bikes = {
        bike.name: tx.garage.add_bike(
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
        tx.garage.add_sensor(
            sensor.kind, sensor.identity, bikes[sensor.bike].id, sensor.from_at, sensor.until_at
        )
    chains = {
        chain.name: tx.garage.add_chain(
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
        tx.garage.fit_chain(
            chains[fitting.chain].id, bikes[fitting.bike].id, fitting.fitted_at, fitting.removed_at
        )
    for chain in household.chains:
        if chain.retired_at is not None:
            tx.garage.retire_chain(chains[chain.name].id, chain.retired_at)


def _enter_words_and_care(tx: Transaction, household: Household, home: Path, now: datetime) -> None:
    """What the riders have already said and done: bikes of rides that named none, care, readings."""
    for word in household.bike_words:
        name = str(home / "rides" / word.file)
        ride = next((f.ride for f in tx.files.outcomes() if f.name.startswith(name)), None)
        if ride is not None:
            bike = tx.garage.find_bike(word.bike)
            tx.rides.record(ride, bike.id, decided_by=DecidedBy.RIDER, at=now, by="a rider")
    chains = {chain.name: chain.id for chain in tx.garage.chains()}
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


def _tell(workshop: Workshop, home: Path, outcomes: list[FileOutcome], hours: int, now: datetime) -> None:
    del now
    counts = Counter(outcome.outcome for outcome in outcomes)
    say("")
    say(f"Files: {'; '.join(f'{count} {kind.value}' for kind, count in counts.items())}.")
    for outcome in outcomes:
        if outcome.outcome not in (Outcome.NEW, Outcome.KNOWN):
            say(f"  {Path(outcome.name).name}: {outcome.outcome.value}: {outcome.why}")
    with workshop.store.reading() as tx:
        standing = sorted(
            tx.reminders.standing(), key=lambda r: (-r.reminder.urgency, r.reminder.cause_at, r.id)
        )
        questions = tx.rides.confirm_list()
        mails = sum(posted.letter.channel == "mail folder" for posted in tx.outbox.sent())
    say(f"{hours} ride hours tagged; {mails} mails written to {home / 'mail'}")
    say("")
    out.print("[bold]For your hands[/bold]")
    for raised in standing:
        out.print(f"  [bold]{raised.id:>3}  {plain(raised.reminder.headline)}[/bold]")
        out.print(f"       {plain(raised.reminder.sentence)}")
    if questions:
        say(f"  And {len(questions)} ride{'s ask' if len(questions) != 1 else ' asks'} which bike it was.")
    shown = _shown(standing)
    if shown is not None:
        say("")
        out.print(f"[bold]Why {shown.id}?[/bold]  (gritledger why {shown.id})")
        for line in why(workshop, shown.id):
            say(f"  {line}")
    say("")
    say("Go on with it:")
    say(f"  export GRITLEDGER_HOME={home}")
    for command, meaning in (
        ("gritledger due", "what needs hands"),
        ("gritledger rides --unsure", "rides whose bike is a question; assign RIDE BIKE answers"),
        ("gritledger drip Courser", "log a drip and see what it answers; undo takes it back"),
        ("gritledger outlook", "how far each limit is"),
        ("gritledger page", "all of it in your browser"),
    ):
        say(f"  {command:<28} {meaning}")
    say(f"({home.name} is yours to delete.)")


def _shown(standing: list[RaisedReminder]) -> RaisedReminder | None:
    """The reminder with the shortest trace that has ride hours in it: one to follow by hand."""
    traced = [r for r in standing if sum(reason.ride is not None for reason in r.reminder.reasons) >= 2]
    return min(traced or standing, key=lambda r: len(r.reminder.reasons), default=None)
