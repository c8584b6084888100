"""How fast years of rides are read into the ledger, in how much memory: python -m tests.benchmarks.importing

Rides of 3 h at 1 Hz are generated as real FIT files and imported by the command a rider would type, without
weather, into SQLite. Work of others on the machine makes it slower: the load and the processor time are shown
beside the clock's.
"""

from __future__ import annotations

import argparse
import os
import resource
import shutil
import subprocess
import sys
import tempfile
import threading
import time
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from pathlib import Path

import numpy as np
import psutil

from fixtures.fit_writer import fit_bytes
from ingest.files.read_pool import ToRead
from ingest.ride.recording import Recording, SensorSeen
from services.app import App
from services.settings import SETTINGS_FILE
from services.use_cases.import_rides import Outcome, import_files
from services.wiring import open_app

FIRST = datetime(2020, 1, 1, 9, tzinfo=UTC)
RIDE_S = 3 * 3600
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
        rider = tx.equipment.add_rider("Iva")
        for name, sensor, _ in BIKES:
            bike = tx.equipment.add_bike(name, rider.id)
            chain = tx.equipment.add_chain(f"{name}'s chain", speeds=11)
            tx.equipment.fit_chain(chain.id, bike.id, FIRST - timedelta(days=9))
            if sensor is not None:
                tx.equipment.add_sensor("power meter", f"serial {sensor}", bike.id)
    return shop


@dataclass(frozen=True, slots=True)
class Run:
    """One command, measured: clock and processor seconds, and the most memory its processes held at once."""

    clock_s: float
    cpu_s: float
    peak_mb: float


def measured(*command: str) -> Run:
    """Run a gritledger command to its end."""
    before, begun = resource.getrusage(resource.RUSAGE_CHILDREN), time.perf_counter()
    program = [sys.executable, "-c", "from services.cli import main; main()", *command]
    process = subprocess.Popen(program, stdout=subprocess.PIPE, stderr=subprocess.STDOUT, text=True)
    peak, done = [0], threading.Event()

    def look() -> None:
        while not done.wait(0.05):
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
    return Run(clock_s, cpu_s, max(peak) / 1e6)


def _tree_bytes(root: int) -> int:
    """Resident bytes of a process and all below it; what they share counts once for each."""
    total = 0
    try:
        top = psutil.Process(root)
        for one in (top, *top.children(recursive=True)):
            total += one.memory_info().rss
    except psutil.Error:
        pass
    return total


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
    chosen = parser.parse_args()
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
    print(f"{'':<34}{'clock':>9}{'rides/s':>9}{'cpu':>9}{'cpu/ride':>11}{'peak memory':>14}")
    try:
        for name, folder in (("few", few), ("all", files)):
            count = len(list(folder.iterdir()))
            household(place / name).store.close()
            run = measured("import", str(folder), "--home", str(place / name))
            print(
                f"{f'import of {count} new files':<34}{run.clock_s:>7.1f} s{count / run.clock_s:>9.1f}"
                f"{run.cpu_s:>7.1f} s{1000 * run.cpu_s / count:>8.1f} ms{run.peak_mb:>11.0f} MB"
            )
        again = measured("import", str(files), "--home", str(place / "all"))
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
