"""A worker of a club: takes jobs from the queue of its database, one at a time, on any number of machines.

A job of a household waits for the others of that household. One whose worker died is handed on by the sweep,
and a worker that comes back too late is turned away before it writes.
"""

from __future__ import annotations

import asyncio
import signal
from collections.abc import Callable
from contextlib import suppress
from dataclasses import dataclass
from datetime import UTC, datetime
from functools import cached_property, partial
from typing import Any

from procrastinate import App as Queue
from procrastinate import BaseRetryStrategy, JobContext, PsycopgConnector, RetryDecision
from procrastinate.exceptions import UniqueViolation
from procrastinate.jobs import Job as Deferred
from procrastinate.jobs import Status

from ingest.weather.hourly import LimitReached, WeatherProvider
from services.app import App, household_app
from services.expected_errors import EXPECTED
from services.running.club_jobs import JOBS
from services.store.archive_budget import Budget
from services.store.club import Club
from services.store.errors import StoreUnusable
from services.store.job_queue import PUT_OFF, QUEUE, SCHEMA, Job, Superseded, hold

MOST_ATTEMPTS = 6  # failed or handed on so often, a job is given up, and is shown as failed
SWEEP, LOOK, COPY = "hand on what stands still", "look at every household", "copy every household"


class Again(BaseRetryStrategy):
    """A job that failed is tried again after 3 s, 9 s … 12 min, and holds up no other of its household."""

    def get_retry_decision(self, *, exception: BaseException, job: Deferred) -> RetryDecision | None:
        """When, if at all."""
        del exception
        if job.attempts >= MOST_ATTEMPTS:
            return None
        return RetryDecision(retry_in={"seconds": 3 ** (job.attempts + 1)}, priority=PUT_OFF)


@dataclass(frozen=True)
class Pace:
    """How quickly a worker is taken for dead, and how often every household is looked at."""

    heartbeat_s: float = 10.0
    stalled_s: float = 40.0
    sweep: str = "*/15 * * * * *"  # as cron, seconds last
    look: str = "*/10 * * * *"
    copy: str = "23 2 * * *"


USUAL = Pace()


def work(app: App, *, say: Callable[[str], None], until_idle: bool = False, pace: Pace = USUAL) -> None:
    """Take jobs until SIGINT or SIGTERM, or until none is left.

    app: of a home folder whose database is a club's. Raises SettingsError, StoreError: then, too, when the
    database goes away for longer than a moment.
    """
    with Club.open(app.settings.database_url) as club:
        queue = _queue(_Desk(app, club, say), pace)
        say(f"Working for {club.where}; stop it with Ctrl-C.")
        if not asyncio.run(_until_told(queue, pace, until_idle=until_idle)) and not until_idle:
            why, try_this = "does not answer any more", "start the worker again; a service does so by itself"
            raise StoreUnusable(club.where, why, try_this)


async def _until_told(queue: Queue, pace: Pace, *, until_idle: bool) -> bool:
    """Work; whether it ended because it was told to."""
    told = False

    def stop() -> None:
        nonlocal told
        told = True
        working.cancel()

    async with queue.open_async():
        working = asyncio.create_task(
            queue.run_worker_async(
                wait=not until_idle,
                install_signal_handlers=False,
                delete_jobs="successful",
                fetch_job_polling_interval=min(5.0, pace.heartbeat_s),
                shutdown_graceful_timeout=20,
                update_heartbeat_interval=pace.heartbeat_s,
                stalled_worker_timeout=pace.stalled_s,
            )
        )
        with suppress(NotImplementedError):  # Windows has none
            for number in (signal.SIGINT, signal.SIGTERM):
                asyncio.get_running_loop().add_signal_handler(number, stop)
        with suppress(asyncio.CancelledError):
            await working
    return told


@dataclass(frozen=True)
class _Desk:
    """The club's settings and tools, lent to one household after another."""

    app: App
    club: Club
    say: Callable[[str], None]

    def do(self, job: Job, context: JobContext, household: int) -> None:
        now, held = datetime.now(UTC), context.job
        store = self.club.store(household)
        store.before_writing = partial(
            hold, job_id=held.id or 0, worker_id=held.worker_id, attempts=held.attempts
        )
        try:
            JOBS[job](household_app(self.app, store, providers=self.providers), now)
        except Superseded as late:
            self.say(f"Household {household}, {job}: {late}")
        except EXPECTED as trouble:
            self.say(f"Household {household}, {job}: {trouble} It is tried again.")
            raise

    @cached_property
    def providers(self) -> tuple[WeatherProvider, ...]:
        return tuple(_within(one, Budget(self.club.writing)) for one in self.app.providers)


def _within(provider: WeatherProvider, budget: Budget) -> WeatherProvider:
    """The same archive, asked only while the budget of all workers has room."""

    class Within:
        def __getattr__(self, name: str) -> Any:
            return getattr(provider, name)

        def fetch(self, cell: Any, first: Any, last: Any, *, now: datetime) -> Any:
            if (again := budget.take(provider.cost(first, last, now=now))) is not None:
                raise LimitReached("the club's share of the archive's limit is used up", again)
            try:
                return provider.fetch(cell, first, last, now=now)
            except LimitReached as limit:
                if limit.retry_at is not None:
                    budget.close(limit.retry_at)
                raise

    return Within()


def _queue(desk: _Desk, pace: Pace) -> Queue:
    schemas = {"options": f"-csearch_path=public,{SCHEMA}"}
    reach = PsycopgConnector(conninfo=desk.club.queue_conninfo, kwargs=schemas, min_size=1, max_size=3)
    queue = Queue(connector=reach)
    for job in JOBS:
        _add_task(queue, desk, job)

    # Above all work: behind a long line it would hardly ever run.
    @queue.periodic(cron=pace.sweep)
    @queue.task(name=SWEEP, queueing_lock=SWEEP, priority=100)
    async def sweep(timestamp: int) -> None:
        del timestamp
        for job in await queue.job_manager.get_stalled_jobs(seconds_since_heartbeat=pace.stalled_s):
            whose = f"Household {job.task_kwargs.get('household')}, {job.task_name}: its worker is gone"
            if job.attempts >= MOST_ATTEMPTS:
                await queue.job_manager.finish_job(job, Status.FAILED, delete_job=False)
                desk.say(f"{whose}; given up.")
                continue
            try:
                await queue.job_manager.retry_job(job)
                desk.say(f"{whose}; handed on.")
            except UniqueViolation:
                # The same was asked for again meanwhile: that one does the work of both.
                await queue.job_manager.finish_job(job, Status.FAILED, delete_job=True)
                desk.say(f"{whose}; the same waits already.")

    @queue.periodic(cron=pace.look)
    @queue.task(name=LOOK, queueing_lock=LOOK, priority=50)
    def look(timestamp: int) -> None:
        del timestamp
        desk.club.ask_for(Job.TAG, [one.number for one in desk.club.households()], urgency=PUT_OFF)

    @queue.periodic(cron=pace.copy)
    @queue.task(name=COPY, queueing_lock=COPY, priority=50)
    def copy(timestamp: int) -> None:
        del timestamp
        if desk.app.settings.backup.daily:
            desk.club.ask_for(Job.BACK_UP, [one.number for one in desk.club.households()], urgency=PUT_OFF)

    return queue


def _add_task(queue: Queue, desk: _Desk, job: Job) -> None:
    @queue.task(name=job.value, queue=QUEUE, pass_context=True, retry=Again())
    def run(context: JobContext, household: int) -> None:
        desk.do(job, context, household)
