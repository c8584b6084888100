"""A club that an older version kept is moved into a database of this one, by number, or it says why not."""

from __future__ import annotations

import json
import sqlite3
from pathlib import Path
from typing import Any

import psycopg
import pytest
from psycopg.types.json import Jsonb

from rules.vocabulary import TreatmentKind
from services.store import Store, StoreUnusable
from services.store.archive_budget import make_budget
from services.store.club import Club
from services.store.club_upgrade import move_club
from services.store.engine import MIGRATING, make_engine, url_of
from services.store.job_queue import make_queue
from services.store.migrate import upgrade
from services.store.people_tables import make_people
from services.store.row_security import keep_apart
from tests.put_into import into
from tests.services.conftest import as_role, server_database, with_database
from tests.services.store.household import MORNING, ride_of, settle

OLDER = "0011"
QUAY = 9  # a number that a new club would not give by itself


@pytest.fixture
def older(postgresql_server: str, tmp_path: Path) -> str:
    """A club in the form of an older version, with one household of one ride and two people."""
    with psycopg.connect(server_database(postgresql_server, "postgres"), autocommit=True) as connection:
        connection.execute("DROP DATABASE IF EXISTS older_club")
        connection.execute("CREATE DATABASE older_club")
    engine = make_engine(url_of(with_database(postgresql_server, "older_club")))
    with engine.connect().execution_options(**{MIGRATING: True}) as owner, owner.begin():
        upgrade(owner, OLDER)
        keep_apart(owner, "gritledger")
        make_budget(owner, "gritledger")
        make_queue(owner, "gritledger")
        make_people(owner, "gritledger")
    engine.dispose()
    with Store.open(tmp_path / "home.db") as home:
        household = settle(home)
        ride_of(home, household.ines.id)
        with home.writing() as tx:
            into(tx).fit_chain(household.amber.id, household.plover.id, MORNING)
            into(tx).log_treatment(household.amber.id, TreatmentKind.DRIP, MORNING)
    _fill(server_database(postgresql_server, "older_club"), tmp_path / "home.db")
    return as_role(with_database(postgresql_server, "older_club"), "gritledger", "tests")


def _fill(url: str, home: Path) -> None:
    """Rows of a home ledger as that version's household; columns it did not have are left out."""
    source = sqlite3.connect(home)
    source.row_factory = sqlite3.Row
    with psycopg.connect(url, autocommit=True) as target:
        target.execute("SET session_replication_role = replica")
        target.execute(
            "INSERT INTO household (number, name) OVERRIDING SYSTEM VALUE VALUES (%s, 'Quay')", (QUAY,)
        )
        columns = target.execute(
            "SELECT table_name, column_name, data_type FROM information_schema.columns "
            "WHERE table_schema = 'public'"
        ).fetchall()
        kinds = {(table, column): kind for table, column, kind in columns}
        ours = {row["name"] for row in source.execute("SELECT name FROM sqlite_master WHERE type = 'table'")}
        for table in sorted(ours & {table for table, column, _ in columns if column == "household"}):
            for row in source.execute(f"SELECT * FROM {table}"):
                kept = {k: _value(v, kinds[table, k]) for k, v in dict(row).items() if (table, k) in kinds}
                names, marks = ", ".join(map(_q, kept)), ", ".join(["%s"] * len(kept))
                target.execute(
                    f"INSERT INTO {table} (household, {names}) VALUES ({QUAY}, {marks})", list(kept.values())
                )
        for number, name in ((4, "Ines"), (6, "Marek")):
            target.execute(
                "INSERT INTO person VALUES (%s, %s, %s, %s, 'hash', now())",
                (number, name, name.lower(), name),
            )
            target.execute("INSERT INTO membership VALUES (%s, %s, 'owner', NULL, now())", (QUAY, number))
    source.close()


def _q(name: str) -> str:
    return f'"{name}"'


def _value(value: Any, kind: str | None) -> Any:
    if value is not None and kind == "boolean":
        return bool(value)
    if value is not None and kind in ("json", "jsonb"):
        return Jsonb(json.loads(value))
    return f"{value}+00" if value is not None and kind == "timestamp with time zone" else value


def test_an_older_club_is_moved_with_its_numbers_and_its_people(
    older: str, club_url: str, postgresql_server: str
) -> None:
    said: list[str] = []
    with pytest.raises(StoreUnusable, match="older version"):
        Club.open(older)
    with psycopg.connect(server_database(postgresql_server, "postgres"), autocommit=True) as connection:
        connection.execute("DROP DATABASE IF EXISTS newer_club")
        connection.execute("CREATE DATABASE newer_club")
    owner = with_database(postgresql_server, "newer_club")
    Club.prepare(owner, "gritledger")
    with Club.open(as_role(owner, "gritledger", "tests")) as club:
        move_club(older, club, say=said.append)
        assert said == [f"Household {QUAY}: Quay is moved."]
        with club.store(QUAY).reading() as tx:
            assert [one.name for one in tx.equipment.riders()] == ["Ines", "Tomás"]
            assert len(tx.rides.rides()) == 1
            assert [one.kind for one in tx.care_ledger().treatments] == [TreatmentKind.DRIP]
            assert tx.garage().fittings[0].fitted_at == MORNING
            assert tx.care.own_limits() == ()  # what that version did not have is there now
        assert [(one.person, one.name) for one in club.people.members(QUAY)] == [(4, "Ines"), (6, "Marek")]
        # Begun again it goes on; and new households and people get numbers of their own.
        move_club(older, club, say=said.append)
        assert said[1:] == [f"Household {QUAY}: Quay is here already."]
        assert club.add("Mill").number > QUAY
    with psycopg.connect(server_database(postgresql_server, "newer_club")) as connection:
        assert connection.execute("SELECT nextval('person_id_seq') > 6").fetchone() == (True,)


def test_files_that_wait_are_read_first(older: str, club_url: str, postgresql_server: str) -> None:
    with psycopg.connect(server_database(postgresql_server, "older_club"), autocommit=True) as connection:
        connection.execute(
            "INSERT INTO arrival (household, sha256, name, data, arrived_at) "
            "VALUES (%s, 'x', 'a', 'b', now())",
            (QUAY,),
        )
    with Club.open(club_url) as club, pytest.raises(StoreUnusable, match="holds 1 files of household 9"):
        move_club(older, club, say=print)
    with Club.open(club_url) as club, pytest.raises(StoreUnusable, match="is no club's database"):
        move_club(with_database(postgresql_server, "migrated"), club, say=print)
    with Club.open(club_url) as club, pytest.raises(StoreUnusable, match="give a postgresql:// URL"):
        move_club("nowhere", club, say=print)
