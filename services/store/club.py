"""A club's database: many households in one PostgreSQL, each a store of its own over shared connections."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from types import TracebackType

from sqlalchemy import URL, Connection, Engine, column, exists, func, select, table

from services.store.archive_budget import make_budget
from services.store.engine import (
    HOUSEHOLD,
    HOUSEHOLD_SETTING,
    MIGRATING,
    WRITING,
    begun,
    make_engine,
    plain_errors,
    run,
    url_of,
    where,
)
from services.store.errors import FactRefused, NotFound, StoreUnusable
from services.store.household_transfer import move_in
from services.store.job_queue import SOON, Job, enqueue, make_queue
from services.store.migrate import migrate
from services.store.people import People
from services.store.people_tables import make_people
from services.store.row_security import (
    FRESH,
    household_of,
    is_club,
    keep_apart,
    refuse_unless_apart,
    refuse_unsafe_role,
    tables_apart,
)
from services.store.store import Store


@dataclass(frozen=True, slots=True)
class Household:
    """A household of a club."""

    number: int
    name: str


class Club:
    """The households of one database. Threads may share one; another process opens its own."""

    def __init__(self, engine: Engine, url: URL) -> None:
        self._engine, self._url = engine, url

    @classmethod
    def prepare(cls, owner_url: str, role: str) -> None:
        """Make a database fit for a club, as its owner; a prepared one is looked through and brought up.

        role: whom the page and the workers sign in as. Raises StoreError; then nothing was changed.
        """
        url = on_postgresql(owner_url)
        engine = make_engine(url)
        try:
            with plain_errors(url):
                with begun(engine) as connection:
                    refuse_unsafe_role(connection, where(url), role)
                    prepared = is_club(connection)
                migrate(engine, where(url))
                with begun(engine, **{MIGRATING: True}) as connection:
                    if not prepared and run(connection, "SELECT EXISTS (SELECT FROM rider)").scalar():
                        raise StoreUnusable(
                            where(url),
                            "holds one household's ledger",
                            "name an empty database, and take that ledger in: gritledger club take-in",
                        )
                    keep_apart(connection, role)
                    make_budget(connection, role)
                    make_queue(connection, role)
                    make_people(connection, role)
        finally:
            engine.dispose()

    @classmethod
    def is_at(cls, url: str) -> bool:
        """Whether a club is kept at this URL, and none of its households is named. Raises StoreError."""
        plain, household = household_of(url_of(url))
        if household is not None or plain.get_backend_name() != "postgresql":
            return False
        engine = make_engine(plain)
        try:
            with plain_errors(plain, reading=True), begun(engine) as connection:
                return is_club(connection)
        finally:
            engine.dispose()

    @classmethod
    def open(cls, url: str) -> Club:
        """Open a prepared database, as the role it was prepared for. Raises StoreError."""
        plain = on_postgresql(url)
        engine = make_engine(plain)
        try:
            with plain_errors(plain):
                migrate(engine, where(plain))
                with begun(engine) as connection:
                    refuse_unless_apart(connection, where(plain), FRESH)
        except BaseException:
            engine.dispose()
            raise
        return cls(engine, plain)

    @property
    def where(self) -> str:
        """The database as a message names it."""
        return where(self._url)

    def households(self) -> tuple[Household, ...]:
        """Every household, by number."""
        with self.reading() as connection:
            rows = connection.execute(
                select(_household).where(_household.c.number != FRESH).order_by(_household.c.number)
            )
            return tuple(Household(row.number, row.name) for row in rows)

    def ask_for(self, job: Job, households: Iterable[int], *, urgency: int = SOON) -> None:
        """Have a job done for each of these households, where none waits yet."""
        with self.writing() as connection:
            for number in households:
                enqueue(connection, job, number, urgency=urgency)

    @property
    def people(self) -> People:
        """Who signs in, and what they are to which household."""
        return People(self._engine, lambda reading: plain_errors(self._url, reading=reading))

    @property
    def queue_conninfo(self) -> str:
        """How a worker reaches the queue, as libpq takes it."""
        from psycopg.conninfo import make_conninfo

        named = self._url.translate_connect_args(username="user", database="dbname")
        return make_conninfo(**named, **{key: str(value) for key, value in self._url.query.items()})

    def add(self, name: str) -> Household:
        """A new household, with what a fresh ledger holds. Raises FactRefused."""
        name = self._free(name)
        with self.writing() as connection:
            return _added(connection, name)

    def take_in(self, home: Store, name: str, number: int | None = None) -> Household:
        """A new household with all that a home ledger holds, number by number; that one is left as it is.

        number: the household's own, where it had one in another club. Raises FactRefused.
        """
        name = self._free(name)
        with home.reading_rows() as source, self.writing() as connection:
            made = _added(connection, name, number)
            move_in(source, connection)
        return made

    def _free(self, name: str) -> str:
        name = name.strip()
        if not name:
            raise FactRefused("A household needs a name.")
        if name.casefold() in {one.name.casefold() for one in self.households()}:
            raise FactRefused(f"There is a household “{name}” already; give another name.")
        return name

    def store(self, number: int) -> Store:
        """The store of one household. Raises NotFound."""
        with self.reading() as connection:
            here = _household.c.number != FRESH
            if not connection.scalar(select(exists().where(here, _household.c.number == number))):
                highest = connection.scalar(select(func.max(_household.c.number)).where(here))
                raise NotFound("household", number, highest=highest or 0)
        return Store(self._engine, self._url, household=number)

    @contextmanager
    def reading(self) -> Iterator[Connection]:
        """A connection that sees what is shared by all, and nothing of any household."""
        with plain_errors(self._url, reading=True), begun(self._engine) as connection:
            yield connection

    @contextmanager
    def writing(self) -> Iterator[Connection]:
        """A connection that writes what is shared by all."""
        options = {WRITING: True, HOUSEHOLD: FRESH}
        with plain_errors(self._url), begun(self._engine, **options) as connection:
            yield connection

    def close(self) -> None:
        """Give back every connection, those of its households' stores as well."""
        self._engine.dispose()

    def __enter__(self) -> Club:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.close()


def on_postgresql(url: str) -> URL:
    """The URL of a club's database, without a household. Raises StoreUnusable."""
    made, _ = household_of(url_of(url))
    if made.get_backend_name() != "postgresql":
        raise StoreUnusable(
            where(made), "a club's households are kept on PostgreSQL", "give a postgresql:// URL"
        )
    return made


def _added(connection: Connection, name: str, number: int | None = None) -> Household:
    if number is None:
        insert = _household.insert().values(name=name).returning(_household.c.number)
        number = int(connection.execute(insert).scalar_one())
    else:
        insert_as = "INSERT INTO household (number, name) OVERRIDING SYSTEM VALUE VALUES (:number, :name)"
        run(connection, insert_as, number=number, name=name)
        # Only ever counted on, as with all numbers: the next new one is beyond this one.
        run(
            connection,
            "SELECT nextval(pg_get_serial_sequence('household', 'number')) FROM generate_series(1, :number)",
            number=number,
        )
    _be(connection, FRESH)
    fresh = {
        name_of: run(connection, f'SELECT * FROM "{name_of}"').mappings().all()  # noqa: S608
        for name_of in tables_apart(connection)
    }
    _be(connection, number)
    for name_of, rows in fresh.items():
        if rows:
            columns = table(name_of, *(column(key) for key in rows[0]))
            connection.execute(columns.insert(), [{**row, "household": number} for row in rows])
    return Household(number, name)


def _be(connection: Connection, number: int) -> None:
    sql = "SELECT set_config(:setting, :number, true)"
    run(connection, sql, setting=HOUSEHOLD_SETTING, number=str(number))


_household = table("household", column("number"), column("name"))
