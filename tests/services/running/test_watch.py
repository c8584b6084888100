"""The watching process as it is started by a rider: it sees files, is alone, and ends when told to."""

from __future__ import annotations

import os
import signal
import sys
import threading
import time
from collections.abc import Callable, Iterator, Mapping
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest

from services.heartbeat import LOOKED
from services.settings import SETTINGS_FILE
from services.wiring import open_app
from tests import forked
from tests.put_into import into
from tests.wet_household import a_ride

pytestmark = pytest.mark.skipif(sys.platform == "win32", reason="ends a process by a POSIX signal")
PATIENCE_S = 90.0


class Watching:
    """A watching process and what it says."""

    def __init__(self, home: Path) -> None:
        self.lines: list[str] = []
        self.begin(
            ["watch", "--no-page"], os.environ | {"GRITLEDGER_HOME": str(home), "PYTHONUNBUFFERED": "1"}
        )

    def begin(self, words: list[str], surroundings: Mapping[str, str]) -> None:
        self.process = forked.Program(forked.COMMAND_LINE, *words, env=surroundings, one_stream=True)
        self._reading = threading.Thread(target=self._read, daemon=True)
        self._reading.start()

    def _read(self) -> None:
        self.lines.extend(iter(self.process.stdout.readline, ""))

    def until(self, what: Callable[[], bool]) -> None:
        give_up = time.monotonic() + PATIENCE_S
        while not what():
            assert time.monotonic() < give_up, self.lines
            assert self.process.poll() is None or what(), self.lines
            time.sleep(0.1)

    def says(self, part: str) -> None:
        self.until(lambda: any(part in line for line in self.lines))

    def end(self, how: signal.Signals = signal.SIGTERM) -> int:
        self.process.send_signal(how)
        status = self.process.wait(PATIENCE_S)
        self._reading.join(5)
        return status


@pytest.fixture
def home(tmp_path: Path) -> Path:
    """One rider with one bike; a folder that is watched; no weather, no channel."""
    home = tmp_path / "home"
    (home / "rides").mkdir(parents=True)
    (home / SETTINGS_FILE).write_text(
        '[[watch]]\nfolder = "rides"\nquiet_s = 0.5\n[weather]\narchive = "none"\n'
    )
    shop = open_app(home)
    with shop.store.writing() as tx:
        into(tx).add_bike("Plover", into(tx).add_rider("Ines").id)
    shop.store.close()
    return home


@pytest.fixture
def watching(home: Path) -> Iterator[Watching]:
    one = Watching(home)
    yield one
    one.process.end()


def rides(home: Path) -> int:
    shop = open_app(home)
    try:
        with shop.store.reading() as tx:
            return tx.rides.count()
    finally:
        shop.store.close()


def test_a_file_dropped_becomes_a_ride_and_the_process_ends_when_told(home: Path, watching: Watching) -> None:
    watching.says(f"Watching {home / 'rides'}")
    start = datetime.now(UTC) - timedelta(days=1)
    (home / "rides" / "evening.fit").write_bytes(a_ride(start, 4711, 0.0))

    watching.says("1 new ride")

    assert rides(home) == 1
    assert watching.end() == 0
    assert watching.lines[-1] == "Stopped; everything is kept.\n"


def test_a_second_one_for_the_same_home_is_refused_in_a_sentence(home: Path, watching: Watching) -> None:
    watching.says("Watching")

    second = Watching(home)
    assert second.process.wait(PATIENCE_S) == 1
    second._reading.join(5)

    assert second.lines == [
        f"gritledger: {home}: another gritledger is watching already; stop that one first, or use it\n"
    ]
    assert watching.process.poll() is None
    assert watching.end(signal.SIGINT) == 0
    third = Watching(home)
    third.says("Watching")
    assert third.end() == 0


def test_without_a_folder_it_says_where_to_name_one(home: Path) -> None:
    (home / SETTINGS_FILE).write_text('[weather]\narchive = "none"\n')
    one = Watching(home)

    one.says("No folder is watched yet; name one on the page, or under [[watch]]")

    assert one.end() == 0


def test_a_folder_that_is_not_there_is_told_and_the_process_goes_on(home: Path) -> None:
    (home / "rides").rmdir()
    one = Watching(home)

    one.says("the watched folder cannot be read")

    assert one.process.poll() is None
    assert one.end() == 0


def test_settings_written_while_it_runs_count_without_a_new_start(home: Path, watching: Watching) -> None:
    watching.says("Watching")
    (home / "more").mkdir()
    with (home / SETTINGS_FILE).open("a") as file:
        file.write('[[watch]]\nfolder = "more"\nquiet_s = 0.5\n')
    start = datetime.now(UTC) - timedelta(days=1)
    (home / "rides" / "wakes.fit").write_bytes(a_ride(start, 4711, 0.0))

    watching.says(f"Watching {home / 'more'}")
    (home / "more" / "later.fit").write_bytes(a_ride(start + timedelta(hours=5), 4711, 0.0))

    watching.until(lambda: rides(home) == 2)
    assert watching.end() == 0


def test_files_that_nobody_can_have_ridden_are_told_once_not_one_by_one(home: Path) -> None:
    (home / "gritledger.db").unlink()
    start = datetime.now(UTC) - timedelta(days=1)
    for hour in range(3):
        (home / "rides" / f"{hour}.fit").write_bytes(a_ride(start + timedelta(hours=3 * hour), 4711, 0.0))
    one = Watching(home)

    one.says("3 files wait: nobody rides yet.")
    one.says("gritledger add rider NAME")
    (home / "rides" / "3.fit").write_bytes(a_ride(start + timedelta(hours=9), 4711, 0.0))
    came = time.time()
    one.until(lambda: (home / LOOKED).stat().st_mtime > came)  # a round that it woke was made

    shop = open_app(home)
    with shop.store.writing() as tx:
        into(tx).add_rider("Ines")
    shop.store.close()
    (home / "rides" / "4.fit").write_bytes(a_ride(start + timedelta(hours=12), 4711, 0.0))
    one.until(lambda: rides(home) == 5)
    assert one.end() == 0
    assert len([line for line in one.lines if "nobody rides" in line]) == 1
