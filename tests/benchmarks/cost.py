"""What does an event cost, whatever lies behind it? `python -m tests.benchmarks.cost [rides …]`

The same household at several sizes: four bikes, a chain worn out every fifty rides. Processor time of this
process, the least of a few; the last column is the largest household against the smallest. A file is dropped
into a watched folder and taken by a round; a correction puts a ride of a day, of months, of five years ago on
no bike. A command's own work is what it does once it is loaded. In 200 rides no chain is retired and no life
is over, so what tells of those has less to tell. --fit: judge all rides by all, too; minutes.
"""

from __future__ import annotations

import contextlib
import io
import random
import sys
import tempfile
import threading
import time
from collections.abc import Iterator
from datetime import UTC, datetime, timedelta
from pathlib import Path

from fastapi.testclient import TestClient
from sqlalchemy import insert, select, update

from ingest.bikes.judge import WAY_OF_JUDGING, HeardSensor, RideClues
from ingest.ground.conditions import WAY_OF_TAGGING
from ingest.ride.counted_recordings import WAY_OF_GROUPING
from ingest.ride.sketch import packed_sketch
from rules.commands import LogTreatment, PutRidesOn
from rules.vocabulary import ChainId, DecidedBy, ReadingTool, RideId, TreatmentKind
from services.app import App
from services.running.round import Watching, one_round
from services.store.assignments import MachineDecision
from services.store.bookkeeping import BIKES_FITTED, BIKES_JUDGED_BY, CONDITIONS_TAGGED_BY, OUTINGS_BY
from services.store.files import FileRecord
from services.store.ride_rows import TAG
from services.store.tables_rides import Tagged, condition_tag, ride_hour
from services.use_cases.judge_bikes import judge_later, judge_new_rides
from services.use_cases.record_change import record
from services.use_cases.undo import undo
from services.web.app import create_app
from services.wiring import open_app
from tests.put_into import into
from tests.services.store.household import ride_summary, tag
from tests.straight_ride import straight_ride
from tests.wet_household import a_ride

SIZES = (200, 20_000)
FIT = "--fit"
BIKES, RIDES_A_CHAIN, RIDES_A_DAY = 4, 50, 4
NOW = datetime(2026, 6, 1, 12, tzinfo=UTC)  # a Monday, outside the quiet hours
MINUTE = timedelta(minutes=1)
PAGES = (
    *("/", "/rides", "/rides?like=wet&page=3", "/rides?text=ride+77", "/rides?text=fit", "/rides?bike=1"),
    *("/chains", "/chains?where=retired", "/wear", "/why", "/care", "/files"),
    *("/settings/chains", "/settings/sensors"),
)
COMMANDS = (
    *(["due"], ["rides"], ["outlook"], ["wear"], ["wax-night"], ["trial"], ["supplies"], ["list", "files"]),
    *(["what-if", "--on", "Bike 1", "--word", "wet"], ["what-if", "--ride", "100", "--on", "Bike 1"]),
)
WEATHER = ((0.0, 0.0, 0.1), (0.0, 0.0, 1.2), (0.9, 0.2, 0.0), (0.2, 0.0, 0.0))


def household(home: Path, rides: int) -> App:
    """So many rides on four bikes, tagged and judged, with the care that goes with them."""
    (home / "rides").mkdir(parents=True)
    (home / "settings.toml").write_text(
        f'[[watch]]\nfolder = "{home / "rides"}"\nquiet_s = 0.0\nrider = "Ines"\n'
        '[weather]\narchive = "none"\n'
        f'[channels]\ncalendar_file = "{home / "chains.ics"}"\n'
    )
    shop, dice = open_app(home), random.Random(1)
    first = NOW - timedelta(days=rides / RIDES_A_DAY)
    starts = [first + timedelta(days=number / RIDES_A_DAY) for number in range(rides)]
    with shop.store.writing() as tx:
        riders = [into(tx).add_rider(name, time_zone="UTC") for name in ("Ines", "Tomas")]
        bikes = [into(tx).add_bike(f"Bike {n}", riders[n % 2].id, unpaved_share=0.3) for n in range(BIKES)]
        for number, bike in enumerate(bikes):
            into(tx).add_sensor("power meter", f"serial {4711 + number}", bike.id)
        clues = [
            RideClues(
                riders[number % 2].id,
                start,
                start + timedelta(hours=2),
                sensors=(HeardSensor("power meter", f"serial {4711 + number % BIKES}"),),
                speed_mps=6.0 + dice.random(),
                start_cell=(dice.randrange(3), 4),
                weekday=start.weekday(),
            ).to_json()
            for number, start in enumerate(starts)
        ]
        sketch = packed_sketch(straight_ride(NOW - timedelta(days=3650), 7200))  # of nowhere near: all alike
        ids = tx.rides.add_many(
            [
                (
                    ride_summary(start, 2, title=f"Ride {n}", track=b"", sketch=sketch, file_name=f"{n}.fit"),
                    riders[n % 2].id,
                    said,
                )
                for n, (start, said) in enumerate(zip(starts, clues, strict=True))
            ]
        )
        tx.rides.record_judged(
            [
                MachineDecision(one, bikes[n % BIKES].id, DecidedBy.SENSOR, 0.999, "certain", "{}")
                for n, one in enumerate(ids)
            ],
            at=NOW,
            by="the round",
        )
        hours = tx._connection.execute(select(ride_hour.c.id, ride_hour.c.hour_start)).all()
        tags = []
        for hour, at in hours:
            water, mud, dust = dice.choice(WEATHER)
            made = {"ride_hour": hour, "is_current": True, "made_at": at, "checked_at": at}
            tags.append(made | TAG.values(tag(water, mud=mud, dust=dust)))
        tx._connection.execute(insert(condition_tag), tags)
        tx._connection.execute(update(ride_hour).values(tagged=Tagged.FINAL))
        tx.files.record_new(
            [
                FileRecord(f"{n:064x}", f"/rides/{n}.fit", 50_000, start, "new ride", "", "", one)
                for n, (one, start) in enumerate(zip(ids, starts, strict=True))
            ]
        )
        tx.files.record_paths((f"/rides/{n}.fit", 50_000, 1.0) for n in range(rides))
        _chains(tx, starts, bikes)
        tx.notes.put(BIKES_JUDGED_BY, WAY_OF_JUDGING, at=NOW)
        tx.notes.put(OUTINGS_BY, WAY_OF_GROUPING, at=NOW)
        tx.notes.put(BIKES_FITTED, rides, at=NOW)
        tx.notes.put(CONDITIONS_TAGGED_BY, WAY_OF_TAGGING, at=NOW)
    return shop


def _chains(tx, starts, bikes) -> None:  # type: ignore[no-untyped-def]
    """A chain a bike for fifty of its rides: a drip every fifth, a bath every fifteenth, two readings."""
    a_life = RIDES_A_CHAIN * BIKES
    for life in range(-(-len(starts) // a_life)):
        own = starts[life * a_life : (life + 1) * a_life]
        for number, bike in enumerate(bikes):
            chain = into(tx).add_chain(f"Chain {life}-{number}", speeds=12, price=40)
            into(tx).fit_chain(chain.id, bike.id, own[0] - 20 * MINUTE)
            for turn, start in enumerate(own[number::BIKES]):
                kind = TreatmentKind.IMMERSION if turn % 15 == 0 else TreatmentKind.DRIP
                if turn % 5 == 0:
                    into(tx).log_treatment(chain.id, kind, start - 10 * MINUTE, minutes=8, cost=0.5)
                if turn in (15, 30):
                    read_at = start - 15 * MINUTE
                    into(tx).log_reading(chain.id, ReadingTool.CALIPER, read_at, exact_pct=turn / 150)
            if (life + 1) * a_life < len(starts):
                into(tx).retire_chain(chain.id, starts[(life + 1) * a_life] - 20 * MINUTE)


@contextlib.contextmanager
def taking(found: dict[str, float], what: str) -> Iterator[None]:
    """Note what a block took; the least of several counts."""
    begun = time.process_time()
    yield
    found[what] = min(found.get(what, float("inf")), 1000 * (time.process_time() - begun))


def writes(shop: App) -> int:
    """How many transactions have been written."""
    with shop.store.reading() as tx:
        return tx.writes()


def measured(home: Path, rides: int) -> dict[str, float]:
    """What each event takes. [ms]"""
    shop, found = household(home, rides), dict[str, float]()
    watching, now = Watching(), NOW
    with taking(found, "a first round, everything derived"):
        one_round(shop, now=now, watching=watching)
    while _names_wait(shop):
        one_round(shop, now=now, watching=watching)
    pages = create_app(shop, clock=lambda: now)
    page = TestClient(
        pages, base_url="http://localhost"
    )  # without its warmer: that works in a row of its own

    def get(path: str) -> None:
        page.get(path).raise_for_status()

    get("/")
    pages.state.shared.snapshots.aside = True
    for number in range(3):
        start = now - timedelta(hours=2)
        (home / "rides" / f"{number}.fit").write_bytes(a_ride(start, 4711, 0.0))
        now += MINUTE
        one_round(shop, now=now, watching=watching)
        now += MINUTE
        with taking(found, "a new file, round to reminder"):
            told = one_round(shop, now=now, watching=watching)
        assert "1 new ride." in told.sentences(), told.sentences()
        with taking(found, "a page after the file"):
            get("/")
        with taking(found, "the warmer after it"):
            pages.state.shared.snapshots.now().work_ahead(now)
        now += timedelta(minutes=100)  # not so long that all are judged by all
    for back in (4, 400, 7_000):
        if back < rides:
            answer = PutRidesOn(((RideId(rides - back), None),))
            with taking(found, "a correction"):
                done = record(shop, answer, now=now)
            with weighing_elsewhere(), taking(found, "a page after the correction"):
                get("/")
            with taking(found, "weighing the questions after it"):
                pages.state.shared.snapshots.weigh()
            with taking(found, "its undo"):
                undo(shop, done.number, now=now, confirmed=True)
    with taking(found, "a drip"):
        record(shop, LogTreatment(ChainId(newest_chain(shop)), TreatmentKind.DRIP, now), now=now)
    pages.state.shared.snapshots.weigh()
    for path in PAGES:
        get(path)
        for _ in range(12):
            with taking(found, f"page {path}"):
                get(path)
    for _ in range(6):  # the first have still to say what the one before did
        now += MINUTE
        before = writes(shop)
        with taking(found, "an idle round"):
            one_round(shop, now=now, watching=watching)
        found["  its writes"] = writes(shop) - before
    with shop.store.reading() as tx:
        standing = tx.reminders.standing()
    for words in (["why", str(standing[0].id)], *COMMANDS):  # of sizes with different numbers: one row
        for _ in range(3):
            with taking(found, f"command {'why' if words[0] == 'why' else ' '.join(words)}"):
                command(home, words)
    if FIT in sys.argv:
        with shop.store.writing() as tx:
            judge_later(tx, now)
        with taking(found, "the bikes of all rides, in a round"):
            judge_new_rides(shop.store, now, at_once=False)
    return found


def _names_wait(shop: App) -> bool:
    with shop.store.reading() as tx:
        return tx.rides.unnamed()


@contextlib.contextmanager
def weighing_elsewhere() -> Iterator[None]:
    """No thread begins to weigh questions: what that takes stands in a row of its own."""
    start = threading.Thread.start
    threading.Thread.start = lambda one: None if one.name == "weighing" else start(one)  # type: ignore[method-assign]
    try:
        yield
    finally:
        threading.Thread.start = start  # type: ignore[method-assign]


def newest_chain(shop: App) -> int:
    """The number of the chain that came last."""
    with shop.store.reading() as tx:
        return max(one.id for one in tx.equipment.chains())


def command(home: Path, words: list[str]) -> None:
    """What a command does once it is loaded."""
    from services.cli.program import commands

    with contextlib.redirect_stdout(io.StringIO()), contextlib.suppress(SystemExit):
        commands([*words, "--home", str(home)])


def main() -> None:
    """Print the table."""
    sizes = [int(one) for one in sys.argv[1:] if one != FIT] or list(SIZES)
    with tempfile.TemporaryDirectory() as folder:
        found = [measured(Path(folder) / str(size), size) for size in sizes]
    print("".join([f"{'processor time, ms':40}", *(f"{size:>10}" for size in sizes), f"{'ratio':>9}"]))
    for what in found[0]:
        row = [one.get(what, float("nan")) for one in found]
        ratio = f"{row[-1] / row[0]:9.2f}" if row[0] else ""
        print("".join([f"{what:40}", *(f"{one:10.1f}" for one in row), ratio]))


if __name__ == "__main__":
    main()
