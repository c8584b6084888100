"""An existing ledger moves in one step: its corrections become commands with the numbers they had."""

from __future__ import annotations

import json
import os
import shutil
import sqlite3
import stat
from datetime import timedelta
from pathlib import Path
from typing import Any, NamedTuple

import pytest
from alembic import command
from alembic.config import Config
from sqlalchemy import text

from rules.commands import (
    LogTreatment,
    PlaceSensor,
    PutRidesOn,
    SayCondition,
    SayUnpaved,
    SplitOuting,
    TakeBack,
    WithdrawRide,
)
from rules.vocabulary import Condition, DecidedBy, TreatmentKind
from services.store import Store, StoreUnusable
from services.store import migrate as migrate_module
from services.store.migrate import KNOWN, MIGRATIONS
from services.store.retractions import Retractions
from services.store.tables import treatment
from services.use_cases.undo import undo
from services.wiring import open_app
from tests.put_into import into
from tests.services.store.household import DAY, MORNING, ride_of, settle

BEFORE = "0003"
# What today's store writes of a ride and such a ledger had not: there while it is filled, taken out again.
YOUNGER = ("words VARCHAR DEFAULT ''", "likes INTEGER")


class Old(NamedTuple):
    """What stands in the old ledger, by number."""

    ride: int
    other: int
    bike: int
    chain: int
    drip: int
    oil: int


def old_ledger(url: str, monkeypatch: pytest.MonkeyPatch) -> Old:
    """A ledger as the version before kept it, with a correction of every kind."""

    def only_so_far(connection: Any) -> None:
        config = Config()
        config.set_main_option("script_location", str(MIGRATIONS))
        config.attributes["connection"] = connection
        command.upgrade(config, BEFORE)
        for column in YOUNGER:
            connection.execute(text(f"ALTER TABLE ride ADD COLUMN {column}"))
        connection.execute(text("CREATE TABLE ride_words (begins VARCHAR, ride INTEGER)"))

    with monkeypatch.context() as then:
        then.setattr(migrate_module, "KNOWN", KNOWN[: KNOWN.index(BEFORE) + 1])
        then.setattr(migrate_module, "upgrade", only_so_far)
        with Store.open(url) as store:
            filled = _fill(store)
            with store.writing() as tx:
                for column in YOUNGER:
                    tx._connection.execute(text(f"ALTER TABLE ride DROP COLUMN {column.split()[0]}"))
                tx._connection.execute(text("DROP TABLE ride_words"))
            return filled


@pytest.fixture
def old(empty_url: str, monkeypatch: pytest.MonkeyPatch) -> tuple[str, Old]:
    """Such a ledger, on either database."""
    return empty_url, old_ledger(empty_url, monkeypatch)


def _fill(store: Store) -> Old:
    house = settle(store)
    ride, other = ride_of(store, house.ines.id), ride_of(store, house.ines.id, MORNING + DAY)
    with store.writing() as tx:
        heron = house.heron.id
        decision = tx.rides.record(ride, heron, decided_by=DecidedBy.RIDER, at=MORNING, by="Ines").id
        drip = into(tx).log_treatment(house.basalt.id, TreatmentKind.DRIP, MORNING).id
        oil = into(tx).log_treatment(house.basalt.id, TreatmentKind.OIL, MORNING).id
        Retractions(tx._connection).take_back(treatment, "treatment", oil, at=MORNING, by="Ines", why="slip")
        tx.rides.withdraw(other, at=MORNING, by="Ines", why="a car")
        into(tx).add_sensor("power meter", "serial 99", heron)
        word = text(
            "INSERT INTO ride_word (ride, about, said, made_at, made_by)"
            " VALUES (:ride, :about, :said, :at, 'Ines')"
        )
        of_server = tx._connection.dialect.name == "postgresql"
        at = MORNING if of_server else MORNING.strftime("%Y-%m-%d %H:%M:%S.%f")
        tx._connection.execute(word, {"ride": ride, "about": "conditions", "said": "muddy", "at": at})
        tx._connection.execute(word, {"ride": ride, "about": "unpaved share", "said": "0.4", "at": at})
        tx._connection.execute(text(f"UPDATE ride SET word = 'muddy', unpaved_share = 0.4 WHERE id = {ride}"))
        kept: list[tuple[str, dict[str, Any]]] = [
            ("ride on Heron", {"kind": "bike", "decisions": [[ride, decision]]}),
            ("called muddy", {"kind": "word", "ride": ride, "word": None}),
            ("40 % unpaved", {"kind": "unpaved", "ride": ride, "share": None}),
            ("counted no more", {"kind": "withdrawn", "ride": other}),
            ("split", {"kind": "split", "kept": ride, "other": other, "because": ["same start"]}),
            ("logged drip", {"kind": "care", "fact": "treatment", "id": drip}),
            ("logged oil", {"kind": "care", "fact": "treatment", "id": oil}),
            ("took back oil", {"kind": "taken back", "fact": "treatment", "id": oil}),
            ("sensor", {"kind": "sensor", "identity": "serial 99", "spans": []}),
        ]
        correction = text(
            "INSERT INTO correction (made_at, made_by, what, restore, undone_at, undone_by)"
            " VALUES (:at, 'Ines', :what, :restore, NULL, NULL)"
        )
        for what, restore in kept:
            tx._connection.execute(correction, {"at": at, "what": what, "restore": json.dumps(restore)})
    return Old(ride, other, heron, house.basalt.id, drip, oil)


def test_every_correction_becomes_a_command_with_its_number(old: tuple[str, Old]) -> None:
    url, was = old
    with Store.open(url) as store, store.reading() as tx:
        said = {one.number: (one.what, one.command) for one in tx.changes.all_()}
        ledger = tx.ledger()

    assert [said[number][0] for number in range(1, 10)] == [
        *("ride on Heron", "called muddy", "40 % unpaved", "counted no more", "split"),
        *("logged drip", "logged oil", "took back oil", "sensor"),
    ]
    assert [said[number][1] for number in range(1, 10)] == [
        PutRidesOn(((was.ride, was.bike),)),  # type: ignore[arg-type]
        SayCondition(was.ride, Condition.MUDDY),  # type: ignore[arg-type]
        SayUnpaved(was.ride, 0.4),  # type: ignore[arg-type]
        WithdrawRide(was.other),  # type: ignore[arg-type]
        SplitOuting(was.other),  # type: ignore[arg-type]
        LogTreatment(was.chain, TreatmentKind.DRIP, MORNING),  # type: ignore[arg-type]
        LogTreatment(was.chain, TreatmentKind.OIL, MORNING),  # type: ignore[arg-type]
        TakeBack("treatment", was.oil),
        PlaceSensor("serial 99", "power meter", was.bike),  # type: ignore[arg-type]
    ]
    assert [one.id for one in ledger.treatments] == [was.drip]
    (ride,) = ledger.rides
    assert (ride.bike, ride.word, ride.unpaved_share) == (was.bike, Condition.MUDDY, 0.4)


def test_what_was_carried_over_can_be_undone_and_the_log_goes_on(
    old: tuple[str, Old], tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    url, was = old
    monkeypatch.setenv("GRITLEDGER_DATABASE", url)
    app = open_app(tmp_path / "home")
    for number in (8, 6, 2, 3, 9, 4):
        undo(app, number, now=MORNING + 2 * DAY, confirmed=True)

    with app.store.reading() as tx:
        ledger = tx.ledger()
    assert [one.id for one in ledger.treatments] == [was.oil]
    assert "serial 99" not in {one.identity for one in ledger.sensors}
    assert {one.id for one in ledger.rides} == {was.ride, was.other}
    ride = ledger.ride(was.ride)  # type: ignore[arg-type]
    assert ride is not None
    assert (ride.word, ride.unpaved_share) == (None, None)
    from tests.saying import log_wipe_test

    done = log_wipe_test(app, "Basalt", 2, MORNING + timedelta(hours=1), now=MORNING + 2 * DAY)
    assert done.number == 10
    app.store.close()


@pytest.fixture
def old_file(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """Such a ledger in a file: a server is copied by its own tools."""
    path = tmp_path / "ledger.db"
    old_ledger(f"sqlite:///{path}", monkeypatch)
    return path


def test_a_copy_is_made_before_for_its_owner_alone(old_file: Path) -> None:
    Store.open(old_file).close()

    (copy,) = old_file.parent.glob("*.before-*")
    assert copy.name == f"{old_file.stem}.before-{KNOWN[-1]}.db"
    assert stat.S_IMODE(copy.stat().st_mode) == 0o600
    with sqlite3.connect(copy) as connection:
        assert connection.execute("SELECT count(*) FROM correction").fetchone() == (9,)
        assert connection.execute("SELECT version_num FROM alembic_version").fetchone() == (BEFORE,)
    connection.close()
    Store.open(old_file).close()
    assert list(old_file.parent.glob("*.before-*")) == [copy]


def test_without_room_for_the_copy_nothing_is_changed(
    old_file: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    usage = shutil.disk_usage(old_file.parent)
    with monkeypatch.context() as full:
        full.setattr(migrate_module.shutil, "disk_usage", lambda _: usage._replace(free=1000))
        with pytest.raises(StoreUnusable, match=r"takes \d+\.\d MB, and 0\.0 MB are free"):
            Store.open(old_file)
    with sqlite3.connect(old_file) as connection:
        assert connection.execute("SELECT version_num FROM alembic_version").fetchone() == (BEFORE,)
    connection.close()
    assert not list(old_file.parent.glob("*.before-*"))


def test_a_copy_older_than_the_facts_is_kept_and_another_made(old_file: Path) -> None:
    stale = old_file.with_name(f"{old_file.stem}.before-{KNOWN[-1]}.db")
    stale.write_text("an older one")
    os.utime(stale, (1, 1))

    Store.open(old_file).close()

    assert stale.read_text() == "an older one"
    assert len(list(old_file.parent.glob("*.before-*"))) == 2
