"""What does a week of watching take in a household of many years? `python -m tests.benchmarks.week [rides]`

A round every five minutes by a clock that is turned on by hand, two ride files and a drip a day, and nobody
looks. Processor time, the most memory held, transactions written and how the database grew. All rides are
judged by all some hours after new ones came: that is counted here and left out, `.cost` has what it takes.
"""

from __future__ import annotations

import multiprocessing
import resource
import statistics
import sys
import tempfile
import time
from collections.abc import Iterable
from datetime import timedelta
from pathlib import Path

from rules.commands import LogTreatment
from rules.vocabulary import ChainId, TreatmentKind
from services.running.round import Watching, one_round
from services.store.bookkeeping import BIKES_FITTED, BIKES_JUDGED_BY
from services.use_cases.judge_bikes import BUT_THE_NEWEST, FIT_EVERY
from services.use_cases.record_change import record
from services.wiring import open_app
from tests.benchmarks.cost import NOW, household, newest_chain, writes
from tests.wet_household import a_ride

EVERY, DAYS = timedelta(minutes=5), 7
RIDDEN = (timedelta(hours=6), timedelta(hours=17))  # when files come, of each day


def build(home: Path, rides: int) -> None:
    """In a process of its own: what building takes is no watching."""
    shop = household(home, rides)
    one_round(shop, now=NOW, watching=Watching())
    while _names_wait(home):
        one_round(shop, now=NOW, watching=Watching())


def _names_wait(home: Path) -> bool:
    shop = open_app(home)
    with shop.store.reading() as tx:
        return tx.rides.unnamed()


def watched(home: Path) -> None:
    """Go through the week and print what it took."""
    shop, watching, files = open_app(home), Watching(), home / "rides"
    size = _size(home)
    at_first, fits = writes(shop), 0
    idle: list[float] = []
    busy: list[float] = []
    for number in range(int(timedelta(days=DAYS) / EVERY)):
        now = NOW + number * EVERY
        of_day = now - now.replace(hour=0, minute=0)
        if of_day in RIDDEN:
            (files / f"{now:%d-%H}.fit").write_bytes(a_ride(now - timedelta(hours=2), 4711, 0.0))
        with shop.store.reading() as tx:
            fitted_at, by = tx.notes.written_at(BIKES_FITTED), tx.notes.get(BIKES_JUDGED_BY)
        if by == BUT_THE_NEWEST and fitted_at is not None and now >= fitted_at + FIT_EVERY:
            fits += 1
            with shop.store.writing() as tx:
                tx.notes.put(BIKES_FITTED, 0, at=now)
        before, begun = writes(shop), time.process_time()
        if of_day == timedelta(hours=20):
            record(shop, LogTreatment(ChainId(newest_chain(shop)), TreatmentKind.DRIP, now), now=now)
        one_round(shop, now=now, watching=watching)
        took = 1000 * (time.process_time() - begun)
        (idle if writes(shop) == before else busy).append(took)
    print(f"{len(idle)} rounds that wrote nothing: {_told(idle)}")
    print(f"{len(busy)} rounds that wrote, and what was said before them: {_told(busy)}")
    print(f"altogether {(sum(idle) + sum(busy)) / 1000:.1f} s of processor time in {DAYS} days")
    print(f"{writes(shop) - at_first - fits} transactions written")
    print(f"the database grew by {_size(home) - size:.1f} MB")
    print(f"at most {resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024:.0f} MB of memory")
    print(f"{fits} times all rides would have been judged by all")


def _told(took: Iterable[float]) -> str:
    took = sorted(took)
    if not took:
        return "none"
    return (
        f"median {statistics.median(took):.1f} ms, p95 {took[int(0.95 * len(took))]:.1f}, most {took[-1]:.0f}"
    )


def _size(home: Path) -> float:
    return sum(path.stat().st_size for path in home.glob("gritledger.db*")) / 1e6


def main() -> None:
    """Build, watch, print."""
    rides = int(sys.argv[1]) if len(sys.argv) > 1 else 20_000
    with tempfile.TemporaryDirectory() as folder:
        home = Path(folder) / "home"
        builder = multiprocessing.get_context("spawn").Process(target=build, args=(home, rides))
        builder.start()
        builder.join()
        print(f"{rides} rides")
        watched(home)


if __name__ == "__main__":
    main()
