"""A club of an older version moved into an empty database of this one, household by household.

Each goes by way of a home ledger in the older form, which is brought up as any home ledger is: so there is
one way of migrating. Households and people keep their numbers; sessions and open invitations end.
"""

from __future__ import annotations

from collections.abc import Callable
from contextlib import AbstractContextManager
from pathlib import Path
from tempfile import TemporaryDirectory

from sqlalchemy import Connection, Engine, MetaData, Table
from sqlmodel import SQLModel

from services.store.club import Club, Household, on_postgresql
from services.store.engine import (
    HOUSEHOLD,
    MIGRATING,
    begun,
    make_engine,
    plain_errors,
    run,
    url_of,
    where,
)
from services.store.errors import StoreUnusable
from services.store.household_transfer import move_table, move_weather
from services.store.migrate import schema_of, upgrade
from services.store.people_tables import ask_for
from services.store.row_security import FRESH, SHARED, is_club
from services.store.store import Store


def move_club(old_url: str, club: Club, *, say: Callable[[str], None]) -> None:
    """Everything of the club at this URL, named as its pages' role; it is left as it is.

    Each household is moved whole or not at all; begun again, those that are there already are left out.
    Raises StoreError.
    """
    url = on_postgresql(old_url)
    engine = make_engine(url)
    try:
        with plain_errors(url, reading=True):
            schema, households = _looked_at(engine, where(url))
            here = {one.number for one in club.households()}
            for one in households:
                if one.number in here:
                    _move_people(engine, club, one.number)  # perhaps cut short before them
                    say(f"Household {one.number}: {one.name} is here already.")
                    continue
                with TemporaryDirectory() as folder:
                    file = Path(folder) / "ledger.db"
                    _write_home_ledger(engine, one.number, file, schema)
                    with Store.open(file) as home:
                        club.take_in(home, one.name, number=one.number)
                _move_people(engine, club, one.number)
                say(f"Household {one.number}: {one.name} is moved.")
    finally:
        engine.dispose()


def _looked_at(engine: Engine, place: str) -> tuple[str, list[Household]]:
    """The schema of an older club, and its households. Raises StoreUnusable."""
    with _of(engine, FRESH) as connection:
        if not is_club(connection):
            raise StoreUnusable(place, "is no club's database", "name the club's old one")
        schema = schema_of(connection, place) or ""
        sql = "SELECT number, name FROM household WHERE number <> :fresh ORDER BY number"
        rows = run(connection, sql, fresh=FRESH)
        households = [Household(row.number, row.name) for row in rows]
    for one in households:
        with _of(engine, one.number) as connection:
            waiting = run(connection, "SELECT count(*) FROM arrival WHERE read_at IS NULL").scalar()
        if waiting:
            raise StoreUnusable(
                place,
                f"holds {waiting} files of household {one.number} that nobody has read yet",
                "let a worker of the old version finish: gritledger club work --until-idle",
            )
    return schema, households


def _of(engine: Engine, household: int) -> AbstractContextManager[Connection]:
    """A reading connection that sees one household's rows."""
    return begun(engine, **{HOUSEHOLD: household})


def _write_home_ledger(source: Engine, household: int, file: Path, schema: str) -> None:
    """A home ledger as that version kept it, with all of the household's rows."""
    engine = make_engine(url_of(file))
    try:
        with begun(engine, **{MIGRATING: True}) as target:
            upgrade(target, schema)
            tables = _as_they_were(target)
            with _of(source, household) as rows:
                for table in tables:
                    move_table(rows, target, table)
                move_weather(rows, target)
    finally:
        engine.dispose()


def _as_they_were(target: Connection) -> list[Table]:
    """The tables of that version, columns read and written as this version does those it still has."""
    found = MetaData()
    found.reflect(target)
    for table in found.tables.values():
        known = SQLModel.metadata.tables.get(table.name)
        for column in table.c:
            if known is not None and column.name in known.c:
                column.type = known.c[column.name].type
    return [table for table in found.sorted_tables if table.name not in SHARED]


def _move_people(source: Engine, club: Club, household: int) -> None:
    """Who belongs to a household; somebody of several is kept once."""
    with _of(source, household) as connection:
        if run(connection, "SELECT to_regclass('membership') IS NULL").scalar():
            return  # that version had no people
        memberships = run(connection, "SELECT * FROM membership").mappings().all()
        people = run(connection, "SELECT * FROM person").mappings().all()
    for person in people:
        with club.people.asking(writing=True, person=person["id"]) as connection:
            ask_for(connection, person["id"], person["email_key"])
            sql = (
                "INSERT INTO person (id, email, email_key, name, password_hash, made_at) VALUES "
                "(:id, :email, :email_key, :name, :password_hash, :made_at) ON CONFLICT DO NOTHING"
            )
            run(connection, sql, **dict(person))
            sql = (
                "SELECT nextval('person_id_seq') FROM generate_series("
                "(SELECT last_value FROM person_id_seq), :id)"
            )
            run(connection, sql, id=person["id"])
    with club.people.asking(writing=True, household=household) as connection:
        for one in memberships:
            sql = (
                "INSERT INTO membership (household, person, role, rider, since) "
                "VALUES (:household, :person, :role, :rider, :since) ON CONFLICT DO NOTHING"
            )
            run(connection, sql, **dict(one))
