"""A club of a thousand households: its workers, its pages, and what keeping households apart costs.

    python -m tests.benchmarks.fleet [--households 1000] [--bikes 5] [--rides 200] [--seconds 60] [--news 30]

One household's rides are read by a worker from real files; the others are its copies, written straight into a
PostgreSQL of our own. Then: new rides imported, tagged, judged and reckoned by one worker and by four; a
household's new ride to its letter while others import; all households looked at as every ten minutes; a page
in the whole club against the same page while the household was alone; queries with the policies against the
same by a role that policies pass over. Processor seconds are those of the workers, their readers and the
database. Say how many cores there were and what else ran.
"""

from __future__ import annotations

import argparse
import os
import signal
import statistics
import subprocess
import sys
import time
from collections.abc import Callable, Iterable, Iterator
from contextlib import contextmanager
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any
from urllib.parse import urlsplit

import psycopg
from starlette.testclient import TestClient

from fixtures.fit_writer import fit_bytes
from rules.roles import Role
from services.store import Store
from services.store.job_queue import IN_BULK, PUT_OFF, Job
from services.use_cases import memberships
from services.web.app import create_club_app
from services.wiring import open_app
from tests.club_yard import DAY, WORKER, Yard, club_of_its_own
from tests.put_into import into
from tests.services.conftest import as_role
from tests.straight_ride import straight_ride

PAGES = ("/", "/rides", "/chains", "/care", "/files", "/api/chains")
OLD_DAYS = 42  # new files are of rides before those that are there
BULK_HOUSEHOLDS, BULK_FILES = 12, 300
TICKS = os.sysconf("SC_CLK_TCK")
QUERIES = {
    "the newest 50 rides": "SELECT * FROM ride WHERE {} ORDER BY started_at DESC LIMIT 50",
    "a fortnight's hours and tags": "SELECT h.*, t.* FROM ride r "
    "JOIN ride_hour h ON h.household = r.household AND h.ride = r.id "
    "JOIN condition_tag t ON t.household = h.household AND t.ride_hour = h.id AND t.is_current "
    "WHERE {r} AND r.started_at > now() - interval '14 days'",
    "how many rides": "SELECT count(*), sum(drive_s) FROM ride WHERE {}",
    "what is fitted": "SELECT c.*, f.* FROM fitting f JOIN chain c ON c.household = f.household "
    "AND c.id = f.chain WHERE {f}",
    "one ride": "SELECT * FROM ride WHERE {} AND id = 7",
    "what stands": "SELECT * FROM reminder WHERE {}",
}


def processor_s(processes: Iterable[int]) -> float:
    """What these processes and their ended children have used so far."""
    used = 0
    for pid in processes:
        try:
            said = Path(f"/proc/{pid}/stat").read_text().rpartition(") ")[2].split()
        except (FileNotFoundError, ProcessLookupError):
            continue
        used += sum(int(one) for one in said[11:15])
    return used / TICKS


def processes(column: int, value: int) -> list[int]:
    """Those whose parent (1) or session (3) this is, and it itself."""
    found = [value]
    for path in Path("/proc").glob("[0-9]*/stat"):
        try:
            if int(path.read_text().rpartition(") ")[2].split()[column]) == value:
                found.append(int(path.parent.name))
        except (FileNotFoundError, ProcessLookupError):
            continue
    return found


def database_s(yard: Yard) -> float:
    """What the database's processes have used so far."""
    postmaster = int((yard.home.parent / "data" / "postmaster.pid").read_text().split()[0])
    return processor_s(processes(1, postmaster))


@contextmanager
def workers(yard: Yard, count: int) -> Iterator[Callable[[], float]]:
    """So many workers, as they are started by hand; gives what they have used so far, their readers too."""
    command = [sys.executable, "-c", WORKER, str(yard.home)]
    started = [
        subprocess.Popen(command, start_new_session=True, stdout=subprocess.DEVNULL, stderr=subprocess.STDOUT)
        for _ in range(count)
    ]
    try:
        yield lambda: sum(processor_s(processes(3, one.pid)) for one in started)
    finally:
        for one in started:
            one.send_signal(signal.SIGTERM)
        for one in started:
            try:
                one.wait(25)
            except subprocess.TimeoutExpired:
                os.killpg(one.pid, signal.SIGKILL)
        with yard.watching() as queue:
            queue.execute("DELETE FROM procrastinate_jobs")


def copies(yard: Yard, template: int, count: int) -> list[int]:
    """Households that hold what this one holds, row by row; their numbers."""
    with psycopg.connect(yard.owner.replace("+psycopg", "", 1), autocommit=True) as connection:
        connection.execute("SET session_replication_role = replica")  # the rows are whole already
        connection.execute("SET synchronous_commit = off")
        made = connection.execute(
            "INSERT INTO household (name) SELECT 'copy ' || n FROM generate_series(1, %s) n RETURNING number",
            (count,),
        ).fetchall()
        tables = connection.execute(
            "SELECT c.table_name, string_agg(quote_ident(c.column_name), ', ') "
            "FROM information_schema.columns c JOIN pg_policies p ON p.tablename = c.table_name "
            "WHERE c.table_schema = 'public' AND c.column_name <> 'household' "
            "AND p.policyname = 'own_household' GROUP BY 1"
        ).fetchall()
        for table, columns in tables:
            connection.execute(
                f"INSERT INTO {table} (household, {columns}) SELECT h.number, {columns} FROM {table} t, "
                "(SELECT number FROM household WHERE number >= %s) h WHERE t.household = %s",
                (made[0][0], template),
            )
        connection.execute("VACUUM ANALYZE")
    return [row[0] for row in made]


def template_of(yard: Yard, bikes: int, rides: int) -> Store:
    """A household whose rides a worker read from real files, a sensor on each bike."""
    store, rider = yard.household("the first")
    with store.writing() as tx:
        first = tx.garage().bikes[0].id
        into(tx).add_sensor("power meter", "1", first)
        for n in range(2, bikes + 1):
            bike, chain = into(tx).add_bike(f"Bike {n}", rider), into(tx).add_chain(f"Chain {n}")
            into(tx).fit_chain(chain.id, bike.id, datetime.now(UTC) - 60 * DAY)
            into(tx).add_sensor("power meter", str(n), bike.id)
    for n in range(rides):
        yard.send(store, rider, 2 + n * (OLD_DAYS - 4) / rides, sensor=1 + n % bikes)
    return store


def hand_over(yard: Yard, numbers: Iterable[int], files: list[bytes]) -> None:
    """These files, as each of these households' own."""
    for number in numbers:
        store = yard.club.store(number)
        for n, data in enumerate(files):
            with store.writing() as tx:
                assert tx.arrivals.put(f"old {n}.fit", data, None, at=datetime.now(UTC))


def held_back(queue: psycopg.Connection[Any]) -> None:
    """Nothing that waits is begun yet."""
    queue.execute("UPDATE procrastinate_jobs SET scheduled_at = now() + interval '1 hour'")


def let_go(queue: psycopg.Connection[Any], count: int) -> None:
    """Once so many workers are there and have settled, what waits is to be done."""
    give_up, there = time.monotonic() + 60, 0
    while there < count and time.monotonic() < give_up:
        time.sleep(0.1)
        (there,) = queue.execute(
            "SELECT count(*) FROM procrastinate_workers WHERE last_heartbeat > now() - interval '2 seconds'"
        ).fetchone() or (0,)
    time.sleep(2)
    queue.execute("UPDATE procrastinate_jobs SET scheduled_at = NULL WHERE status = 'todo'")


def busy(queue: psycopg.Connection[Any], least_urgent: int) -> int:
    """How many households have something so urgent waiting or under way."""
    found = queue.execute(
        "SELECT count(DISTINCT lock) FROM procrastinate_jobs WHERE lock IS NOT NULL AND priority >= %s "
        "AND (scheduled_at IS NULL OR scheduled_at < now() + interval '10 minutes')",
        (least_urgent,),
    ).fetchone()
    return int(found[0]) if found else 0


def imported(yard: Yard, count: int, numbers: list[int], files: list[bytes], seconds: float) -> float:
    """Rides a second from their files to what is due, by so many workers."""
    hand_over(yard, numbers, files)
    with yard.watching() as queue:
        held_back(queue)
        with workers(yard, count) as used_s:
            let_go(queue, count)
            begun, before = time.monotonic(), busy(queue, IN_BULK)
            used, asked = used_s(), database_s(yard)
            while time.monotonic() - begun < seconds and busy(queue, IN_BULK):
                time.sleep(0.1)
            took_s, rides = time.monotonic() - begun, (before - busy(queue, IN_BULK)) * len(files)
            used, asked = used_s() - used, database_s(yard) - asked
    each = f"{used / rides:.3f} s of worker, {asked / rides:.3f} s of database a ride" if rides else ""
    print(f"  {count} workers: {rides} rides in {took_s:.0f} s, {rides / took_s:.2f} a second; {each}")
    return rides / took_s


def to_letter_s(yard: Yard, name: str, within_s: float = 60) -> float | None:
    """How long after it was handed over a new ride's letter lies in the folder."""
    email = f"{name}@plateau.example"
    store, rider = yard.household(name, email=email)
    folder, seen = yard.home / "letters", set((yard.home / "letters").glob("*.eml"))
    begun = time.monotonic()
    yard.send(store, rider, 0.01)
    while time.monotonic() - begun < within_s:
        for path in set(folder.glob("*.eml")) - seen:
            seen.add(path)
            if email in path.read_text():
                return time.monotonic() - begun
        time.sleep(0.01)
    return None


def news(yard: Yard, numbers: list[int], files: list[bytes], count: int, seconds: float) -> None:
    """New rides to their letters, while other households have their old files imported."""
    hand_over(yard, numbers, files)
    with workers(yard, 4), yard.watching() as queue:
        time.sleep(8)
        end = time.monotonic() + seconds
        times = [to_letter_s(yard, f"new-{n}") for n in range(count) if time.monotonic() < end]
        (left,) = queue.execute(
            "SELECT count(*) FROM arrival WHERE read_at IS NULL AND household = ANY(%s)", (numbers,)
        ).fetchone() or (0,)
    came = sorted(one for one in times if one is not None)
    if came:
        print(
            f"a new ride to its letter, 4 workers, {len(numbers)} others importing {len(files)} files each: "
            f"median {statistics.median(came):.1f} s, worst {came[-1]:.1f} s of {len(times)} "
            f"({len(times) - len(came)} came not at all, {sum(one < 5 for one in came)} under 5 s; "
            f"{left} files left)"
        )


def looks(yard: Yard, numbers: list[int], seconds: float) -> None:
    """What the look at every household, every ten minutes, costs."""
    yard.club.ask_for(Job.TAG, numbers, urgency=PUT_OFF)
    with yard.watching() as queue:
        held_back(queue)
        with workers(yard, 2) as used_s:
            let_go(queue, 2)
            begun, before = time.monotonic(), busy(queue, PUT_OFF)
            used, asked = used_s(), database_s(yard)
            while time.monotonic() - begun < seconds and busy(queue, PUT_OFF):
                time.sleep(0.1)
            took_s, done = time.monotonic() - begun, before - busy(queue, PUT_OFF)
            cost = used_s() - used + database_s(yard) - asked
    if done:
        print(f"looked at {done} households in {took_s:.0f} s, 2 workers: {cost / done:.3f} processor s each")


def pages(yard: Yard, owner: TestClient, repeats: int = 20) -> dict[str, float]:
    """Processor ms a page takes, here and in the database."""
    found = {}
    for path in PAGES:
        assert owner.get(path).status_code == 200, path
        begun, asked = time.process_time(), database_s(yard)
        for _ in range(repeats):
            owner.get(path)
        found[path] = 1000 * (time.process_time() - begun + database_s(yard) - asked) / repeats
    return found


def signed_in(yard: Yard, store: Store) -> TestClient:
    """An owner of this household, at the club's page."""
    from dataclasses import replace

    app = replace(open_app(yard.home), page_url="http://127.0.0.1:8765")
    now = datetime.now(UTC)
    link = memberships.invite(
        app, yard.club.people, store.household or 0, "?", "iva@x.example", Role.OWNER, None, by=None, now=now
    )
    visitor = TestClient(
        create_club_app(app, yard.club), base_url="http://127.0.0.1:8765", client=("127.0.0.1", 50_000)
    )
    visitor.post(urlsplit(link).path, data={"name": "Iva", "password": "four dry words"})
    return visitor


def policies(yard: Yard, number: int, repeats: int = 200) -> None:
    """The same queries as the page's role, and as one that policies pass over, who names the household."""
    with psycopg.connect(yard.owner.replace("+psycopg", "", 1), autocommit=True) as connection:
        connection.execute("CREATE ROLE past_it LOGIN PASSWORD 'tests' BYPASSRLS")
        connection.execute("GRANT SELECT ON ALL TABLES IN SCHEMA public TO past_it")
    urls = [
        as_role(yard.owner, role, "tests").replace("+psycopg", "", 1) for role in ("past_it", "gritledger")
    ]
    found: dict[str, tuple[float, float]] = {}
    with psycopg.connect(urls[0]) as past_it, psycopg.connect(urls[1]) as page:
        page.execute("SELECT set_config('gritledger.household', %s, false)", (str(number),))
        for name, query in QUERIES.items():
            aliases = {key: f"{key}{'.' if key else ''}household = {number}" for key in ("", "r", "f")}
            by_hand, by_policy = query, query
            for key, condition in aliases.items():
                by_hand = by_hand.replace(f"{{{key}}}", condition)
                by_policy = by_policy.replace(f"{{{key}}}", "true")
            assert past_it.execute(by_hand).fetchall() == page.execute(by_policy).fetchall(), name
            took: tuple[list[float], list[float]] = ([], [])
            for _ in range(repeats):
                for n, (connection, said) in enumerate(((past_it, by_hand), (page, by_policy))):
                    begun = time.perf_counter()
                    connection.execute(said).fetchall()
                    took[n].append(time.perf_counter() - begun)
            found[name] = 1000 * statistics.median(took[0]), 1000 * statistics.median(took[1])
    print(f"queries by policy against by hand, median ms of {repeats}:")
    for name, (by_hand, by_policy) in found.items():
        print(f"  {name:<30}{by_policy:>7.2f}{by_hand:>7.2f}   {by_policy / by_hand:.2f} times")
    ratios = [by_policy / by_hand for by_hand, by_policy in found.values()]
    print(f"  the middle ratio {statistics.median(ratios):.2f}")


def main() -> None:
    """Build the club, measure, print."""
    asked = argparse.ArgumentParser(description=__doc__)
    asked.add_argument("--households", type=int, default=1000)
    asked.add_argument("--bikes", type=int, default=5)
    asked.add_argument("--rides", type=int, default=200)
    asked.add_argument("--seconds", type=float, default=60)
    asked.add_argument("--news", type=int, default=30)
    said = asked.parse_args()
    with club_of_its_own(rain_days=OLD_DAYS + 80) as yard:
        measure(yard, said)


def measure(yard: Yard, said: argparse.Namespace) -> None:
    """All of it, in turn."""
    whole = time.monotonic()
    print(f"{os.cpu_count()} cores, load {os.getloadavg()[0]:.1f}", flush=True)
    store = template_of(yard, said.bikes, said.rides)
    begun = time.monotonic()
    with workers(yard, 2):
        yard.until_idle(store, within_s=900)
    print(f"{said.rides} files of one household read in bulk by 2 workers: {time.monotonic() - begun:.0f} s")
    owner = signed_in(yard, store)
    alone = pages(yard, owner)
    begun = time.monotonic()
    numbers = copies(yard, store.household or 0, said.households - 1)
    with yard.watching() as connection:
        (size,) = connection.execute("SELECT pg_database_size(current_database())").fetchone() or (0,)
    rides = said.households * said.rides
    print(
        f"{said.households} households, {said.households * said.bikes} bikes, {rides} rides made in "
        f"{time.monotonic() - begun:.0f} s; {size / 1e9:.2f} GB, "
        f"{size / rides / 1000:.1f} kB a ride with its file",
        flush=True,
    )
    among_all = pages(yard, owner)
    print("a page's processor ms, the household among all against alone:")
    for path in PAGES:
        now, before = among_all[path], alone[path]
        print(f"  {path:<12}{now:>7.1f}{before:>7.1f}   {now / before:.2f} times")
    policies(yard, numbers[len(numbers) // 2])
    now = datetime.now(UTC).replace(minute=5, second=0, microsecond=0)
    files = [
        fit_bytes(
            straight_ride(
                now - (OLD_DAYS + n / 4) * DAY - timedelta(hours=4), 7200, sensor=1 + n % said.bikes
            )
        )
        for n in range(BULK_FILES)
    ]
    bulk, rest = numbers[:BULK_HOUSEHOLDS], numbers[BULK_HOUSEHOLDS:]
    half = len(rest) // 2
    print(f"new rides, two a household, load {os.getloadavg()[0]:.1f}:", flush=True)
    many = min(half, int(said.seconds))
    one = imported(yard, 1, rest[:many], files[:2], 5 * said.seconds)
    four = imported(yard, 4, rest[half : half + many], files[:2], 5 * said.seconds)
    print(f"  4 workers against 1: {four / one if one else 0:.2f} times", flush=True)
    news(yard, bulk, files, said.news, 3 * said.seconds)
    looks(yard, rest, said.seconds / 2)
    print(f"load {os.getloadavg()[0]:.1f}, {time.monotonic() - whole:.0f} s in all")


if __name__ == "__main__":
    main()
