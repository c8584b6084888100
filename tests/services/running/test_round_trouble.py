"""A round that meets a locked database or a full disk: nothing is half kept, and the next one completes."""

from __future__ import annotations

import random
import sqlite3
import sys
import threading
from collections import Counter
from datetime import timedelta
from pathlib import Path

import pytest

from ingest.files import read_pool
from services.app import App
from services.running.round import Watching, one_round
from services.store import StoreBusy
from services.store.bookkeeping import FILES_WAITING
from services.use_cases.import_rides import Outcome
from services.wiring import open_app
from tests import forked
from tests.mail_server import MailServer, mail_server
from tests.put_into import into
from tests.services.readers_in_trouble import may_not_read
from tests.wet_household import FIRST_DAY, ROUND_AT, drop, household

DAY = 1  # a wet one
NOW = FIRST_DAY + timedelta(days=DAY) + ROUND_AT


def state(shop: App) -> dict[str, object]:
    with shop.store.reading() as tx:
        return {
            "rides": len(tx.rides.rides()),
            "standing": sorted((r.reminder.kind, r.reminder.chain) for r in tx.reminders.standing()),
            "waiting": len(tx.outbox.waiting()),
            "faults": shop.store.faults(),
        }


def assert_all_is_done_and_said(shop: App, mail: MailServer) -> None:
    assert state(shop) == {
        "rides": 2,
        "standing": [("wipe and drip", 1), ("wipe and drip", 2)],
        "waiting": 0,
        "faults": (),
    }
    with shop.store.reading() as tx:
        (sent,) = tx.outbox.sent()
    assert set(Counter(r.message_id for r in mail.received)) == {sent.letter.message_id}


def test_a_database_held_by_another_program_stops_the_round_whole_and_the_next_one_completes(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("services.store.engine.BUSY_S", 0.3)
    with mail_server(folder=tmp_path) as mail:
        shop = household(tmp_path / "home", 5, mail)
        drop(tmp_path / "home" / "rides", DAY, [], random.Random(1))
        intruder = sqlite3.connect(tmp_path / "home" / "gritledger.db", isolation_level=None)
        intruder.execute("BEGIN IMMEDIATE")
        with pytest.raises(StoreBusy, match="another program is writing to it"):
            one_round(shop, now=NOW)
        assert state(shop) == {"rides": 0, "standing": [], "waiting": 0, "faults": ()}
        intruder.execute("ROLLBACK")
        intruder.close()

        one_round(shop, now=NOW + timedelta(minutes=1))

        assert_all_is_done_and_said(shop, mail)
        assert len(mail.received) == 1


def test_a_watched_file_waits_out_a_locked_database_without_a_restart(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("services.store.engine.BUSY_S", 0.3)
    with mail_server(folder=tmp_path) as mail:
        shop, watching = household(tmp_path / "home", 5, mail), Watching()
        drop(tmp_path / "home" / "rides", DAY, [], random.Random(1))
        one_round(shop, now=NOW, watching=watching)
        intruder = sqlite3.connect(tmp_path / "home" / "gritledger.db", isolation_level=None)
        intruder.execute("BEGIN IMMEDIATE")
        with pytest.raises(StoreBusy, match="another program is writing to it"):
            one_round(shop, now=NOW + timedelta(minutes=1), watching=watching)
        intruder.execute("ROLLBACK")

        one_round(shop, now=NOW + timedelta(minutes=2), watching=watching)

        assert state(shop)["rides"] == 2


def test_a_watched_file_that_could_not_be_read_is_told_once_and_tried_again(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    with mail_server(folder=tmp_path) as mail:
        shop, watching = household(tmp_path / "home", 5, mail), Watching()
        drop(tmp_path / "home" / "rides", DAY, [], random.Random(1))
        one_round(shop, now=NOW, watching=watching)
        with monkeypatch.context() as locked:
            locked.setattr(read_pool, "_read_one", may_not_read)
            rounds = [one_round(shop, now=NOW + timedelta(minutes=m), watching=watching) for m in (1, 2, 7)]
        told = [[one.outcome for one in made.files] for made in rounds]
        assert told == [[Outcome.NOT_READ_NOW] * 2, [], []]
        by_itself = "What could not be read now is tried again by itself."
        assert [by_itself in made.sentences() for made in rounds] == [True, False, False]

        one_round(shop, now=NOW + timedelta(minutes=16), watching=watching)  # twice as long, after the second
        assert state(shop)["rides"] == 0
        one_round(shop, now=NOW + timedelta(minutes=18), watching=watching)
        assert state(shop)["rides"] == 2


def test_a_watched_ride_of_nobody_is_told_once_and_comes_with_its_rider(tmp_path: Path) -> None:
    with mail_server(folder=tmp_path) as mail:
        shop, watching = household(tmp_path / "home", 5, mail), Watching()
        with shop.store.writing() as tx:
            into(tx).add_rider("Tomas")
        (tmp_path / "home" / "rides" / "Iva").mkdir()
        drop(tmp_path / "home" / "rides" / "Iva", DAY, [], random.Random(1))
        told = [
            [one.outcome for one in one_round(shop, now=NOW + timedelta(minutes=m), watching=watching).files]
            for m in (0, 1, 2, 7)
        ]
        assert told == [[], [Outcome.WHOSE] * 2, [], []]
        with shop.store.reading() as tx:
            waiting = tx.notes.get(FILES_WAITING)
        assert [Path(name).name for name, *_ in waiting] == ["20250102-Harrier.fit", "20250102-Plover.fit"]

        with shop.store.writing() as tx:
            into(tx).add_rider("Iva")
        one_round(shop, now=NOW + timedelta(minutes=8), watching=watching)

        assert state(shop)["rides"] == 2
        with shop.store.reading() as tx:
            assert tx.notes.get(FILES_WAITING) == []


def test_a_machine_whose_clock_is_days_behind_takes_yesterdays_ride_once_it_is_set(tmp_path: Path) -> None:
    with mail_server(folder=tmp_path) as mail:
        shop, watching = household(tmp_path / "home", 5, mail), Watching()
        drop(tmp_path / "home" / "rides", DAY, [], random.Random(1))
        behind = NOW - timedelta(days=3)
        told = [
            [one.why for one in one_round(shop, now=behind + timedelta(minutes=m), watching=watching).files]
            for m in (0, 1)
        ]
        assert not told[0]
        assert len(told[1]) == 2
        assert "is dated in the future: 2025-01-02 16:1" in told[1][0]

        one_round(shop, now=NOW, watching=watching)

        assert state(shop)["rides"] == 2


def test_a_program_that_locks_the_database_again_and_again_only_slows_the_round(tmp_path: Path) -> None:
    with mail_server(folder=tmp_path) as mail:
        shop = household(tmp_path / "home", 5, mail)
        drop(tmp_path / "home" / "rides", DAY, [], random.Random(1))
        over = threading.Event()

        def intrude() -> None:
            intruder = sqlite3.connect(tmp_path / "home" / "gritledger.db", isolation_level=None, timeout=10)
            chance = random.Random(2)
            while not over.wait(chance.uniform(0.0, 0.02)):
                intruder.execute("BEGIN IMMEDIATE")
                over.wait(chance.uniform(0.0, 0.1))
                intruder.execute("COMMIT")
            intruder.close()

        thread = threading.Thread(target=intrude)
        thread.start()
        one_round(shop, now=NOW)
        over.set()
        thread.join()

        assert_all_is_done_and_said(shop, mail)
        assert len(mail.received) == 1


# A file may grow to this size and no further, as on a full disk; then say how the round ended.
LIMITED = """
import resource, sys
from datetime import datetime
from pathlib import Path
from services.running.round import one_round
from services.store import StoreError
from services.wiring import open_app

home, size = Path(sys.argv[1]), int(sys.argv[2])
resource.setrlimit(resource.RLIMIT_FSIZE, (size, size))
try:
    one_round(open_app(home), now=datetime.fromisoformat(sys.argv[3]))
    print("complete")
except StoreError as error:
    print(error)
"""


@pytest.mark.skipif(sys.platform == "win32", reason="a limit on file size is a POSIX notion")
def test_a_disk_that_takes_no_more_stops_the_round_whole_and_the_next_one_completes(tmp_path: Path) -> None:
    endings = []
    for number, room_bytes in enumerate((0, 60_000, 10_000_000)):
        folder = tmp_path / str(number)
        folder.mkdir()
        with mail_server(folder=folder) as mail:
            home = folder / "home"
            shop = household(home, 5, mail)
            drop(home / "rides", DAY, [], random.Random(1))
            shop.store.close()
            # The write-ahead log is emptied on closing, so all the round writes has to fit into a new one.
            ended = forked.run(LIMITED, str(home), str(room_bytes), NOW.isoformat())
            assert ended.returncode == 0, ended.stderr
            endings.append(ended.stdout.strip())
            shop = open_app(home)
            halfway = state(shop)
            assert halfway["faults"] == ()
            assert halfway["rides"] in (0, 2)

            # A letter that was being sent is taken up again when its lease has run out.
            for minutes in (1, 10):
                one_round(shop, now=NOW + timedelta(minutes=minutes))

            assert_all_is_done_and_said(shop, mail)
            shop.store.close()

    assert endings[-1] == "complete"
    assert all("gritledger.db: " in ending for ending in endings[:2]), endings
