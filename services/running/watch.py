"""One process that does everything by itself: watches folders, makes rounds, serves the page.

Change events and the scheduler's ticks only wake it up; what is to be done stands in the folders and the
database, so nothing is lost by sleep, a changed clock, or days off.
"""

from __future__ import annotations

import signal
import threading
import time
from collections.abc import Callable, Iterator
from contextlib import ExitStack, contextmanager
from dataclasses import replace
from datetime import UTC, datetime, timedelta, tzinfo
from pathlib import Path
from types import FrameType

from apscheduler.schedulers.background import BackgroundScheduler
from filelock import FileLock, Timeout
from watchdog.events import FileSystemEvent, FileSystemEventHandler
from watchdog.observers import Observer
from watchdog.observers.api import BaseObserver
from watchdog.observers.polling import PollingObserver

from rules.dates_and_numbers import clock
from services.app import App, Followed, household_zone
from services.running.round import RoundReport, Watching, one_round
from services.settings import SettingsError

LOCK_FILE = "watching.lock"
AFTER_TROUBLE = timedelta(seconds=30)
AFTER_A_FAILED_COPY = timedelta(hours=6)
PATIENCE = timedelta(seconds=5)  # a round never sleeps long for an archive: the next one asks again


class AlreadyWatching(SettingsError):  # noqa: N818 - it names the state of the folder
    """Another process watches for this home folder."""


def watch(
    app: App, *, with_page: bool, say: Callable[[str], None], on_page: Callable[[str], None] = lambda _: None
) -> None:
    """Go on until SIGINT or SIGTERM. Raises AlreadyWatching, SettingsError.

    on_page: told of the page's address once it answers.
    """
    stop, woken = threading.Event(), threading.Event()

    def end(_signal: int, _frame: FrameType | None) -> None:
        stop.set()
        woken.set()

    with ExitStack() as running:
        running.enter_context(only_one(app.settings.home))
        for ending in (signal.SIGINT, signal.SIGTERM):
            previous = signal.signal(ending, end)
            running.callback(signal.signal, ending, previous)
        watching, copies = Watching(), _DailyCopies(say)

        def stirred() -> None:
            watching.stirred()
            woken.set()

        if with_page:
            app = running.enter_context(_page(replace(app, wake=stirred), say))
            on_page(app.page_url or "")
        followed = Followed(app)
        while not stop.is_set():
            with ExitStack() as as_set:
                app = followed.now()
                as_set.enter_context(_folders_wake(app, stirred, say))
                as_set.enter_context(_ticks_wake(app.settings.quiet_hours.every_s, woken))
                for watched in app.settings.watch:
                    say(f"Watching {watched.folder}")
                if not app.settings.watch:
                    say("No folder is watched yet; name one on the page, or under [[watch]] in the settings")
                while not stop.is_set() and followed.now() is app:
                    woken.clear()
                    again_in = _round(app, watching, say)
                    copies.look(app, datetime.now(UTC))
                    woken.wait(None if again_in is None else again_in.total_seconds())
                    _say_once(followed, say)
    say("Stopped; everything is kept.")


def _say_once(followed: Followed, say: Callable[[str], None]) -> None:
    """A settings file that cannot be used is told when it is found, not at every tick."""
    before = followed.trouble
    followed.now()
    if followed.trouble and followed.trouble != before:
        say(followed.trouble)


@contextmanager
def only_one(home: Path) -> Iterator[None]:
    """The right to watch for this home folder. Raises AlreadyWatching."""
    lock = FileLock(home / LOCK_FILE)
    try:
        lock.acquire(timeout=0)
    except Timeout as error:
        raise AlreadyWatching(
            f"{home}: another gritledger is watching already; stop that one first, or use it"
        ) from error
    try:
        yield
    finally:
        lock.release()


def _round(app: App, watching: Watching, say: Callable[[str], None]) -> timedelta | None:
    """One round; returns when the next is wanted, None = at the next event or tick."""
    from services.expected_errors import EXPECTED

    now = datetime.now(UTC)
    zone: tzinfo = UTC
    try:
        with app.store.reading() as tx:
            zone = household_zone(tx.equipment.riders())
        report: RoundReport = one_round(app, now=now, watching=watching, patience=PATIENCE)
    except EXPECTED as trouble:
        say(f"{clock(now, zone)} {trouble}")
        return AFTER_TROUBLE
    if report.did_something:
        for sentence in report.sentences():
            say(f"{clock(now, zone)} {sentence}")
    unsettled = [
        watched.quiet_s
        for watched in app.settings.watch
        if any(one.settles for one in watching.states.get(watched.folder, {}).values())
    ]
    return timedelta(seconds=max(unsettled) + 0.5) if unsettled else None


class _DailyCopies:
    """A copy of the ledger a day; one that failed is said, and tried again some hours later."""

    def __init__(self, say: Callable[[str], None]) -> None:
        self._say = say
        self._failed_at: datetime | None = None

    def look(self, app: App, now: datetime) -> None:
        """Make the day's copy, if it is time."""
        from services.expected_errors import EXPECTED
        from services.use_cases.back_up import back_up_daily, counted

        if self._failed_at is not None and timedelta(0) <= now - self._failed_at < AFTER_A_FAILED_COPY:
            return
        try:
            made = back_up_daily(app, now=now)
            self._failed_at = None
        except EXPECTED as trouble:
            self._failed_at = now
            self._say(f"The day's copy of the ledger was not made: {trouble}")
            return
        if made is not None:
            self._say(f"The day's copy of the ledger: {made.path} ({counted(made.inside)}).")


class _Wake(FileSystemEventHandler):
    def __init__(self, stirred: Callable[[], None]) -> None:
        self._stirred = stirred

    def on_any_event(self, event: FileSystemEvent) -> None:
        # Reading a file is an event as well, and ours alone: it says nothing new.
        if event.event_type not in ("opened", "closed_no_write"):
            self._stirred()


@contextmanager
def _folders_wake(app: App, stirred: Callable[[], None], say: Callable[[str], None]) -> Iterator[None]:
    observers: list[BaseObserver] = []
    try:
        for watched in app.settings.watch:
            observer = PollingObserver() if watched.polling else Observer()
            try:
                observer.schedule(_Wake(stirred), str(watched.folder), recursive=True)
                observer.start()
                observers.append(observer)
            except OSError as error:
                # Not fatal: every tick looks into the folder anyway.
                say(f"{watched.folder}: no change events ({error.strerror}); it is looked into at every tick")
        yield
    finally:
        for observer in observers:
            observer.stop()
            observer.join(5)


@contextmanager
def _ticks_wake(every_s: float, woken: threading.Event) -> Iterator[None]:
    scheduler = BackgroundScheduler(timezone=UTC)
    # misfire_grace_time None: a tick missed in sleep still wakes, once.
    scheduler.add_job(woken.set, "interval", seconds=every_s, coalesce=True, misfire_grace_time=None)
    scheduler.start()
    try:
        yield
    finally:
        scheduler.shutdown(wait=False)


@contextmanager
def _page(app: App, say: Callable[[str], None]) -> Iterator[App]:
    from services.web.serve import address_of, page_server

    server = page_server(app)
    thread = threading.Thread(target=server.run, name="page", daemon=True)
    thread.start()
    url = address_of(app.settings.page)
    say(f"The page is at {url}")
    try:
        while not server.started and thread.is_alive():
            time.sleep(0.02)
        yield replace(app, page_url=url)
    finally:
        server.should_exit = True
        thread.join(5)
