"""Bringing a database up to the schema this version knows, or refusing one from a newer version."""

from __future__ import annotations

import shutil
from pathlib import Path

from sqlalchemy import Connection, Engine, column, inspect, select, table

from services.store import dirty_chains
from services.store.backup_files import copy_whole
from services.store.engine import MIGRATING, begun
from services.store.errors import NewerDatabase, StoreUnusable
from services.store.row_security import is_club

# Every migration, oldest first. A test holds this against migrations/versions; kept here it spares every
# start from importing Alembic.
KNOWN = ("0003", "0004", "0005", "0006", "0009", "0010", "0011", "0012", "0014", "0015", "0016")
MIGRATIONS = Path(__file__).parent / "migrations"


def migrate(engine: Engine, where: str) -> None:
    """Bring the database to head, all of the way or none of it; one that holds facts is copied before.

    Raises NewerDatabase, StoreUnusable.
    """
    with begun(engine) as connection:
        found = schema_of(connection, where)
        if found == KNOWN[-1] and _is_watched(connection):
            return
        older = found not in (None, KNOWN[-1])
        if older and connection.dialect.name == "postgresql" and is_club(connection):
            # Rows are moved to new tables by number, and in a club numbers are many households'.
            raise StoreUnusable(
                where,
                f"is a club's database of an older version (schema {found}; this one wants {KNOWN[-1]})",
                "move its households over: 'gritledger club move', see the README",
            )
    if older and engine.dialect.name == "sqlite":
        copy_before(Path(where))
    with begun(engine, **{MIGRATING: True}) as connection:
        # Looked at again under the lock: another process may have migrated it meanwhile.
        if schema_of(connection, where) != KNOWN[-1]:
            upgrade(connection)
        if not _is_watched(connection):
            dirty_chains.install(connection)


def _is_watched(connection: Connection) -> bool:
    """Whether this version's marks watch over the database; a schema of before needs none."""
    return "chain_dirty" not in inspect(connection).get_table_names() or dirty_chains.stand(connection)


def copy_before(database: Path) -> Path:
    """A copy of a SQLite database beside it, for its owner alone, before migrating. Raises StoreUnusable.

    One from an attempt before is as good, if nothing was written since.
    """
    copy = database.with_name(f"{database.stem}.before-{KNOWN[-1]}{database.suffix}")
    journal = database.with_name(f"{database.name}-wal")
    written = max(path.stat().st_mtime for path in (database, journal) if path.exists())
    if copy.exists():
        if copy.stat().st_mtime >= written:
            return copy
        copy = copy.with_name(f"{copy.stem}-{int(copy.stat().st_mtime)}{copy.suffix}")
    needed = database.stat().st_size
    free = shutil.disk_usage(database.parent).free
    if free < 2 * needed:
        raise StoreUnusable(
            str(database),
            f"has to be brought up to this version, and a copy of it made before; that takes "
            f"{2 * needed / 1e6:.1f} MB, and {free / 1e6:.1f} MB are free",
            "make room and start again; nothing was changed",
        )
    copy_whole(database, copy)
    return copy


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


def upgrade(connection: Connection, to: str = "head") -> None:
    """Make the tables those of this schema; whoever holds the connection begins and ends the transaction."""
    from alembic import command
    from alembic.config import Config

    config = Config()
    config.set_main_option("script_location", str(MIGRATIONS).replace("%", "%%"))
    config.attributes["connection"] = connection
    command.upgrade(config, to)
