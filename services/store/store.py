"""The store: open it, then read or write in transactions that are whole or never happened."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator
from contextlib import AbstractContextManager, contextmanager
from datetime import datetime
from pathlib import Path
from types import TracebackType

from sqlalchemy import URL, Connection, Engine, select

from rules.message_timing import Told
from rules.vocabulary import Rider
from services.store.backup_files import faults_told
from services.store.bookkeeping import Notes
from services.store.changes import Changes
from services.store.club_uploads import Arrivals
from services.store.derived_chains import Derived
from services.store.engine import (
    HOUSEHOLD,
    MIGRATING,
    WRITING,
    WROTE,
    begun,
    make_engine,
    plain_errors,
    rows_of,
    url_of,
    where,
)
from services.store.errors import StoreUnusable
from services.store.files import Files
from services.store.job_queue import SOON, Job, later
from services.store.migrate import migrate
from services.store.outbox import Outbox
from services.store.read_ledger import LedgerReading
from services.store.reminders import Reminders
from services.store.rides import Rides
from services.store.row_security import household_of, refuse_unless_apart
from services.store.tables import write_count
from services.store.weather import Weather
from services.store.write_facts import Facts


class Transaction(LedgerReading):
    """One view of the facts, by family. It is good until its `with` block ends."""

    def __init__(self, connection: Connection) -> None:
        super().__init__(connection)
        self.rides = Rides(connection)  # rides, their bikes, tags, words and second recordings
        self.weather = Weather(connection)  # hourly weather and what was fetched
        self.reminders = Reminders(connection)  # raised reminders and their steps
        self.outbox = Outbox(connection)  # letters on their way
        self.files = Files(connection)  # files seen and what became of them
        self.facts = Facts(connection)  # equipment and care, as the gate lets them change
        self.changes = Changes(connection)  # everything that riders said, as commands, with what undoes them
        self.notes = Notes(connection)  # bookkeeping of the rounds, by name
        self.derived = Derived(connection)  # what was derived of each chain, and what has to be derived anew
        self.arrivals = Arrivals(connection)  # files that a household of a club handed over

    def told_since(self, riders: Iterable[Rider], since: datetime) -> Told:
        """What did these riders hear since then, the weekly outlook aside?"""
        messages = {rider.id: self.outbox.told_since(rider.id, since) for rider in riders}
        return Told(messages, self.reminders.wet_told_since(since))

    def later(self, job: Job, *, after_s: int = 0, urgency: int = SOON) -> None:
        """Have a job done for this household once this stands; at home the next round does it."""
        later(self._connection, job, after_s=after_s, urgency=urgency)

    def writes(self) -> int:
        """How many transactions have been written: while this stands, nothing derived has changed."""
        return self._connection.scalar(select(write_count.c.writes)) or 0


class Store:
    """A household's facts on disk. Threads may share one; another process opens its own."""

    def __init__(self, engine: Engine, url: URL, household: int | None = None) -> None:
        self._engine, self._url, self.household = engine, url, household
        self.before_writing: Callable[[Connection], None] = lambda _: None  # raises to forbid it

    @classmethod
    def open(cls, url_or_path: str | Path) -> Store:
        """Open a database by SQLAlchemy URL, or SQLite by path, and bring it up to this version's schema.

        ?household=7 in the URL: that household of a club's database. Raises StoreError.
        """
        url, household = household_of(url_of(url_or_path))
        engine = make_engine(url)
        try:
            with plain_errors(url):
                migrate(engine, where(url))
                if engine.dialect.name == "postgresql":
                    with begun(engine) as connection:
                        refuse_unless_apart(connection, where(url), household)
        except BaseException:
            engine.dispose()
            raise
        return cls(engine, url, household)

    @property
    def where(self) -> str:
        """The database as a message names it: its file, or its URL without the password."""
        return where(self._url)

    @property
    def path(self) -> Path | None:
        """The database's file; None when it is on a server."""
        return Path(str(self._url.database)) if self._url.get_backend_name() == "sqlite" else None

    @contextmanager
    def reading(self) -> Iterator[Transaction]:
        """A view of the facts as they are at its first look; writers do not disturb it. Raises StoreBusy."""
        with plain_errors(self._url, reading=True), self._begun() as connection:
            yield Transaction(connection)

    @contextmanager
    def writing(self) -> Iterator[Transaction]:
        """The right to write, for one at a time: all of the block is kept, or, if it raises, nothing of it.

        Never hold it across the network. A block that changes no row counts as no write.
        Raises StoreBusy when another writer does not finish in time.
        """
        with plain_errors(self._url), self._begun(**{WRITING: True}) as connection:
            connection.info.pop(WROTE, None)
            self.before_writing(connection)
            yield Transaction(connection)
            if connection.info.pop(WROTE, False):
                connection.execute(write_count.update().values(writes=write_count.c.writes + 1))

    @contextmanager
    def reading_rows(self) -> Iterator[Connection]:
        """The tables as they are at the first look: for moving all of a household at once."""
        with plain_errors(self._url, reading=True), self._begun() as connection:
            yield connection

    def fill(self, move: Callable[[Connection], None]) -> None:
        """Let all rows of a household be moved into this empty home ledger: all of it, or nothing."""
        # Rows come table by table; orphans are looked for after.
        with plain_errors(self._url), begun(self._engine, **{MIGRATING: True}) as connection:
            move(connection)

    def _begun(self, **how: bool) -> AbstractContextManager[Connection]:
        """A connection in a transaction of this household: the one place where the store begins one."""
        return begun(self._engine, **how, **{HOUSEHOLD: self.household})

    def faults(self) -> tuple[str, ...]:
        """What the database finds wrong with itself, in sentences; empty = nothing. Reads all of it."""
        if self._url.get_backend_name() != "sqlite":
            with self.reading() as tx:
                tx.writes()
            return ()
        try:
            with plain_errors(self._url), begun(self._engine) as connection:
                checked = [row[0] for row in rows_of(connection, "PRAGMA quick_check")]
                orphans = rows_of(connection, "PRAGMA foreign_key_check")
        except StoreUnusable as unusable:
            return (str(unusable),)
        return faults_told(checked, orphans)

    def close(self) -> None:
        """Give back every connection."""
        self._engine.dispose()

    def __enter__(self) -> Store:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.close()
