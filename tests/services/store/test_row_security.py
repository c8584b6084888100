"""Households of a club see nothing of each other: by the database, not by our remembering."""

from __future__ import annotations

import random
import re
import threading
from collections.abc import Iterator
from concurrent.futures import ThreadPoolExecutor
from datetime import timedelta
from pathlib import Path
from typing import Any

import psycopg
import pytest
from psycopg import errors as refused

import services.store
from rules.vocabulary import Condition, TreatmentKind
from services.store import FactRefused, FileRecord, NotFound, Store, StoreBusy, StoreUnusable
from services.store import engine as engine_module
from services.store import migrate as migrate_module
from services.store.club import Club
from services.store.migrate import KNOWN
from services.store.row_security import SHARED
from tests.put_into import into
from tests.services.conftest import as_role, server_database, with_database
from tests.services.store.household import (
    CELL,
    DAY,
    HOUR,
    MORNING,
    letter,
    reminder,
    ride_of,
    settle,
    tag,
    weather,
)

QUERIES = 500


@pytest.fixture
def club(club_url: str, tmp_path: Path) -> Iterator[Club]:
    """An opened club; households are those of all the tests before."""
    with Club.open(club_url) as opened:
        yield opened


@pytest.fixture
def two(club: Club, tmp_path: Path) -> tuple[Store, Store]:
    """The stores of two new households."""
    first, second = (club.add(f"{tmp_path} {word}") for word in ("first", "second"))
    return club.store(first.number), club.store(second.number)


def connected(url: str, household: int | None, **options: Any) -> psycopg.Connection[Any]:
    """A bare connection as the role of pages and workers; household None = the setting was forgotten."""
    connection = psycopg.connect(url.replace("+psycopg", "", 1), **options)
    if household is not None:
        connection.execute("SELECT set_config('gritledger.household', %s, false)", (str(household),))
    return connection


def live(store: Store) -> None:
    """Put something into every family of facts."""
    household = settle(store)
    ride_of(store, household.ines.id)
    ride_of(store, household.ines.id, MORNING + 2 * DAY)
    with store.writing() as tx:
        into(tx).fit_chain(household.amber.id, household.plover.id, MORNING - DAY)
        into(tx).add_sensor("power meter", "serial 77", household.plover.id)
        (ride, *_) = tx.rides.rides()
        tx.rides.add_tags(ride.id, [(ride.started_at, tag(0.4))], MORNING + DAY)
        tx.rides.set_word(ride.id, Condition.WET, MORNING, "Ines")
        into(tx).log_treatment(household.amber.id, TreatmentKind.DRIP, MORNING)
        into(tx).log_wipe_test(household.amber.id, MORNING, 3)
        raised = tx.reminders.raise_(
            reminder(household.amber.id, household.ines.id, household.plover.id),
            MORNING + 4 * HOUR,
            "a round",
        )
        tx.outbox.queue(letter(household.ines.id, reminders=(raised.id,)), at=MORNING)
        tx.files.record_new([FileRecord("a" * 64, "morning.fit", 12, MORNING, "new ride", "", "", ride.id)])
        tx.files.record_paths([("/rides/morning.fit", 12, 1.5)])
        tx.notes.put("a note", {"said": "mine"}, at=MORNING)


def rows_seen(connection: psycopg.Connection[Any], tables: list[str]) -> dict[str, int]:
    found = {}
    for table in tables:
        row = connection.execute(f"SELECT count(*) FROM {table}").fetchone()
        found[table] = row[0] if row else 0
    return found


def apart(connection: psycopg.Connection[Any]) -> list[str]:
    found = connection.execute("SELECT tablename FROM pg_tables WHERE schemaname = 'public' ORDER BY 1")
    return [name for (name,) in found if name not in SHARED]


def test_five_hundred_queries_as_the_wrong_household_see_and_change_nothing(
    two: tuple[Store, Store], club_url: str
) -> None:
    """Random tables, columns, conditions, joins and statements; the right household is the control."""
    first, second = two
    live(first)
    dice, seen_by_the_right_one, read = random.Random(1), 0, 0
    with (
        connected(club_url, first.household) as right,
        connected(club_url, second.household) as wrong,
        connected(club_url, None) as nobody,
    ):
        tables = apart(right)
        before = rows_seen(right, tables)
        assert sum(count > 0 for count in before.values()) >= 18, before
        assert set(rows_seen(nobody, tables).values()) == {0}
        theirs = {table: count for table, count in rows_seen(wrong, tables).items() if count}
        assert theirs == {"write_count": 1}  # what a fresh ledger holds
        held = [table for table, count in before.items() if count and table != "write_count"]
        columns = {table: _columns(right, table) for table in held}
        for _ in range(QUERIES):
            query = _query(dice, held, columns, first.household)
            for stranger in (wrong, nobody):
                done = stranger.execute(query)
                rows = done.fetchall() if done.description else []
                assert done.rowcount <= len(rows), query
                assert [row for row in rows if any(value not in (0, None) for value in row)] == [], query
                stranger.rollback()
                stranger.execute(
                    "SELECT set_config('gritledger.household', %s, false)",
                    (str(second.household) if stranger is wrong else "",),
                )
            if query.startswith("SELECT"):
                read += 1
                seen_by_the_right_one += right.execute(query).fetchone() is not None
        assert seen_by_the_right_one > read / 3, "the queries ask for nothing"
        assert rows_seen(right, tables) == before


def _columns(connection: psycopg.Connection[Any], table: str) -> list[str]:
    return [
        name
        for (name,) in connection.execute(
            "SELECT column_name FROM information_schema.columns WHERE table_name = %s", (table,)
        )
    ]


def _query(dice: random.Random, tables: list[str], columns: dict[str, list[str]], whose: int | None) -> str:
    table, other = dice.choice(tables), dice.choice(tables)
    column = dice.choice(columns[table])
    condition = dice.choice(
        [
            "true",
            f"t.household = {whose}",
            f"t.{column} IS NOT NULL",
            f"t.{column}::text <> 'none of these'",
            f"EXISTS (SELECT FROM {other} o)",
            f"t.household IN (SELECT o.household FROM {other} o)",
        ]
    )
    return dice.choice(
        [
            f"SELECT t.{column} FROM {table} t WHERE {condition}",
            f"SELECT count(*) FROM {table} t WHERE {condition}",
            f"SELECT max(t.{column}::text) FROM {table} t WHERE {condition}",
            f"SELECT t.*, o.* FROM {table} t CROSS JOIN {other} o WHERE {condition}",
            f"WITH w AS MATERIALIZED (SELECT * FROM {table}) SELECT t.{column} FROM w t WHERE {condition}",
            f"SELECT t.{column} FROM {table} t UNION ALL SELECT t.{column} FROM {table} t WHERE {condition}",
            f"SELECT t.{column} FROM {table} t WHERE {condition} FOR UPDATE",
            f"UPDATE {table} t SET {column} = t.{column} WHERE {condition} RETURNING t.{column}",
            f"DELETE FROM {table} t WHERE {condition} RETURNING t.{column}",
        ]
    )


def test_a_table_without_its_policy_is_found_and_the_next_preparing_covers_it(
    club: Club, club_url: str, postgresql_server: str
) -> None:
    owner = with_database(postgresql_server, "club")
    with psycopg.connect(server_database(postgresql_server, "club"), autocommit=True) as connection:
        connection.execute("CREATE TABLE added_later (id serial PRIMARY KEY, name text UNIQUE, ride integer)")
        try:
            with pytest.raises(StoreUnusable, match="“added_later” is not kept apart"):
                Club.open(club_url)
            Club.prepare(owner, "gritledger")
            Club.open(club_url).close()
            (key,) = connection.execute(
                "SELECT pg_get_constraintdef(oid) FROM pg_constraint WHERE conname = 'added_later_name_key'"
            ).fetchall()
            assert key == ("UNIQUE (household, name)",)
            connection.execute("ALTER TABLE added_later NO FORCE ROW LEVEL SECURITY")
            with pytest.raises(StoreUnusable, match="“added_later” is not kept apart"):
                Club.open(club_url)
        finally:
            connection.execute("DROP TABLE added_later")


def test_preparing_again_changes_nothing(club_url: str, postgresql_server: str) -> None:
    def shape() -> list[Any]:
        with psycopg.connect(server_database(postgresql_server, "club")) as connection:
            return connection.execute(
                "SELECT conrelid::regclass::text, conname, pg_get_constraintdef(oid) FROM pg_constraint "
                "UNION ALL SELECT tablename, indexname, indexdef FROM pg_indexes WHERE schemaname = 'public' "
                "UNION ALL SELECT tablename, policyname, qual FROM pg_policies ORDER BY 1, 2, 3"
            ).fetchall()

    before = shape()
    Club.prepare(with_database(postgresql_server, "club"), "gritledger")
    assert shape() == before
    assert [row for row in before if row[2] and "REFERENCES ride(household, id)" in row[2]]


def test_the_setting_ends_with_its_transaction(club: Club, two: tuple[Store, Store]) -> None:
    """The pool hands the same connection to somebody else."""
    first, _ = two
    settle(first)
    with first.reading() as tx:
        assert len(tx.equipment.riders()) == 2
    for _ in range(3):
        with club.reading() as connection:
            assert connection.exec_driver_sql("SELECT count(*) FROM rider").scalar() == 0
    written = [path.read_text() for path in Path(services.store.__file__).parent.glob("*.py")]
    assert [hit for text in written for hit in re.findall(r"\"SET (?!LOCAL|TRANSACTION)", text)] == []
    assert [hit for text in written for hit in re.findall(r"set_config\([^)]*false\)", text)] == []


def test_what_is_unique_is_unique_within_a_household(two: tuple[Store, Store], club_url: str) -> None:
    first, second = two
    live(first)
    live(second)  # the same names, digests, Message-IDs, notes
    with first.reading() as one, second.reading() as other:
        assert one.notes.get("a note") == other.notes.get("a note")
        assert one.equipment.find_rider("Ines").id != other.equipment.find_rider("Ines").id
        theirs = other.equipment.find_rider("Ines").id
    with pytest.raises(FactRefused, match="uq_bike_name"), first.writing() as tx:
        into(tx).add_bike("Heron", tx.equipment.find_rider("Ines").id)
    with connected(club_url, first.household) as raw, pytest.raises(refused.ForeignKeyViolation):
        raw.execute("UPDATE bike SET owner = %s WHERE name = 'Plover'", (theirs,))


def test_the_wrong_household_cannot_write_as_another(two: tuple[Store, Store], club_url: str) -> None:
    first, second = two
    insert = "INSERT INTO note (household, name, value, written_at) VALUES (%s, 'mine', '1', now())"
    with (
        connected(club_url, second.household) as wrong,
        pytest.raises(refused.InsufficientPrivilege, match="row-level security"),
    ):
        wrong.execute(insert, (first.household,))
    with connected(club_url, None) as nobody, pytest.raises(refused.InsufficientPrivilege):
        nobody.execute(insert, (first.household,))
    with connected(club_url, None) as nobody, pytest.raises(refused.InsufficientPrivilege):
        nobody.execute("INSERT INTO note (name, value, written_at) VALUES ('nobody', '1', now())")
    with connected(club_url, first.household) as raw, pytest.raises(refused.InsufficientPrivilege):
        raw.execute("TRUNCATE note")  # it asks no policy


def test_households_do_not_wait_for_each_other_but_for_what_they_share(
    two: tuple[Store, Store], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(engine_module, "BUSY_S", 1.0)
    first, second = two
    with first.writing() as tx:
        tx.notes.put("n", 1, at=MORNING)
        with second.writing() as other:
            other.notes.put("n", 2, at=MORNING)
        with pytest.raises(StoreBusy), first.writing():
            pytest.fail("two wrote to one household at once")
        tx.weather.put([weather(MORNING)])
        with pytest.raises(StoreBusy), second.writing() as other:
            other.weather.put([weather(MORNING)])
    with second.reading() as other:
        assert [hour.hour_start for hour in other.weather.of_every_archive(CELL, MORNING, MORNING + DAY)] == [
            MORNING
        ]


def test_two_households_that_fetch_the_same_weather_keep_it_once(two: tuple[Store, Store]) -> None:
    hours = [weather(MORNING + timedelta(hours=n)) for n in range(48)]
    at_once = threading.Barrier(2)

    def put(store: Store) -> int:
        at_once.wait()
        with store.writing() as tx:
            return tx.weather.put(hours)

    with ThreadPoolExecutor(2) as pool:
        assert sorted(pool.map(put, two)) == [0, 48]


def test_whoever_would_see_every_household_is_refused(club_url: str, postgresql_server: str) -> None:
    owner = with_database(postgresql_server, "club")
    with pytest.raises(StoreUnusable, match="“postgres” is a superuser"):
        Club.open(owner)
    with pytest.raises(StoreUnusable, match="“postgres” is a superuser"):
        Store.open(f"{owner}&household=1")
    with pytest.raises(StoreUnusable, match="“postgres” is a superuser"):
        Club.prepare(owner, "postgres")
    with pytest.raises(StoreUnusable, match="there is no role “nobody”"):
        Club.prepare(owner, "nobody")
    with psycopg.connect(server_database(postgresql_server, "club"), autocommit=True) as connection:
        connection.execute("CREATE ROLE sees_all LOGIN BYPASSRLS PASSWORD 'x'")
        connection.execute("GRANT SELECT ON alembic_version TO sees_all")
    with pytest.raises(
        StoreUnusable, match="“sees_all” is a superuser, or one whom row security passes over"
    ):
        Store.open(as_role(f"{owner}&household=1", "sees_all", "x"))


def test_a_club_is_opened_as_one_of_its_households(
    club: Club, club_url: str, postgresql_server: str, tmp_path: Path
) -> None:
    with pytest.raises(StoreUnusable, match="is kept for a club; name the household"):
        Store.open(club_url)
    with pytest.raises(StoreUnusable, match="is kept for a club"):
        Store.open(with_database(postgresql_server, "club"))
    for wrong in ("0", "-1", "seven", "99999999999"):
        with pytest.raises(StoreUnusable, match=f"“household={wrong}” is no number"):
            Store.open(f"{club_url}&household={wrong}")
    with pytest.raises(NotFound, match="No household “2000000”"):
        Store.open(f"{club_url}&household=2000000")
    with pytest.raises(NotFound, match="No household “2000000”"):
        club.store(2_000_000)
    with pytest.raises(StoreUnusable, match="holds one household alone"):
        Store.open(f"sqlite:///{tmp_path}/ledger.db?household=1")
    with pytest.raises(StoreUnusable, match="kept on PostgreSQL"):
        Club.open(f"sqlite:///{tmp_path}/ledger.db")
    home = as_role(with_database(postgresql_server, "migrated"), "gritledger", "tests")
    with pytest.raises(StoreUnusable, match=r"permission denied .* sign in as the role"):
        Store.open(f"{home}&household=1")


def test_names_of_households_differ(club: Club, tmp_path: Path) -> None:
    club.add(f"Mill {tmp_path}")
    with pytest.raises(FactRefused, match="There is a household"):
        club.add(f" mill {tmp_path} ".upper())
    with pytest.raises(FactRefused, match="needs a name"):
        club.add(" ")
    assert f"Mill {tmp_path}" in {one.name for one in club.households()}
    assert "" not in {one.name for one in club.households()}


def test_a_club_of_an_older_version_is_not_migrated_in_place(
    club_url: str, postgresql_server: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(migrate_module, "KNOWN", (*KNOWN, "9999"))
    for opening in (
        lambda: Club.open(club_url),
        lambda: Club.prepare(with_database(postgresql_server, "club"), "gritledger"),
    ):
        with pytest.raises(StoreUnusable, match=r"older version.*move its households over"):
            opening()


@pytest.mark.parametrize("empty_url", ["postgresql"], indirect=True)
def test_a_ledger_that_somebody_uses_does_not_become_a_club(empty_url: str) -> None:
    with Store.open(empty_url) as store:
        settle(store)
    with pytest.raises(StoreUnusable, match="holds one household's ledger"):
        Club.prepare(empty_url, "gritledger")
    with Store.open(empty_url) as store, store.reading() as tx:
        assert len(tx.equipment.riders()) == 2
