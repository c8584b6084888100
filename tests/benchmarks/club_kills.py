"""What is lost or doubled when a club's worker is killed in any of its jobs?

    python -m tests.benchmarks.club_kills [--kills 200] [--seed 1] [--seconds 600]

Household after household hands over its rides, and workers are killed (SIGKILL) at a random moment of its
import, its tagging, its reckoning, its letter and its copy, one after the other. A kill counts where the job
was still under way. In the end a worker does in peace what is left, and every household is held against one
with the same rides that nobody was killed for. On a PostgreSQL of our own.
"""

from __future__ import annotations

import argparse
import os
import random
import signal
import sys
import time
from collections import Counter
from datetime import UTC, datetime
from email import message_from_bytes

from psycopg import Connection

from rules.contamination import history
from rules.reminder import Step
from services.store import Store
from services.store.backup_files import tidy
from services.store.backup_rotation import copies_in
from services.store.job_queue import Job
from services.use_cases.back_up import verify
from services.wiring import open_app
from tests.club_yard import Yard, club_of_its_own

RIDES_AGO = (2.0, 1.0, 0.01)  # days; the last came home wet just now, and that is told
TRIES = 8  # to catch a worker at one job: what six in a row died of would be given up on purpose
Facts = tuple[int, float, float, tuple[str, ...]]


class Hand:
    """Kills workers, and learns how long each kind of job takes, to strike within it."""

    def __init__(self, yard: Yard, chance: random.Random) -> None:
        self.yard, self.chance = yard, chance
        self.within_s = dict.fromkeys(Job, 0.1)
        self.caught: Counter[Job] = Counter()
        self.beside = 0

    def strike(self, queue: Connection[tuple[object, ...]], job: Job, store: Store) -> bool:
        """A worker is started, and killed at a random moment of that job; False = the job was over before."""
        (newest,) = queue.execute("SELECT coalesce(max(id), 0) FROM procrastinate_workers").fetchone() or (0,)
        worker = self.yard.worker()
        held, give_up = None, time.monotonic() + 30
        while held is None and time.monotonic() < give_up:
            held = queue.execute(
                "SELECT id, worker_id FROM procrastinate_jobs WHERE status = 'doing' "
                "AND task_name = %s AND lock = %s AND worker_id > %s",
                (job.value, f"household {store.household}", newest),
            ).fetchone()
            time.sleep(0.001)
        time.sleep(self.chance.uniform(0, self.within_s[job]))
        os.kill(worker, signal.SIGKILL)
        still = (
            held
            and queue.execute(
                "SELECT 1 FROM procrastinate_jobs WHERE id = %s AND worker_id = %s AND status = 'doing'", held
            ).fetchone()
        )
        self.within_s[job] *= 1.1 if still else 0.8
        self.caught[job] += bool(still)
        self.beside += not still
        return bool(still)


def waits(queue: Connection[tuple[object, ...]], job: Job, store: Store) -> bool:
    """Whether this household's job is still to be done, or one that leads to it."""
    order = list(Job)
    leads = [one.value for one in order[: order.index(job) + 1]] if job is not Job.BACK_UP else [job.value]
    found = queue.execute(
        "SELECT 1 FROM procrastinate_jobs WHERE task_name = ANY(%s) AND lock = %s AND status <> 'failed'",
        (leads, f"household {store.household}"),
    ).fetchone()
    return found is not None


def facts_of(store: Store, yard: Yard) -> tuple[Facts, list[str]]:
    """What a household holds in the end, and what is wrong with it by itself."""
    wrong = []
    with store.reading() as tx:
        rides, standing = tx.rides.rides(), tx.reminders.standing()
        ledger = tx.ledger()
        if any(hour.tag is None for ride in rides for hour in ride.hours):
            wrong.append("an hour without a tag")
        if tx.arrivals.waiting(10):
            wrong.append("a file still waits")
        if tx.outbox.waiting():
            wrong.append("a letter still waits")
        if any(not any(step.step is Step.TOLD for step in one.steps) for one in standing):
            wrong.append("a reminder nobody was told of")
        causes = Counter(one.reminder.key for one in tx.reminders.all_() if one.is_open)
        if any(n > 1 for n in causes.values()):
            wrong.append("a cause with two reminders")
        told = Counter(one.id for one in standing for _ in tx.outbox.about(one.id))
        if any(n > 1 for n in told.values()):
            wrong.append("a reminder in two letters")
    app = open_app(yard.home)
    life = history(ledger, ledger.chains[0].id, app.rulebook).over_life
    found = tuple(sorted(str(one.reminder.kind) for one in standing))
    return (len(rides), round(life.drive_h, 6), round(life.grit_h, 6), found), wrong


def copy_faults(store: Store, yard: Yard) -> list[str]:
    """What is wrong with a household's copies, and with what lies beside them."""
    folder = yard.home / "households" / str(store.household) / "backups"
    copies = [path for _, path in copies_in(folder)]
    for path in folder.iterdir():
        os.utime(path, (0, 0))  # what a killed copying left is cleared away an hour later
    tidy(folder)
    left = [path.name for path in folder.iterdir() if path not in copies]
    reader = open_app(yard.home.parent / "reader")
    faults = [fault for path in copies for fault in verify(reader, path).faults]
    return faults + [f"{name} was left" for name in left] + ([] if copies else ["no copy"])


def main() -> int:
    """Kill, let the rest be done, compare, print."""
    asked = argparse.ArgumentParser(description=__doc__)
    asked.add_argument("--kills", type=int, default=200)
    asked.add_argument("--seed", type=int, default=1)
    asked.add_argument("--seconds", type=float, default=600)
    said = asked.parse_args()
    begun = time.monotonic()
    with club_of_its_own() as yard, yard.watching() as queue:
        print(f"{os.cpu_count()} cores, load {os.getloadavg()[0]:.1f}, seed {said.seed}")
        hand = Hand(yard, random.Random(said.seed))
        households: list[Store] = []
        while hand.caught.total() < said.kills and time.monotonic() - begun < said.seconds:
            store, rider = yard.household(f"killed {len(households)}")
            households.append(store)
            for days_ago in RIDES_AGO:
                yard.send(store, rider, days_ago)
            for job in Job:
                if job is Job.BACK_UP:
                    yard.club.ask_for(job, [store.household or 0])
                for _ in range(TRIES):
                    if not waits(queue, job, store) or hand.strike(queue, job, store):
                        break
        calm, rider = yard.household("calm")
        for days_ago in RIDES_AGO:
            yard.send(calm, rider, days_ago)
        yard.club.ask_for(Job.BACK_UP, [one.household or 0 for one in (*households, calm)])
        worker = yard.worker()
        for store in (*households, calm):
            yard.until_idle(store, within_s=600)
        os.kill(worker, signal.SIGTERM)
        right, wrong = facts_of(calm, yard)
        for store in households:
            is_there, faults = facts_of(store, yard)
            faults += [] if is_there == right else [f"{is_there} instead of {right}"]
            faults += copy_faults(store, yard)
            wrong += [f"household {store.household}: {fault}" for fault in faults]
        written = Counter(
            message_from_bytes(path.read_bytes())["Message-ID"]
            for path in (yard.home / "letters").glob("*.eml")
        )
        kills = {job.value: hand.caught[job] for job in Job}
    print(f"{sum(kills.values())} kills in a job: {kills}; {hand.beside} more beside one")
    print(f"{len(households)} households, {len(RIDES_AGO)} rides each; each ought to hold {right}")
    print(f"letters {len(written)}, of these written twice {sum(n > 1 for n in written.values())}")
    print(
        f"wrong: {len(wrong)}",
        *wrong,
        f"{time.monotonic() - begun:.0f} s, {datetime.now(UTC):%H:%M}",
        sep="\n",
    )
    return 1 if wrong else 0


if __name__ == "__main__":
    sys.exit(main())
