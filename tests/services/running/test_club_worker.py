"""Workers of a club: a file handed over ends as a letter; one killed in any job loses and doubles nothing."""

from __future__ import annotations

import os
import signal
import time
from collections import Counter
from collections.abc import Iterator
from concurrent.futures import ThreadPoolExecutor
from datetime import UTC, datetime, timedelta
from email import message_from_bytes
from pathlib import Path
from unittest.mock import Mock

import psycopg
import pytest
from psycopg.conninfo import conninfo_to_dict
from sqlalchemy import make_url

from fixtures.fit_writer import fit_bytes
from services.app import App, household_app
from services.queued_letter import Letter
from services.running.club_jobs import deliver, import_
from services.running.club_worker import MOST_ATTEMPTS, Again
from services.settings import load_settings
from services.store import Store
from services.store.archive_budget import Budget
from services.store.backup_rotation import copies_in
from services.store.club import Club
from services.store.engine import make_engine
from services.store.job_queue import PUT_OFF, Job, Superseded
from services.use_cases.back_up import verify
from services.use_cases.deliver_letters import LEASE_S
from services.wiring import open_app
from tests.club_yard import DAY, Yard, club_at_work
from tests.put_into import into
from tests.straight_ride import straight_ride

WET_NOW = 0.01  # days ago: a chain that came home wet today is told of, one that has dried is not


@pytest.fixture
def yard(club_url: str, tmp_path: Path) -> Iterator[Yard]:
    with club_at_work(club_url, tmp_path) as made:
        with made.watching() as queue:  # what tests before asked for, in households of their own
            queue.execute("DELETE FROM procrastinate_jobs WHERE status = 'todo'")
        yield made


def letters(yard: Yard) -> Counter[str]:
    """How often each Message-ID was written into the folder."""
    files = (yard.home / "letters").glob("*.eml")
    return Counter(message_from_bytes(path.read_bytes())["Message-ID"] for path in files)


def assert_whole(yard: Yard, store: Store, rides: int) -> None:
    """Every ride once, every hour tagged once, one open reminder a cause, every letter told once."""
    with store.reading() as tx:
        assert len(tx.rides.rides()) == rides
        assert all(hour.tag is not None for ride in tx.rides.rides() for hour in ride.hours)
        assert all(ride.bike is not None for ride in tx.rides.rides())
        standing = [one.reminder.key for one in tx.reminders.standing()]
        assert standing
        assert len(set(standing)) == len(standing)
        assert tx.outbox.waiting() == ()
        assert tx.arrivals.waiting(10) == ()
    assert set(letters(yard).values()) == {1}


def test_a_file_handed_over_ends_as_a_letter_and_other_households_hear_nothing(
    yard: Yard, tmp_path: Path
) -> None:
    (store, rider), (other, _) = yard.household(f"{tmp_path} one"), yard.household(f"{tmp_path} two")
    yard.send(store, rider, WET_NOW)
    worker = yard.worker()
    yard.until_idle(store)
    os.kill(worker, signal.SIGTERM)
    assert_whole(yard, store, 1)
    with other.reading() as tx:
        assert (tx.rides.rides(), tx.reminders.all_(), tx.outbox.waiting()) == ((), (), ())


def test_what_is_asked_for_in_a_transaction_that_fails_is_not_asked_for(yard: Yard, tmp_path: Path) -> None:
    store, rider = yard.household(str(tmp_path))

    def change_my_mind() -> None:
        with store.writing() as tx:
            tx.arrivals.put("ride.fit", b"bytes", rider, at=datetime.now(UTC))
            tx.later(Job.IMPORT)  # one waits already: the transaction goes on
            assert len(tx.arrivals.waiting(10)) == 1
            raise KeyError("changed my mind")

    with pytest.raises(KeyError):
        change_my_mind()
    with yard.watching() as queue, store.reading() as tx:
        assert queue.execute(
            "SELECT count(*) FROM procrastinate_jobs WHERE lock = %s", (f"household {store.household}",)
        ).fetchone() == (0,)
        assert tx.arrivals.waiting(10) == ()


def test_a_file_that_is_nobodys_waits_and_holds_up_no_other(yard: Yard, tmp_path: Path) -> None:
    store, rider = yard.household(str(tmp_path))
    nobodys = fit_bytes(straight_ride(datetime.now(UTC).replace(microsecond=0) - 9 * DAY, 3600))
    with store.writing() as tx:
        into(tx).add_rider("Tomás")
        tx.arrivals.put("ride.fit", nobodys, None, at=datetime.now(UTC))
    yard.send(store, rider, 1)
    app = App(load_settings(yard.home))
    app.__dict__["store"] = store
    import_(app, datetime.now(UTC))
    with store.reading() as tx:
        assert [ride.rider for ride in tx.rides.rides()] == [rider]
        (left,) = tx.arrivals.waiting(10)
    assert (left.name, left.data) == ("ride.fit", nobodys)


def waiting_later(yard: Yard, store: Store) -> set[str]:
    """The jobs of a household that were put off."""
    with yard.watching() as queue:
        rows = queue.execute(
            "SELECT task_name FROM procrastinate_jobs WHERE lock = %s AND scheduled_at > now()",
            (f"household {store.household}",),
        )
        return {row[0] for row in rows}


def test_what_is_put_off_holds_up_nothing_of_its_household(yard: Yard, tmp_path: Path) -> None:
    store, rider = yard.household(str(tmp_path))
    nobodys = fit_bytes(straight_ride(datetime.now(UTC).replace(microsecond=0) - 9 * DAY, 3600))
    with store.writing() as tx:
        into(tx).add_rider("Tomás")
        tx.arrivals.put("ride.fit", nobodys, None, at=datetime.now(UTC))
    worker, give_up = yard.worker(), time.monotonic() + 60
    while "import" not in waiting_later(yard, store) and time.monotonic() < give_up:
        time.sleep(0.05)
    assert waiting_later(yard, store) == {"import"}
    yard.send(store, rider, WET_NOW)
    while not letters(yard) and time.monotonic() < give_up:
        time.sleep(0.05)
    os.kill(worker, signal.SIGTERM)
    assert len(letters(yard)) == 1
    assert waiting_later(yard, store) == {"import"}, "it was not waiting all the while"


def test_a_job_that_failed_is_tried_again_later_and_less_urgently() -> None:
    asked_at = datetime.now(UTC)
    for attempts in range(MOST_ATTEMPTS):
        again = Again().get_retry_decision(exception=OSError(), job=Mock(attempts=attempts))
        assert again is not None
        assert again.retry_at is not None
        assert again.priority == PUT_OFF < 0
        assert abs(again.retry_at - asked_at - timedelta(seconds=3 ** (attempts + 1))) < timedelta(seconds=5)
    assert Again().get_retry_decision(exception=OSError(), job=Mock(attempts=MOST_ATTEMPTS)) is None


def test_a_letter_on_its_way_when_a_worker_died_is_looked_at_when_its_lease_ends(
    yard: Yard, tmp_path: Path
) -> None:
    store, rider = yard.household(str(tmp_path))
    now = datetime.now(UTC)
    letter = Letter(0, rider, "mail folder", "iva@plateau.example", "wet", "text", "", "<1@x>")
    with store.writing() as tx:
        tx.outbox.queue(letter, at=now)
        assert tx.outbox.lease(now, LEASE_S)  # and then it died
    app = household_app(open_app(yard.home), store)
    deliver(app, now + timedelta(seconds=1))
    assert waiting_later(yard, store) == {"deliver"}
    assert not letters(yard)
    deliver(app, now + timedelta(seconds=LEASE_S + 1))
    assert set(letters(yard).values()) == {1}


def test_a_worker_whose_database_goes_away_ends_as_a_failure_and_one_that_is_told_to_does_not(
    yard: Yard, tmp_path: Path, postgresql_server: str
) -> None:
    yard.household(str(tmp_path))
    yard.worker()

    def listens(server: psycopg.Connection) -> bool:
        ready = "SELECT count(*) FROM pg_stat_activity WHERE query LIKE 'LISTEN%' AND datname = 'club'"
        return server.execute(ready).fetchone() != (0,)

    def until_listening(server: psycopg.Connection) -> None:
        give_up = time.monotonic() + 60
        while not listens(server):
            assert time.monotonic() < give_up
            time.sleep(0.05)

    with yard.watching() as queue, psycopg.connect(postgresql_server, autocommit=True) as server:
        until_listening(server)
        try:
            server.execute("ALTER DATABASE club CONNECTION LIMIT 0")
            server.execute(
                "SELECT pg_terminate_backend(pid) FROM pg_stat_activity WHERE query LIKE 'LISTEN%'"
            )
            assert yard.workers[0].wait(60) == 1
        finally:
            server.execute("ALTER DATABASE club CONNECTION LIMIT -1")
        del queue
    assert "does not answer any more" in yard.workers[0].stdout.read()
    worker = yard.worker()
    assert "Working for" in yard.workers[1].stdout.readline()
    with psycopg.connect(postgresql_server, autocommit=True) as server:
        until_listening(server)
    os.kill(worker, signal.SIGTERM)
    assert yard.workers[1].wait(60) == 0


def test_any_password_reaches_the_queue() -> None:
    url = make_url("postgresql+psycopg://gritledger@/club?host=%2Frun%2Fpostgresql").set(
        password="two words'/%2\\"
    )
    told = conninfo_to_dict(Club(make_engine(url), url).queue_conninfo)
    assert (told["password"], told["host"], told["dbname"]) == ("two words'/%2\\", "/run/postgresql", "club")


@pytest.mark.slow
@pytest.mark.parametrize("job", list(Job))
def test_a_worker_killed_in_any_kind_of_job_loses_and_doubles_nothing(
    yard: Yard, tmp_path: Path, job: Job
) -> None:
    store, rider = yard.household(str(tmp_path))
    yard.send(store, rider, WET_NOW)
    yard.send(store, rider, 2)
    if job is Job.BACK_UP:
        yard.club.ask_for(Job.BACK_UP, [store.household or 0])
    caught = yard.kill_in(job, store, yard.worker())
    worker = yard.worker()
    yard.until_idle(store)
    if job is not Job.BACK_UP:
        assert caught, "the worker was not caught at it"
    os.kill(worker, signal.SIGTERM)
    assert_whole(yard, store, 2)
    if job is Job.BACK_UP:
        folder = yard.home / "households" / str(store.household) / "backups"
        ((_, copy),) = copies_in(folder)
        assert [path.name for path in folder.iterdir()] == [copy.name]
        assert verify(open_app(tmp_path / "reader"), copy).faults == ()


def test_what_a_killed_copying_left_is_gone_after_the_next_one(yard: Yard, tmp_path: Path) -> None:
    store, _ = yard.household(str(tmp_path))
    folder = yard.home / "households" / str(store.household) / "backups"
    folder.mkdir(parents=True)
    for end in ("", "-wal", "-shm"):
        (folder / f"gritledger-20260101T000000Z.db.gz.plain{end}").write_bytes(b"cut short")
    yard.club.ask_for(Job.BACK_UP, [store.household or 0])

    worker = yard.worker()
    yard.until_idle(store)
    os.kill(worker, signal.SIGTERM)

    ((_, copy),) = copies_in(folder)
    assert list(folder.iterdir()) == [copy]


def test_a_worker_that_comes_back_too_late_writes_nothing(yard: Yard, tmp_path: Path) -> None:
    from functools import partial

    from services.store.job_queue import hold

    store, _ = yard.household(str(tmp_path))
    store.before_writing = partial(hold, job_id=2**40, worker_id=1, attempts=0)
    with pytest.raises(Superseded, match="handed to another worker"), store.writing() as tx:
        tx.notes.put("late", 1, at=datetime.now(UTC))
    with store.reading() as tx:
        assert tx.notes.get("late") is None


def test_two_budgets_worth_of_workers_keep_one_budget(yard: Yard) -> None:
    with yard.watching() as connection:
        most = connection.execute("SELECT most FROM archive_budget WHERE name = 'minute'").fetchone()
    assert most is not None
    begun = datetime.now(UTC).minute

    def ask(_: int) -> float:
        return sum(100.0 for _ in range(4) if Budget(yard.club.writing).take(100.0) is None)

    with ThreadPoolExecutor(4) as pool:
        granted = sum(pool.map(ask, range(4)))  # 1 600 asked for
    windows = 1 + (datetime.now(UTC).minute != begun)
    assert 0 < granted <= most[0] * windows
    again = Budget(yard.club.writing).take(100.0)
    assert again is None or timedelta(0) < again - datetime.now(UTC) <= timedelta(minutes=1)
    until = datetime.now(UTC) + timedelta(hours=1)
    Budget(yard.club.writing).close(until)
    assert Budget(yard.club.writing).take(1.0) == until
    Budget(yard.club.writing).close(datetime.now(UTC) - timedelta(hours=1))
