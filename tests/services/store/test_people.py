"""People of a club are shown to themselves, to their households, and to whoever shows the right secret."""

from __future__ import annotations

import random
import zlib
from collections.abc import Iterator
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import psycopg
import pytest
from psycopg import errors as refused

from rules.roles import Role
from services.store import StoreUnusable
from services.store.club import Club, Household
from services.store.people import Invitation, print_of
from services.store.row_security import BY_PERSON, SHARED
from tests.services.conftest import server_database, with_database

NOW = datetime(2026, 6, 1, 18, 0, tzinfo=UTC)
WEEK = timedelta(days=7)


@pytest.fixture
def club(club_url: str) -> Iterator[Club]:
    with Club.open(club_url) as opened:
        yield opened


def mark(tmp_path: Path) -> str:
    return f"{zlib.crc32(str(tmp_path).encode()):x}"


def joined(club: Club, household: Household, name: str, role: Role = Role.OWNER) -> int:
    """Somebody who belongs to a household, and has a session called like their invitation's link."""
    link = f"link of {name}"
    said = Invitation(
        "", household.number, household.name, f"{name}@x.example", role, None, "a test", NOW + WEEK
    )
    club.people.invite(link, said, NOW)
    number = club.people.accept(link, NOW, person=None, name=name, password_hash="secret hash")
    club.people.begin_session(f"session of {name}", number, household.number, NOW)
    return number


def asking(url: str, **settings: str) -> psycopg.Connection[Any]:
    """A bare connection as the page's role, that says for whom it asks."""
    connection = psycopg.connect(url.replace("+psycopg", "", 1))
    for name, value in settings.items():
        connection.execute("SELECT set_config(%s, %s, false)", (f"gritledger.{name}", value))
    return connection


def seen(connection: psycopg.Connection[Any]) -> dict[str, int]:
    found = {}
    for table in sorted(BY_PERSON):
        row = connection.execute(f"SELECT count(*) FROM {table}").fetchone()
        found[table] = row[0] if row else -1
    return found


def test_a_forgotten_condition_shows_nobody(club: Club, club_url: str, tmp_path: Path) -> None:
    mill, quay = (club.add(f"{word} {tmp_path}") for word in ("Mill", "Quay"))
    name = mark(tmp_path)
    ines, marek = joined(club, mill, f"ines{name}"), joined(club, quay, f"marek{name}", Role.MECHANIC)
    nothing = dict.fromkeys(sorted(BY_PERSON), 0)
    with asking(club_url) as nobody:
        assert seen(nobody) == nothing
    with asking(club_url, household=str(mill.number)) as household:
        assert seen(household) == {"invitation": 1, "membership": 1, "person": 1, "session": 0}
    with asking(club_url, person=str(marek)) as person:
        assert seen(person) == {"invitation": 0, "membership": 1, "person": 1, "session": 1}
    with asking(club_url, asked=print_of(f"session of ines{name}")) as cookie:
        assert seen(cookie) == {"invitation": 0, "membership": 0, "person": 0, "session": 1}
    with asking(club_url, asked=print_of(f"link of ines{name}")) as link:
        assert seen(link) == {"invitation": 1, "membership": 0, "person": 0, "session": 0}
    with asking(club_url, asked=f"ines{name}@x.example") as address:
        assert seen(address) == {"invitation": 0, "membership": 0, "person": 1, "session": 0}
    # A household sees who belongs to it, and changes nothing of theirs.
    with (
        asking(club_url, household=str(mill.number)) as housemate,
        pytest.raises(refused.InsufficientPrivilege),
    ):
        housemate.execute("UPDATE person SET password_hash = 'mine' WHERE id = %s", (ines,))
    with asking(club_url, person=str(marek)) as person:
        assert person.execute("UPDATE person SET password_hash = 'mine' WHERE id = %s", (ines,)).rowcount == 0
        with pytest.raises(refused.InsufficientPrivilege):
            person.execute("UPDATE membership SET person = %s", (ines,))


def test_five_hundred_queries_as_somebody_else_see_and_change_nobody(
    club: Club, club_url: str, tmp_path: Path
) -> None:
    mill, quay = (club.add(f"{word} {tmp_path}") for word in ("Mill", "Quay"))
    name = mark(tmp_path)
    ines, marek = joined(club, mill, f"ines{name}"), joined(club, quay, f"marek{name}")
    dice, read = random.Random(3), 0
    columns = {
        "person": ("id", "email", "password_hash"),
        "membership": ("person", "household", "role"),
        "session": ("print", "person"),
        "invitation": ("print", "email", "household"),
    }
    right = asking(club_url, person=str(ines), household=str(mill.number))
    wrong = asking(club_url, person=str(marek), household=str(quay.number))
    with right, wrong:
        before = seen(right)
        for _ in range(500):
            table = dice.choice(list(columns))
            column = dice.choice(columns[table])
            whose = {
                "person": f"t.email LIKE 'ines{name}%'",
                "invitation": f"t.email LIKE 'ines{name}%'",
            }.get(table, f"t.person = {ines}")
            query = dice.choice(
                [
                    f"SELECT t.{column} FROM {table} t WHERE {whose}",
                    f"SELECT max(t.{column}::text) FROM {table} t WHERE {whose} HAVING count(*) > 0",
                    f"SELECT t.* FROM {table} t, membership m WHERE {whose}",
                    f"SELECT t.{column} FROM {table} t WHERE {whose} UNION ALL SELECT t.{column} "
                    f"FROM {table} t WHERE {whose} AND EXISTS (SELECT FROM person)",
                    f"UPDATE {table} t SET {column} = t.{column} WHERE {whose} RETURNING t.{column}",
                ]
            )
            done = wrong.execute(query)
            assert done.fetchall() == [], query
            read += bool(right.execute(query).fetchall()) if query.startswith("SELECT") else 0
        assert read > 250, "the queries ask for nothing"
        assert seen(right) == before


def test_a_table_of_people_without_its_policy_is_found(
    club: Club, club_url: str, postgresql_server: str
) -> None:
    assert not BY_PERSON & SHARED
    with psycopg.connect(server_database(postgresql_server, "club"), autocommit=True) as owner:
        for table in sorted(BY_PERSON):
            owner.execute(f"DROP POLICY own_people ON {table}")
            try:
                with pytest.raises(StoreUnusable, match=f"“{table}” is not kept apart"):
                    Club.open(club_url)
            finally:
                Club.prepare(with_database(postgresql_server, "club"), "gritledger")
            Club.open(club_url).close()
        owner.execute("ALTER TABLE session RENAME TO another")
        try:
            with pytest.raises(StoreUnusable, match=r"“(another|session)” is not"):
                Club.open(club_url)
        finally:
            owner.execute("ALTER TABLE another RENAME TO session")


def test_a_look_into_the_database_opens_no_door(club: Club, club_url: str, tmp_path: Path) -> None:
    """Neither cookies nor links are kept, and tries are counted without names."""
    name = mark(tmp_path)
    person = joined(club, club.add(f"Mill {tmp_path}"), f"ines{name}")
    with asking(club_url, person=str(person)) as connection:
        rows = connection.execute("SELECT * FROM session").fetchall()
        rows += connection.execute("SELECT * FROM guess").fetchall()
    assert f"session of ines{name}" not in str(rows)
    assert f"ines{name}" not in str(rows)
    assert club.people.visit(print_of(f"session of ines{name}"), NOW) is None
    assert club.people.visit(f"session of ines{name}", NOW) is not None
