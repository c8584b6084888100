"""Bringing a database up to the schema this version knows, or refusing one from a newer version."""

from __future__ import annotations

from pathlib import Path

from sqlalchemy import Connection, Engine, column, inspect, select, table

from services.store.engine import MIGRATING
from services.store.errors import NewerDatabase, StoreUnusable

# Every migration, oldest first. A test holds this against migrations/versions; kept here it spares every
# start from importing Alembic.
KNOWN = ("0001", "0002", "0003", "0004")
MIGRATIONS = Path(__file__).parent / "migrations"


def migrate(engine: Engine, where: str) -> None:
    """Bring the database to head, all of the way or none of it. Raises NewerDatabase, StoreUnusable."""
    with engine.connect() as connection:
        if schema_of(connection, where) == KNOWN[-1]:
            return
    with engine.connect().execution_options(**{MIGRATING: True}) as connection, connection.begin():
        # Looked at again under the lock: another process may have migrated it meanwhile.
        if schema_of(connection, where) != KNOWN[-1]:
            _upgrade(connection)


def schema_of(connection: Connection, where: str) -> str | None:
    """Which migration the database is at; None = it is empty. Raises NewerDatabase, StoreUnusable."""
    tables = set(inspect(connection).get_table_names())
    if "alembic_version" not in tables:
        if tables:
            raise StoreUnusable(where, "holds tables of another program", "name another file or database")
        return None
    found: str | None = connection.scalar(select(column("version_num")).select_from(table("alembic_version")))
    if found is not None and found not in KNOWN:
        raise NewerDatabase(found, KNOWN[-1])
    return found


def _upgrade(connection: Connection) -> None:
    from alembic import command
    from alembic.config import Config

    config = Config()
    config.set_main_option("script_location", str(MIGRATIONS).replace("%", "%%"))
    config.attributes["connection"] = connection
    command.upgrade(config, "head")
