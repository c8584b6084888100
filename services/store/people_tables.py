"""The tables of people who sign in to a club, each with a policy of its own.

A transaction says for whom it asks: a person, a household, or whoever shows a link, a cookie or an address.
The policies show that and no more, so that a forgotten condition shows nothing.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from contextlib import AbstractContextManager, contextmanager
from typing import Any, Final

from sqlalchemy import Connection, Engine

from services.store.engine import HOUSEHOLD, WRITING, begun, quoted, run

NO_HOUSEHOLD: Final = -1  # people's own writers queue for this lock, and see no household's rows

_PERSON, _ASKED = (f"nullif(current_setting('gritledger.{name}', true), '')" for name in ("person", "asked"))
_TABLES = """
CREATE TABLE IF NOT EXISTS person (id serial PRIMARY KEY, email text NOT NULL, email_key text NOT NULL UNIQUE,
  name text NOT NULL, password_hash text NOT NULL, made_at timestamptz NOT NULL);
CREATE TABLE IF NOT EXISTS membership (household integer NOT NULL REFERENCES household,
  person integer NOT NULL REFERENCES person,
  role text NOT NULL CHECK (role IN ('owner', 'mechanic', 'rider')), rider integer,
  since timestamptz NOT NULL, PRIMARY KEY (household, person));
CREATE INDEX IF NOT EXISTS membership_of_person ON membership (person);
CREATE TABLE IF NOT EXISTS session (print text PRIMARY KEY, person integer NOT NULL REFERENCES person,
  household integer REFERENCES household, begun_at timestamptz NOT NULL, seen_at timestamptz NOT NULL,
  until timestamptz NOT NULL);
CREATE INDEX IF NOT EXISTS session_of_person ON session (person);
CREATE TABLE IF NOT EXISTS invitation (print text PRIMARY KEY,
  household integer NOT NULL REFERENCES household, email text NOT NULL,
  role text NOT NULL CHECK (role IN ('owner', 'mechanic', 'rider')), rider integer,
  invited_by text NOT NULL, made_at timestamptz NOT NULL, until timestamptz NOT NULL, used_at timestamptz,
  withdrawn_at timestamptz);
CREATE TABLE IF NOT EXISTS guess (key text PRIMARY KEY, tries integer NOT NULL, tried_at timestamptz NOT NULL,
  not_before timestamptz NOT NULL)
"""
# Table: what may be seen, and what may be written.
_POLICIES: Final = {
    "person": (
        f"id = {_PERSON}::integer OR email_key = {_ASKED} OR EXISTS (SELECT FROM membership m "
        "WHERE m.person = person.id AND m.household = household_here())",
        f"id = {_PERSON}::integer OR email_key = {_ASKED}",
    ),
    "membership": (f"person = {_PERSON}::integer OR household = household_here()",) * 2,
    "session": (f"print = {_ASKED} OR person = {_PERSON}::integer",) * 2,
    "invitation": (f"print = {_ASKED} OR household = household_here()",) * 2,
}
_GRANTS: Final = {
    "person": "SELECT, INSERT, UPDATE",
    "membership": "SELECT, INSERT, UPDATE, DELETE",
    "session": "SELECT, INSERT, UPDATE, DELETE",
    "invitation": "SELECT, INSERT, UPDATE",
    "guess": "SELECT, INSERT, UPDATE, DELETE",
}


def make_people(connection: Connection, role: str) -> None:
    """The tables of people with their policies, for this role; made again, nothing changes."""
    for statement in _TABLES.split(";"):
        connection.exec_driver_sql(statement)
    for table, (seen, written) in _POLICIES.items():
        for statement in (
            f"ALTER TABLE {table} ENABLE ROW LEVEL SECURITY",
            f"ALTER TABLE {table} FORCE ROW LEVEL SECURITY",
            f"DROP POLICY IF EXISTS own_people ON {table}",
            f"CREATE POLICY own_people ON {table} USING ({seen}) WITH CHECK ({written})",
        ):
            connection.exec_driver_sql(statement)
    for table, rights in _GRANTS.items():
        connection.exec_driver_sql(f"GRANT {rights} ON {table} TO {quoted(role)}")
    connection.exec_driver_sql(f"GRANT USAGE, SELECT ON SEQUENCE person_id_seq TO {quoted(role)}")


@contextmanager
def asking(
    engine: Engine,
    plain: Callable[[bool], AbstractContextManager[None]],
    *,
    writing: bool,
    household: int,
    person: int | None,
    asked: str,
) -> Iterator[Connection]:
    """A transaction that sees what is this household's, this person's, or named by what was shown."""
    how: dict[str, Any] = {WRITING: writing, HOUSEHOLD: household}
    with plain(not writing), begun(engine, **how) as connection:
        ask_for(connection, person, asked)
        yield connection


def ask_for(connection: Connection, person: int | None, asked: str) -> None:
    """For this transaction alone, as with a household."""
    run(
        connection,
        "SELECT set_config('gritledger.person', :person, true), set_config('gritledger.asked', :asked, true)",
        person="" if person is None else str(person),
        asked=asked,
    )
