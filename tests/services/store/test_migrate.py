"""The schema: migrations end where the models are, and a newer database is left alone."""

from __future__ import annotations

import re
import sqlite3
from pathlib import Path
from typing import Any

import pytest
from alembic import command
from alembic.autogenerate import compare_metadata
from alembic.config import Config
from alembic.migration import MigrationContext
from alembic.script import ScriptDirectory
from sqlalchemy import CheckConstraint, MetaData, Table, create_engine, inspect, text
from sqlmodel import SQLModel

from services.store import NewerDatabase, Store, StoreUnusable
from services.store import migrate as migrate_module
from services.store.migrate import KNOWN, MIGRATIONS
from services.store.recordings import recording_values
from tests.put_into import into
from tests.services.store.household import MORNING, ride_summary


def test_migrating_an_empty_database_ends_at_the_models(empty_url: str) -> None:
    Store.open(empty_url).close()
    engine = create_engine(empty_url)
    with engine.connect() as connection:
        context = MigrationContext.configure(connection, opts={"compare_type": True})
        assert compare_metadata(context, SQLModel.metadata) == []
        assert context.get_current_revision() == KNOWN[-1]
    engine.dispose()


def test_migrating_keeps_every_check(empty_url: str) -> None:
    """Alembic does not compare these, so we do."""
    Store.open(empty_url).close()
    engine = create_engine(empty_url)
    found = inspect(engine)
    for table in SQLModel.metadata.sorted_tables:
        models = {
            str(check.name): str(check.sqltext)
            for check in table.constraints
            if isinstance(check, CheckConstraint)
        }
        migrated = {str(check["name"]): check["sqltext"] for check in found.get_check_constraints(table.name)}
        assert set(migrated) == set(models), table.name
        if engine.dialect.name == "sqlite":  # PostgreSQL writes them its own way
            assert {name: _bare(text) for name, text in migrated.items()} == {
                name: _bare(text) for name, text in models.items()
            }
    engine.dispose()


def _bare(text: str) -> str:
    return re.sub(r"\s+", " ", text).strip()


def test_the_known_migrations_are_those_that_are_there() -> None:
    config = Config()
    config.set_main_option("script_location", str(MIGRATIONS))
    scripts = list(ScriptDirectory.from_config(config).walk_revisions())
    assert tuple(script.revision for script in reversed(scripts)) == KNOWN


def test_a_newer_database_is_refused_and_left_as_it_was(url: str, monkeypatch: pytest.MonkeyPatch) -> None:
    Store.open(url).close()
    monkeypatch.setattr(migrate_module, "KNOWN", KNOWN[:-1])
    with pytest.raises(NewerDatabase) as newer:
        Store.open(url)
    assert (newer.value.found, newer.value.known) == (KNOWN[-1], KNOWN[-2])
    assert "written by a newer gritledger" in str(newer.value)
    assert "Nothing was changed" in str(newer.value)
    monkeypatch.undo()
    Store.open(url).close()


def test_a_database_of_another_program_is_left_alone(tmp_path: Path) -> None:
    path = tmp_path / "other.db"
    with sqlite3.connect(path) as connection:
        connection.execute("CREATE TABLE recipe (name)")
    connection.close()
    with pytest.raises(StoreUnusable, match="tables of another program"):
        Store.open(path)
    with sqlite3.connect(path) as connection:
        assert connection.execute("SELECT name FROM sqlite_master").fetchall() == [("recipe",)]
    connection.close()


def test_a_migration_that_fails_leaves_the_database_as_it_was(
    empty_url: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    upgrade = migrate_module.upgrade

    def fail_at_the_end(connection: Any) -> None:
        upgrade(connection)
        raise RuntimeError("power cut")

    monkeypatch.setattr(migrate_module, "upgrade", fail_at_the_end)
    with pytest.raises(RuntimeError):
        Store.open(empty_url)
    engine = create_engine(empty_url)
    assert inspect(engine).get_table_names() == []
    engine.dispose()
    monkeypatch.undo()
    Store.open(empty_url).close()


def test_an_older_database_is_brought_up_with_its_facts(
    empty_url: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Step by step, as releases would have done it, with a rider added after the first."""

    def upgrade_to(revision: str) -> None:
        def only_so_far(connection: Any) -> None:
            config = Config()
            config.set_main_option("script_location", str(MIGRATIONS))
            config.attributes["connection"] = connection
            command.upgrade(config, revision)

        monkeypatch.setattr(migrate_module, "KNOWN", KNOWN[: KNOWN.index(revision) + 1])
        monkeypatch.setattr(migrate_module, "upgrade", only_so_far)

    upgrade_to(KNOWN[0])
    with Store.open(empty_url) as store, store.writing() as tx:
        into(tx).add_rider("Ines")
    monkeypatch.undo()
    with Store.open(empty_url) as store, store.reading() as tx:
        assert [rider.name for rider in tx.equipment.riders()] == ["Ines"]
        assert tx.rides.rides() == ()


def test_rides_of_before_are_found_by_their_words_whatever_their_case(
    empty_url: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    engine = create_engine(empty_url)
    with engine.begin() as connection:
        config = Config()
        config.set_main_option("script_location", str(MIGRATIONS))
        config.attributes["connection"] = connection
        command.upgrade(config, "0012")
        before = Table("ride", MetaData(), autoload_with=connection)
        connection.execute(
            text("INSERT INTO rider (name, name_key, time_zone) VALUES ('Ines', 'ines', 'UTC')")
        )
        values = recording_values(ride_summary(MORNING, 2, title="Über die STRASSE"), "Weiß.fit")
        connection.execute(
            before.insert().values(rider=1, **{k: v for k, v in values.items() if k != "words"})
        )
    engine.dispose()
    with Store.open(empty_url) as store, store.reading() as tx:
        for said in ("über", "STRASSE", "strasse\nweiss", "WEISS"):
            assert tx.rides.numbers(text=said) == (1,)
        assert tx.rides.numbers(text="unter") == ()
        assert tx.rides.unnamed()


def test_every_module_of_migrations_is_in_the_package() -> None:
    """They must travel in the wheel: not a path of the checkout, but files beside the code."""
    import services.store

    assert Path(services.store.__file__).parent == MIGRATIONS.parent
    assert len(list((MIGRATIONS / "versions").glob("*.py"))) == len(KNOWN)
