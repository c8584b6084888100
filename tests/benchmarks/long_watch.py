"""Does `watch` stay as it is through a day? Memory, handles, threads, log and disk, hour by hour.

    python -m tests.benchmarks.long_watch --hours 8 --faster 60

A real watching process with its page, whose clock runs that many times faster and which makes a round a
second: at 60 times, more rounds than as many real hours have. A ride comes every ten minutes of that clock,
and the page is asked for; every hour a damaged file and a copy come too, and one file waits all the time.
Begins to compare after the first hour, when all that is loaded once is loaded. Ends with 1 when handles or
threads grew, when memory grew by more than a tenth, or when the log said a thing more often than it happened.
Linux only.
"""

from __future__ import annotations

import argparse
import os
import secrets
import signal
import socket
import subprocess
import sys
import tempfile
import time
from collections import Counter
from contextlib import suppress
from dataclasses import astuple, dataclass
from datetime import UTC, datetime, timedelta
from pathlib import Path
from random import Random

import httpx

from services.settings import SETTINGS_FILE
from services.wiring import open_app
from tests.wet_household import BIKES, FIRST_DAY, a_ride, household

RIDE_EVERY = timedelta(minutes=10)
MOST_GROWTH = 1.1
HEADINGS = ("hour", "rounds", "rides", "memory MB", "readers' MB", "handles", "threads", "log kB", "home MB")
BEGUN_FILE = "rounds.txt"


@dataclass(frozen=True, slots=True)
class Sight:
    """The watching process at one moment."""

    hour: int
    rounds: int
    rides: int
    memory_mb: float
    readers_mb: float
    handles: int
    threads: int
    log_kb: float
    home_mb: float


def watch_faster(home: Path, faster: float) -> None:
    """The watching process itself: `gritledger watch`, but for its clock. Counts its rounds in a file."""
    from services.running import watch as running

    begun, rounds, make_round = datetime.now(UTC), home.parent / BEGUN_FILE, running.one_round

    class Clock(datetime):
        @classmethod
        def now(cls, tz: object = None) -> datetime:  # type: ignore[override]
            return begun + (datetime.now(UTC) - begun) * faster

    def counted(*args: object, **options: object) -> object:
        with rounds.open("ab") as file:
            file.write(b".")
        return make_round(*args, **options)  # type: ignore[arg-type]

    running.datetime = Clock  # type: ignore[attr-defined, misc]
    running.one_round = counted  # type: ignore[assignment]
    running.watch(open_app(home), with_page=True, say=lambda line: print(line, flush=True))


def run(hours: int, faster: float, seed: int, place: Path) -> int:
    """Watch for so long, with files coming; prints the table and returns how much was not as it must be."""
    chance, home, log = Random(seed), place / "home", place / "log.txt"
    household(home, 400, None)
    with socket.socket() as free:
        free.bind(("127.0.0.1", 0))
        port = free.getsockname()[1]
    (home / SETTINGS_FILE).write_text(
        '[[watch]]\nfolder = "rides"\nquiet_s = 30\n[quiet_hours]\nevery_s = 1\n'
        f'[weather]\narchive = "local"\nlocal_file = "weather.csv"\n[page]\nport = {port}\n'
    )
    (home / "rides" / "next year.fit").write_bytes(a_ride(datetime.now(UTC) + timedelta(days=400), 1, 0.0))
    command = [sys.executable, "-m", __spec__.name, "--inside", str(home), "--faster", str(faster)]
    with log.open("wb") as out:
        process = subprocess.Popen(command, stdout=out, stderr=subprocess.STDOUT)
    sights, given = [], []
    try:
        while not _answers(port, "/"):
            time.sleep(0.5)
        begun = time.monotonic()
        steps = round(hours / (RIDE_EVERY / timedelta(hours=1)))
        for step in range(steps + 1):
            until = begun + step * RIDE_EVERY.total_seconds() / faster
            time.sleep(max(until - time.monotonic(), 0.0))
            assert process.poll() is None, log.read_text()[-3000:]
            passed = step * RIDE_EVERY
            if passed % timedelta(hours=1) == timedelta(0):
                sights.append(_sight(process.pid, passed // timedelta(hours=1), home, log))
                (home / "rides" / f"{step} damaged.fit").write_bytes(chance.randbytes(4000))
                if given:
                    (home / "rides" / f"{step} again.fit").write_bytes(chance.choice(given))
            name, sensor = BIKES[step % len(BIKES)]
            given.append(a_ride(FIRST_DAY + timedelta(days=step, hours=16), sensor, (step % 2) * 0.01))
            (home / "rides" / f"{step} {name}.fit").write_bytes(given[-1])
            if step:
                for path in ("/", "/rides", "/api/due"):
                    _answers(port, path)
    finally:
        process.send_signal(signal.SIGTERM)
        process.wait(60)
    return _told(sights, log.read_text())


def _answers(port: int, path: str) -> bool:
    with suppress(httpx.TransportError):
        return httpx.get(f"http://127.0.0.1:{port}{path}", timeout=60).status_code == 200
    return False


def _told(sights: list[Sight], log: str) -> int:
    print("  ".join(f"{heading:>11}" for heading in HEADINGS))
    for one in sights:
        print(
            "  ".join(
                f"{value:>11.1f}" if isinstance(value, float) else f"{value:>11}" for value in astuple(one)
            )
        )
    warm, last = sights[1], sights[-1]
    repeated = {
        line: times
        for line, times in Counter(line[6:] for line in log.splitlines()).items()
        if times > 2 and "new ride" not in line
    }
    rows = {
        "memory": last.memory_mb > MOST_GROWTH * warm.memory_mb,
        "handles": last.handles > warm.handles,
        "threads": last.threads > warm.threads,
        "tracebacks": "Traceback" in log,
    }
    for what, grew in rows.items():
        print(f"{'WRONG ' if grew else ''}{what}: {'grew' if grew else 'as after the first hour, or less'}")
    print(f"log: {len(log.splitlines())} lines; said more than twice, but for new rides:")
    for line, times in sorted(repeated.items(), key=lambda one: -one[1])[:12]:
        print(f"  {times:>4} {line[:140]}")
    return sum(rows.values())


def _sight(process: int, hour: int, home: Path, log: Path) -> Sight:
    rounds = home.parent / BEGUN_FILE
    with open_app(home).store.reading() as tx:
        rides = tx.rides.count()
    return Sight(
        hour,
        rounds.stat().st_size if rounds.exists() else 0,
        rides,
        _memory_mb(process),
        sum(_memory_mb(one) for one in _below(process)),
        len(os.listdir(f"/proc/{process}/fd")),
        len(os.listdir(f"/proc/{process}/task")),
        log.stat().st_size / 1e3,
        sum(one.stat().st_size for one in home.glob("gritledger.db*")) / 1e6,
    )


def _memory_mb(process: int) -> float:
    """What it holds in memory that no other process holds as well, where the system tells."""
    try:
        lines = Path(f"/proc/{process}/smaps_rollup").read_text().splitlines()
    except OSError:
        return 0.0
    return (
        sum(int(line.split()[1]) for line in lines if line.startswith(("Private_Clean", "Private_Dirty")))
        / 1e3
    )


def _below(process: int) -> list[int]:
    found = []
    for task in Path(f"/proc/{process}/task").iterdir():
        try:
            children = [int(one) for one in (task / "children").read_text().split()]
        except OSError:
            continue
        for child in children:
            found += [child, *_below(child)] if Path(f"/proc/{child}").exists() else []
    return found


def main() -> int:
    """Run it and print the table."""
    options = argparse.ArgumentParser(description=__doc__)
    options.add_argument("--hours", type=int, default=8)
    options.add_argument("--faster", type=float, default=60.0)
    options.add_argument("--seed", type=int, default=secrets.randbelow(1_000_000))
    options.add_argument("--inside", type=Path, help=argparse.SUPPRESS)
    chosen = options.parse_args()
    if chosen.inside:
        watch_faster(chosen.inside, chosen.faster)
        return 0
    print(f"seed {chosen.seed}, {datetime.now(UTC):%Y-%m-%d %H:%M} UTC, load {os.getloadavg()[0]:.1f}")
    with tempfile.TemporaryDirectory() as scratch:
        return min(1, run(chosen.hours, chosen.faster, chosen.seed, Path(scratch)))


if __name__ == "__main__":
    sys.exit(main())
