"""What is lost or doubled when everything around `watch` goes wrong at once?

    python -m tests.benchmarks.rough_folder --kills 200 [--seed N] [--small-disk FOLDER]

A real `gritledger watch` runs on a real folder. Files come slowly, half, twice, under names that differ in
case or in how an accent is written, as links, in archives, over one another while they are read; beside them
lie pipes, sockets, links to nowhere and to themselves. Meanwhile the watching process, its readers and the
process they are forked from are killed, imports are started beside it and killed, the ledger is locked, the
folder is moved away and back, and, with --small-disk (a file system of a few MB), the disk is full.
In the end nothing is done but to wait: every ride must be there once, nothing may have been written to the
error output, and no restart may have been needed but for the kills. The seed is drawn anew and printed.
Linux only.
"""

from __future__ import annotations

import argparse
import gzip
import os
import random
import secrets
import shutil
import signal
import socket
import sqlite3
import subprocess
import sys
import tempfile
import time
import unicodedata
import zipfile
from collections import Counter
from contextlib import closing, suppress
from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta
from pathlib import Path

from rules.vocabulary import Ride
from services.settings import SETTINGS_FILE
from services.wiring import open_app
from tests.wet_household import BIKES, FIRST_DAY, RIDE_S, a_ride, household

QUIET_S = 0.4
RIDES_A_DAY = 24  # so that thousands of them stay in the past
PATIENCE_S = 1500.0  # for what waits because its reader was killed twice: five minutes, then ten
COMMAND = (sys.executable, "-c", "from services.cli import main; main()")


@dataclass
class World:
    """The folder, the household, the watching process, and what was done to them."""

    home: Path
    chance: random.Random
    errors: Path
    watching: subprocess.Popen[bytes] | None = None
    kills: Counter[str] = field(default_factory=Counter)
    ways: Counter[str] = field(default_factory=Counter)
    starts: set[datetime] = field(default_factory=set)
    given: list[bytes] = field(default_factory=list)
    ended_by_itself: int = 0

    @property
    def folder(self) -> Path:
        """Where the files are dropped."""
        return self.home.parent / "rides"

    def next_ride(self) -> bytes:
        """A ride that nobody has seen yet."""
        day, turn = divmod(len(self.starts), RIDES_A_DAY)
        bike = turn % len(BIKES)
        start = FIRST_DAY + timedelta(days=day, minutes=50 * turn)
        self.starts.add(start)
        content = a_ride(start, BIKES[bike][1], bike * 0.01)
        self.given.append(content)
        return content

    def start(self) -> None:
        """Begin to watch, or go on after a kill."""
        if self.watching is not None and self.watching.poll() not in (None, -signal.SIGKILL):
            print(f"watch ended by itself: status {self.watching.poll()}", file=sys.stderr, flush=True)
            self.ended_by_itself += 1
        with self.errors.open("ab") as errors:
            self.watching = subprocess.Popen(
                [*COMMAND, "watch", "--home", str(self.home), "--no-page"],
                stdout=subprocess.DEVNULL,
                stderr=errors,
            )

    def name(self, suffix: str = ".fit") -> Path:
        """A new place in the folder."""
        return self.folder / f"{len(self.given):05d}-{self.chance.randrange(1 << 20):05x}{suffix}"


# -- how files come ------------------------------------------------------------------------------------------


def plainly(world: World) -> None:
    world.name().write_bytes(world.next_ride())


def slowly(world: World) -> None:
    content, place = world.next_ride(), world.name()
    with place.open("wb") as file:
        for part in range(4):
            file.write(content[part * len(content) // 4 : (part + 1) * len(content) // 4])
            file.flush()
            time.sleep(0.1)


def stopped_and_copied_anew(world: World) -> None:
    """Half of it lies there for long enough to be taken for all of it."""
    content, place = world.next_ride(), world.name()
    place.write_bytes(content[: len(content) // 2])
    time.sleep(world.chance.uniform(0.0, 3 * QUIET_S))
    place.write_bytes(content)


def renamed_into_place(world: World) -> None:
    place = world.name()
    hidden = place.with_name(f".{place.name}.part")
    hidden.write_bytes(world.next_ride())
    hidden.rename(place)


def renamed_while_read(world: World) -> None:
    place = world.name()
    place.write_bytes(world.next_ride())
    time.sleep(world.chance.uniform(QUIET_S, 3 * QUIET_S))
    with suppress(FileNotFoundError):
        place.rename(world.name())


def over_one_another(world: World) -> None:
    """Another ride takes the place of one, not before that was settled, perhaps while it is read."""
    place = world.name()
    first = world.next_ride()
    place.write_bytes(first)
    time.sleep(world.chance.uniform(QUIET_S, 3 * QUIET_S))
    kept = world.name()
    kept.write_bytes(first)
    place.write_bytes(world.next_ride())


def twins_in_case(world: World) -> None:
    place = world.name()
    place.with_name(f"a{place.name}").write_bytes(world.next_ride())
    place.with_name(f"A{place.name.upper()}").write_bytes(world.next_ride())


def twins_in_accents(world: World) -> None:
    place = world.name()
    for form in ("NFC", "NFD"):
        name = unicodedata.normalize(form, f"Zürich é {place.name}")  # type: ignore[arg-type]
        place.with_name(name).write_bytes(world.next_ride())


def by_a_name_that_is_not_text(world: World) -> None:
    place = os.fsencode(world.name()) + b"\xff\xfe\n.fit"
    with open(place, "wb") as file:
        file.write(world.next_ride())


def as_a_link(world: World) -> None:
    outside = world.home.parent / "outside"
    outside.mkdir(exist_ok=True)
    place = world.name()
    (outside / place.name).write_bytes(world.next_ride())
    place.symlink_to(outside / place.name)


def again(world: World) -> None:
    world.name().write_bytes(world.chance.choice(world.given) if world.given else world.next_ride())


def packed(world: World) -> None:
    place = world.name(".fit.gz")
    place.write_bytes(gzip.compress(world.next_ride()))


def in_an_archive(world: World) -> None:
    with zipfile.ZipFile(world.name(".zip"), "w") as archive:
        for number in range(world.chance.randint(1, 5)):
            archive.writestr(f"days/{number}.fit", world.next_ride())
        archive.writestr("again.fit", world.chance.choice(world.given))


def a_folder_moved_in(world: World) -> None:
    outside = world.home.parent / f"moved-{len(world.given)}"
    outside.mkdir()
    for number in range(3):
        (outside / f"{number}.fit").write_bytes(world.next_ride())
    outside.rename(world.folder / outside.name)


def what_is_no_file(world: World) -> None:
    place = world.name()
    os.mkfifo(place)
    with suppress(OSError), socket.socket(socket.AF_UNIX) as one:
        one.bind(str(place.with_suffix(".sock")))
    place.with_name(f"{place.stem}-nowhere.fit").symlink_to("/nowhere")
    place.with_name(f"{place.stem}-itself.fit").symlink_to(f"{place.stem}-itself.fit")
    place.with_name(f"{place.stem}-above").symlink_to(world.folder)


def many(world: World) -> None:
    for _ in range(25):
        plainly(world)


WAYS = (
    plainly,
    slowly,
    stopped_and_copied_anew,
    renamed_into_place,
    renamed_while_read,
    over_one_another,
    twins_in_case,
    twins_in_accents,
    by_a_name_that_is_not_text,
    as_a_link,
    again,
    packed,
    in_an_archive,
    a_folder_moved_in,
    what_is_no_file,
    many,
)

# -- what goes wrong -----------------------------------------------------------------------------------------


def kill_the_watch(world: World) -> None:
    assert world.watching is not None
    world.watching.kill()
    world.watching.wait()
    world.kills["watch"] += 1
    world.start()


def kill_readers(world: World) -> None:
    """The readers as soon as there are any, or the process that they are forked from when there are none."""
    assert world.watching is not None
    until = time.monotonic() + world.chance.choice((0.5, 4.0))
    while time.monotonic() < until:
        forkers = _forkers(world.watching.pid)
        readers = [reader for forker in forkers for reader in _children(forker)]
        if readers:
            time.sleep(world.chance.uniform(0.0, 0.2))
            _end(world, world.chance.sample(readers, world.chance.randint(1, len(readers))), "a reader")
            return
        time.sleep(0.005)
    _end(world, _forkers(world.watching.pid), "idle: what readers are forked from")


def kill_an_import(world: World) -> None:
    with world.errors.open("ab") as errors:
        beside = subprocess.Popen(
            [*COMMAND, "import", str(world.folder), "--home", str(world.home)],
            stdout=subprocess.DEVNULL,
            stderr=errors,
        )
    time.sleep(world.chance.uniform(0.5, 5.0))
    world.kills["import" if beside.poll() is None else "import, ended before"] += 1
    beside.kill()
    beside.wait()


def lock_the_ledger(world: World) -> None:
    ledger = sqlite3.connect(world.home / "gritledger.db", timeout=20, isolation_level=None)
    with closing(ledger), suppress(sqlite3.OperationalError):
        ledger.execute("BEGIN IMMEDIATE")
        time.sleep(world.chance.choice((1.0, 4.0, 14.0)))
        ledger.execute("ROLLBACK")


def move_the_folder(world: World) -> None:
    away = world.folder.with_name("away")
    world.folder.rename(away)
    time.sleep(world.chance.uniform(0.0, 3.0))
    away.rename(world.folder)


def fill_the_disk(world: World) -> None:
    filler = world.home / "filler"
    with suppress(OSError), filler.open("wb") as file:
        while True:
            file.write(bytes(1 << 16))
            file.flush()
    plainly(world)
    time.sleep(world.chance.uniform(1.0, 4.0))
    filler.unlink()


def _children(parent: int) -> list[int]:
    try:
        return [int(one) for one in Path(f"/proc/{parent}/task/{parent}/children").read_text().split()]
    except OSError:
        return []


def _forkers(watch: int) -> list[int]:
    """The process that readers are forked from; not the one by which Python keeps count of semaphores."""
    found = []
    for child in _children(watch):
        with suppress(OSError):
            if b"forkserver" in Path(f"/proc/{child}/cmdline").read_bytes():
                found.append(child)
    return found


def _end(world: World, processes: list[int], what: str) -> None:
    for process in processes:
        with suppress(ProcessLookupError):
            os.kill(process, signal.SIGKILL)
            world.kills[what] += 1


def _stored(home: Path) -> list[Ride]:
    with open_app(home).store.reading() as tx:
        return tx.rides.rides()


def run(kills: int, seed: int, place: Path, *, small_disk: bool) -> int:
    """Let it all happen, wait, compare, print; returns how much was not as it must be."""
    world = World(place / "home", random.Random(seed), place / "errors.txt")
    household(world.home, 3 + kills, None)
    shutil.rmtree(world.home / "rides")
    world.folder.mkdir(parents=True)
    (world.home / SETTINGS_FILE).write_text(
        f'[[watch]]\nfolder = "{world.folder}"\nquiet_s = {QUIET_S}\n'
        f'[weather]\narchive = "local"\nlocal_file = "{world.home / "weather.csv"}"\n'
    )
    wrongs = (
        [kill_the_watch] * 3 + [kill_readers] * 8 + [kill_an_import] * 2 + [lock_the_ledger, move_the_folder]
    )
    wrongs += [fill_the_disk] * small_disk
    world.start()
    told = 0
    while world.kills.total() < kills:
        if world.kills.total() >= told:
            print(f"  {world.kills.total()} kills, {len(world.starts)} rides", file=sys.stderr, flush=True)
            told += 50
        for _ in range(world.chance.randint(1, 3)):
            way = world.chance.choice(WAYS)
            world.ways[way.__name__] += 1
            way(world)
        time.sleep(world.chance.uniform(0.0, 1.0))
        world.chance.choice(wrongs)(world)
        if world.watching is not None and world.watching.poll() is not None:
            world.start()
    waited_from = time.monotonic()
    while {
        ride.started_at for ride in _stored(world.home)
    } != world.starts and time.monotonic() - waited_from < PATIENCE_S:
        time.sleep(2.0)
    assert world.watching is not None
    ended = world.watching.poll() is not None
    world.watching.send_signal(signal.SIGTERM)
    world.watching.wait()
    return _told(world, _stored(world.home), ended, time.monotonic() - waited_from)


def _told(world: World, rides: list[Ride], ended: bool, waited_s: float) -> int:
    stored = [ride.started_at for ride in rides]
    errors = world.errors.read_text(errors="replace")
    rows = {
        "rides lost": len(world.starts - set(stored)),
        "rides doubled": len(stored) - len(set(stored)),
        "rides of which less counts than was ridden": sum(ride.moving_s < 0.98 * RIDE_S for ride in rides),
        "rides from nowhere": len(set(stored) - world.starts),
        "times that watch ended by itself": world.ended_by_itself + ended,
        "tracebacks": errors.count("Traceback"),
        "faults of the ledger": len(open_app(world.home).store.faults()),
    }
    print(f"{world.kills.total()} kills, {len(world.starts)} rides, waited {waited_s:.0f} s in the end")
    for what, count in [*sorted(world.kills.items()), *sorted(world.ways.items())]:
        print(f"  {what.replace('_', ' '):<50}{count:>6}")
    for what, count in rows.items():
        print(f"{'WRONG ' if count else ''}{what:<50}{count:>6}")
    if errors:
        print(errors[-3000:], file=sys.stderr)
    return sum(rows.values())


def main() -> int:
    """Run it, print the table, and say by the exit status whether all is as it must be."""
    options = argparse.ArgumentParser(description=__doc__)
    options.add_argument("--kills", type=int, default=200)
    options.add_argument("--seed", type=int, default=secrets.randbelow(1_000_000))
    options.add_argument("--small-disk", type=Path, help="an empty folder on a file system of a few MB")
    chosen = options.parse_args()
    print(f"seed {chosen.seed}, {datetime.now(UTC):%Y-%m-%d %H:%M} UTC, load {os.getloadavg()[0]:.1f}")
    with tempfile.TemporaryDirectory() as scratch:
        place = Path(scratch)
        if chosen.small_disk:
            (place / "home").symlink_to(chosen.small_disk)
        return min(1, run(chosen.kills, chosen.seed, place, small_disk=chosen.small_disk is not None))


if __name__ == "__main__":
    sys.exit(main())
