"""How fast years of rides are read into the ledger, in how much memory: python -m tests.benchmarks.importing

Rides of 3 h at 1 Hz are generated as real FIT files and imported by the command a rider would type, without
weather, into SQLite. Work of others on the machine makes it slower: the load and the processor time are shown
beside the clock's. Before that the same files are only read, summed up and stored, without the clues by which
bikes are judged; and one process does every step alone, to show what each costs.
"""

from __future__ import annotations

import argparse
import itertools
import os
import resource
import shutil
import statistics
import subprocess
import sys
import tempfile
import threading
import time
from collections.abc import Callable
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from functools import partial
from pathlib import Path
from typing import TypeVar

import numpy as np
import psutil

from fixtures.fit_writer import fit_bytes
from ingest.bikes.ride_clues import clues_of
from ingest.files.process_memory import keep_memory
from ingest.files.read_pool import ToRead, read_all
from ingest.files.reader import recordings_in
from ingest.ride.recording import Recording, SensorSeen
from ingest.ride.summary import summarise
from rules.vocabulary import RiderId
from services.app import App
from services.settings import SETTINGS_FILE
from services.use_cases.import_rides import BATCH, Outcome, import_files
from services.wiring import open_app
from tests.put_into import into

FIRST = datetime(2020, 1, 1, 9, tzinfo=UTC)
RIDE_S = 3 * 3600
T = TypeVar("T")
BIKES = (("Plover", 4711, 2.1), ("Harrier", 4712, 2.2), ("Courser", None, 2.0), ("Dotterel", 4714, 2.15))
GEARS = np.array([1.4, 1.7, 2.0, 2.3, 2.7, 3.1, 3.5])


def ride_file(number: int) -> bytes:
    """A ride of its own day: gears shifted, coasting, hills; its bike's sensor, if it has one."""
    dice = np.random.default_rng(number)
    _, sensor, wheel_m = BIKES[number % len(BIKES)]
    seconds = np.arange(RIDE_S)
    gear = np.repeat(dice.choice(GEARS, RIDE_S // 60 + 1), 60)[:RIDE_S]
    cadence = np.where(dice.random(RIDE_S // 30 + 1) < 0.15, 0.0, 82.0).repeat(30)[:RIDE_S]
    cadence = np.where(cadence > 0, cadence + dice.integers(-4, 5, RIDE_S), 0.0)
    speed = np.where(cadence > 0, cadence / 60 * gear * wheel_m, 7.0) + dice.normal(0, 0.05, RIDE_S)
    heading = np.cumsum(dice.normal(0, 0.02, RIDE_S))
    return fit_bytes(
        Recording(
            file_name=f"{number}.fit",
            reader="invented",
            time_s=(FIRST + timedelta(days=number)).timestamp() + seconds,
            latitude_deg=-31.0 + np.cumsum(speed * np.cos(heading)) / 111_195,
            longitude_deg=21.0 + np.cumsum(speed * np.sin(heading)) / 95_000,
            altitude_m=1400 + 40 * np.sin(seconds / 900),
            distance_m=np.cumsum(speed),
            speed_mps=speed,
            cadence_rpm=cadence,
            power_w=np.where(cadence > 0, 170.0 + dice.integers(-40, 41, RIDE_S), 0.0),
            temperature_c=np.full(RIDE_S, 18.0),
            heart_rate_bpm=130.0 + dice.integers(-3, 4, RIDE_S),
            sport="cycling",
            sub_sport="road",
            device=SensorSeen("head unit", serial=1),
            sensors=() if sensor is None else (SensorSeen("power meter", serial=sensor),),
        )
    )


def household(home: Path) -> App:
    """One rider with four bikes; three carry a sensor that is known. No weather."""
    home.mkdir(parents=True)
    (home / SETTINGS_FILE).write_text('[weather]\narchive = "none"\n')
    shop = open_app(home)
    with shop.store.writing() as tx:
        rider = into(tx).add_rider("Iva")
        for name, sensor, _ in BIKES:
            bike = into(tx).add_bike(name, rider.id)
            chain = into(tx).add_chain(f"{name}'s chain", speeds=11)
            into(tx).fit_chain(chain.id, bike.id, FIRST - timedelta(days=9))
            if sensor is not None:
                into(tx).add_sensor("power meter", f"serial {sensor}", bike.id)
    return shop


@dataclass(frozen=True, slots=True)
class Run:
    """One command, measured: clock and processor seconds, and the most memory its processes held at once.

    peak_mb: what processes share is counted once.  resident_mb: counted for each that has it.
    """

    clock_s: float
    cpu_s: float
    peak_mb: float
    resident_mb: float


GRITLEDGER = ("-c", "from services.cli import main; main()")


def measured(*command: str) -> Run:
    """Run a command of Python to its end."""
    before, begun = resource.getrusage(resource.RUSAGE_CHILDREN), time.perf_counter()
    process = subprocess.Popen(
        [sys.executable, *command], stdout=subprocess.PIPE, stderr=subprocess.STDOUT, text=True
    )
    peak, done = [(0, 0)], threading.Event()

    def look() -> None:
        while not done.wait(0.25):
            peak.append(_tree_bytes(process.pid))

    looking = threading.Thread(target=look)
    looking.start()
    said, _ = process.communicate()
    clock_s = time.perf_counter() - begun
    done.set()
    looking.join()
    after = resource.getrusage(resource.RUSAGE_CHILDREN)
    if process.returncode:
        raise SystemExit(said)
    cpu_s = after.ru_utime + after.ru_stime - before.ru_utime - before.ru_stime
    shared_once, resident = (max(side) / 1e6 for side in zip(*peak, strict=True))
    return Run(clock_s, cpu_s, shared_once, resident)


def _tree_bytes(root: int) -> tuple[int, int]:
    """Bytes of a process and all below it: what they share counted once, and counted for each."""
    shared_once = resident = 0
    try:
        top = psutil.Process(root)
        for one in (top, *top.children(recursive=True)):
            memory = one.memory_full_info()
            shared_once += memory.pss
            resident += memory.rss
    except psutil.Error:
        pass
    return shared_once, resident


def read_and_store(folder: Path, home: Path) -> None:
    """The same files read, summed up and stored, but nothing is looked for that tells bikes apart."""
    shop = household(home)
    with shop.store.reading() as tx:
        rider = tx.equipment.riders()[0].id
    # Whose ride it is not known, no clues are gathered.
    read = read_all([ToRead(file, None) for file in sorted(folder.iterdir())], datetime.now(UTC))
    while batch := list(itertools.islice(read, BATCH)):
        with shop.store.writing() as tx:
            tx.rides.add_many([(m.summary, rider, "") for one in batch for m in one.members if m.summary])
    with shop.store.reading() as tx:
        assert tx.rides.count() == len(list(folder.iterdir()))


def step_by_step(folder: Path, home: Path) -> None:
    """Processor milliseconds of each step of one ride, the median of some, in one process."""
    keep_memory()
    files = sorted(folder.iterdir())[:40]
    shop, now = household(home), datetime.now(UTC)
    with shop.store.reading() as tx:
        rider: RiderId = tx.equipment.riders()[0].id
    spent: dict[str, list[float]] = {}

    def timed(step: str, action: Callable[[], T]) -> T:
        begun = time.process_time()
        result = action()
        spent.setdefault(step, []).append(1000 * (time.process_time() - begun))
        return result

    for _ in range(3):
        summaries = []
        for file in files:
            data = file.read_bytes()
            (recording,) = timed("read", partial(recordings_in, data, file.name))
            summary = timed("sum up", partial(summarise, recording, now=now))
            clues = timed("gather clues", partial(clues_of, recording, summary, rider))
            summaries.append((summary, rider, clues.to_json()))
        with shop.store.writing() as tx:
            timed("store", partial(tx.rides.add_many, summaries))
    spent["store"] = [ms / len(files) for ms in spent["store"]]
    medians = ", ".join(f"{step} {statistics.median(ms):.2f} ms" for step, ms in spent.items())
    print(f"one ride, step by step: {medians}", flush=True)


def one_new_file(shop: App, folder: Path, number: int) -> float:
    """Seconds from a file to a stored ride, in a process that has read one before."""
    for warm in (number, number + 1):
        file = folder / f"new-{warm}.fit"
        file.write_bytes(ride_file(warm))
        with shop.store.reading() as tx:
            rider = tx.equipment.riders()[0].id
        begun = time.perf_counter()
        (outcome,) = import_files(shop.store, [ToRead(file, rider)], now=datetime.now(UTC))
        elapsed_s = time.perf_counter() - begun
        assert outcome.outcome is Outcome.NEW, outcome
    return elapsed_s


def main() -> None:
    """Generate, import, print the table."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--rides", type=int, default=2000)
    parser.add_argument("--folder", type=Path, help="Where to keep the generated files for another run.")
    parser.add_argument("--read-and-store", type=Path, nargs=2, help=argparse.SUPPRESS)
    parser.add_argument("--step-by-step", type=Path, nargs=2, help=argparse.SUPPRESS)
    chosen = parser.parse_args()
    if chosen.read_and_store:
        read_and_store(*chosen.read_and_store)
        return
    if chosen.step_by_step:
        step_by_step(*chosen.step_by_step)
        return
    place = Path(tempfile.mkdtemp(prefix="importing-"))
    files = chosen.folder or place / "rides"
    files.mkdir(parents=True, exist_ok=True)
    for number in range(chosen.rides):
        file = files / f"{number:05}.fit"
        if not file.exists():
            file.write_bytes(ride_file(number))
    few = place / "some rides"
    few.mkdir()
    for file in sorted(files.iterdir())[: chosen.rides // 10]:
        (few / file.name).symlink_to(file)
    print(
        f"{os.cpu_count()} cores, load {os.getloadavg()[0]:.1f}; 3 h rides at 1 Hz, FIT, SQLite, no weather"
    )
    itself = ("-m", "tests.benchmarks.importing")
    subprocess.run(
        [sys.executable, *itself, "--step-by-step", str(few), str(place / "steps")],
        env={**os.environ, "OPENBLAS_NUM_THREADS": "1"},  # as in the processes that read
        check=True,
    )
    print(f"{'':<34}{'clock':>9}{'rides/s':>9}{'cpu':>9}{'cpu/ride':>11}{'peak memory':>14}{'resident':>12}")
    try:
        for name, folder in (("few", few), ("stored", files), ("all", files)):
            count = len(list(folder.iterdir()))
            if name == "stored":
                what = f"{count} files read and stored"
                run = measured(*itself, "--read-and-store", str(folder), str(place / name))
            else:
                household(place / name).store.close()
                what = f"import of {count} new files"
                run = measured(*GRITLEDGER, "import", str(folder), "--home", str(place / name))
            print(
                f"{what:<34}{run.clock_s:>7.1f} s{count / run.clock_s:>9.1f}"
                f"{run.cpu_s:>7.1f} s{1000 * run.cpu_s / count:>8.1f} ms{run.peak_mb:>11.0f} MB"
                f"{run.resident_mb:>9.0f} MB"
            )
        again = measured(*GRITLEDGER, "import", str(files), "--home", str(place / "all"))
        print(f"{f'again over {count} known files':<34}{again.clock_s:>7.2f} s{'':>9}{again.cpu_s:>7.2f} s")
        shop = open_app(place / "all")
        with shop.store.reading() as tx:
            assert tx.rides.count() == count
        alone_s = one_new_file(shop, place, chosen.rides + 10)
        print(f"{'one new file to stored ride':<34}{alone_s:>7.3f} s")
        print(f"load at the end {os.getloadavg()[0]:.1f}")
    finally:
        shutil.rmtree(place)


if __name__ == "__main__":
    main()
