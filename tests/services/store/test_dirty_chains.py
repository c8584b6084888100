"""Each mark is needed: with it a write is derived as if all were, without it something is missed."""

from __future__ import annotations

import shutil
from collections.abc import Callable
from datetime import timedelta
from itertools import count

import psycopg
import pytest
from sqlalchemy import select, text

from rules.reminder import ReminderKind, ReminderStep, Step
from rules.vocabulary import Condition, DecidedBy, ReadingTool, Regime, TreatmentKind
from services.store import Store, Transaction
from services.store import dirty_chains as marks_module
from services.store.dirty_chains import MARKS, stand
from services.store.retractions import Retractions
from services.store.tables import bike, chain, chain_dirty, fitting, reading, rider, treatment, wipe_test
from services.store.tables_rides import IS_UNNAMED, ride
from services.use_cases.update_reminders import reckon
from tests.put_into import into
from tests.services.conftest import with_database
from tests.services.store.derived_household import (
    DAY,
    HOUR,
    NOW,
    Household,
    differences,
    household,
    ridden,
    unridden,
)
from tests.services.store.household import tag

Step_ = Callable[[Transaction, Household], object]


def nothing(_tx: Transaction, _house: Household) -> None:
    """Nothing came before."""


def update(table, number, **values) -> Step_:  # type: ignore[no-untyped-def]
    """A row as it never was: what a correction writes."""

    def act(tx: Transaction, house: Household) -> None:
        row = number(house) if callable(number) else number
        tx._connection.execute(table.update().where(table.c.id == row).values(**values))

    return act


def take_back(table, kind: str, number) -> Step_:  # type: ignore[no-untyped-def]
    def act(tx: Transaction, house: Household) -> None:
        row = number(house) if callable(number) else number
        Retractions(tx._connection).take_back(table, kind, row, at=NOW, by="Ines", why="a slip")

    return act


def put_back(kind: str, number) -> Step_:  # type: ignore[no-untyped-def]
    def act(tx: Transaction, house: Household) -> None:
        row = number(house) if callable(number) else number
        Retractions(tx._connection).put_back(kind, row, at=NOW, by="Ines")

    return act


def after(*steps: Step_) -> Step_:
    def act(tx: Transaction, house: Household) -> None:
        for step in steps:
            step(tx, house)

    return act


def on(ride: int, which: str | None) -> Step_:
    def act(tx: Transaction, house: Household) -> None:
        number = None if which is None else getattr(house, which)
        tx.rides.record(house.rides[ride], number, decided_by=DecidedBy.RIDER, at=NOW, by="Ines")

    return act


def dripped(tx: Transaction, house: Household) -> None:
    into(tx).log_treatment(house.amber, TreatmentKind.DRIP, NOW - 4 * DAY)


def measured(pct: float) -> Step_:
    return lambda tx, house: into(tx).log_reading(
        house.cobalt, ReadingTool.CALIPER, NOW - 70 * DAY, exact_pct=pct
    )


def wiped(tx: Transaction, house: Household) -> None:
    into(tx).log_wipe_test(house.cobalt, NOW - 90 * DAY, 2)


def fit_cobalt(which: str) -> Step_:
    def act(tx: Transaction, house: Household) -> None:
        tx._connection.execute(
            fitting.insert().values(
                id=3,
                chain=house.cobalt,
                bike=getattr(house, which),
                fitted_at=NOW - 20 * DAY,
                removed_at=NOW - 19 * DAY,
            )
        )

    return act


def fit_cobalt_for_good(tx: Transaction, house: Household) -> None:
    into(tx).fit_chain(house.cobalt, house.plover, NOW - 20 * DAY)


def dirty_enough_to_immerse(tx: Transaction, house: Household) -> None:
    for n in range(10):
        ridden(tx, house.rider, house.plover, NOW - (n + 20) * DAY)


def dismissed(tx: Transaction, house: Household) -> None:
    kinds = {one.reminder.kind: one for one in tx.reminders.standing()}
    assert ReminderKind.DRIP not in kinds
    standing = kinds[ReminderKind.IMMERSION]
    tx.reminders.add_step(standing.id, ReminderStep(Step.DISMISSED, NOW, "Ines", "not now"))


def poured(tx: Transaction, house: Household) -> None:
    start = NOW - 9 * DAY
    tx.rides.add_tags(house.rides[0], [(start + n * HOUR, tag(1.0)) for n in range(3)], NOW)


def dusty(tx: Transaction, house: Household) -> None:
    start = NOW - 9 * DAY
    tx.rides.add_tags(house.rides[0], [(start + n * HOUR, tag(0.0, dust=1.5)) for n in range(3)], NOW)


def withdrawn_and_called_muddy(tx: Transaction, house: Household) -> None:
    tx.rides.withdraw(house.rides[3], at=NOW, by="Ines", why="a car")
    tx.rides.set_word(house.rides[3], Condition.MUDDY, NOW, "Ines")


def first_rider(tx: Transaction, _house: Household) -> None:
    into(tx).add_rider("Tomas")


# What is written before, and derived; then what is written, which only the mark of that name tells of.
WRITES: dict[str, tuple[Step_, Step_]] = {
    "ride_left": (nothing, on(3, None)),
    "ride_came": (nothing, on(-1, "plover")),
    "ride_taken_back": (
        nothing,
        lambda tx, h: tx.rides.withdraw(h.rides[3], at=NOW, by="Ines", why="a car"),
    ),
    "ride_put_back": (
        lambda tx, h: tx.rides.withdraw(h.rides[3], at=NOW, by="Ines", why="a car"),
        lambda tx, h: tx.rides.restore(h.rides[3], at=NOW, by="Ines"),
    ),
    "hour_tagged": (nothing, poured),
    "fitted": (nothing, fit_cobalt_for_good),
    "fitting_left": (fit_cobalt("plover"), update(fitting, 3, bike=2)),
    "fitting_came": (fit_cobalt("heron"), update(fitting, 3, bike=1)),
    "fitting_taken_back": (nothing, take_back(fitting, "fitting", 1)),
    "fitting_put_back": (take_back(fitting, "fitting", 1), put_back("fitting", 1)),
    "treatment": (nothing, dripped),
    "treatment_amended": (
        lambda tx, h: into(tx).log_treatment(h.amber, TreatmentKind.WIPE, NOW - 4 * DAY),
        update(treatment, 1, kind="drip"),
    ),
    "treatment_taken_back": (dripped, take_back(treatment, "treatment", 1)),
    "treatment_put_back": (after(dripped, take_back(treatment, "treatment", 1)), put_back("treatment", 1)),
    "reading": (nothing, measured(0.8)),
    "reading_amended": (measured(0.1), update(reading, 1, exact_pct=0.8)),
    "reading_taken_back": (measured(0.8), take_back(reading, "reading", 1)),
    "reading_put_back": (after(measured(0.8), take_back(reading, "reading", 1)), put_back("reading", 1)),
    "wipe_test": (measured(0.8), wiped),
    "wipe_test_amended": (after(measured(0.8), wiped), update(wipe_test, 1, done_at=NOW - 80 * DAY)),
    "wipe_test_taken_back": (after(measured(0.8), wiped), take_back(wipe_test, "wipe test", 1)),
    "wipe_test_put_back": (
        after(measured(0.8), wiped, take_back(wipe_test, "wipe test", 1)),
        put_back("wipe test", 1),
    ),
    "chain_came": (nothing, lambda tx, _: into(tx).add_chain("Dolerite")),
    "chain_amended": (nothing, update(chain, lambda h: h.amber, regime=Regime.WET_LUBE.value)),
    "chain_taken_back": (measured(0.8), take_back(chain, "chain", 3)),
    "chain_put_back": (after(measured(0.8), take_back(chain, "chain", 3)), put_back("chain", 3)),
    "bike_amended": (nothing, update(bike, 1, name="Lapwing")),
    "rider_came": (measured(0.8), first_rider),
    "rider_amended": (nothing, update(rider, 1, time_zone="Pacific/Kiritimati")),
    "rider_taken_back": (after(measured(0.8), first_rider), take_back(rider, "rider", 1)),
    "rider_put_back": (
        after(measured(0.8), first_rider, take_back(rider, "rider", 1)),
        put_back("rider", 1),
    ),
    "answered": (dirty_enough_to_immerse, dismissed),
    "ride_said_to_be": (
        nothing,
        lambda tx, h: tx.rides.set_word(h.rides[3], Condition.MUDDY, NOW, "Ines"),
    ),
    "ride_counts_again": (
        withdrawn_and_called_muddy,
        lambda tx, h: tx.rides.restore(h.rides[3], at=NOW, by="Ines"),
    ),
    "ride_tagged": (nothing, poured),
    "ground_amended": (dusty, update(bike, 1, unpaved_share=1.0)),
}
# A club's marks are its owner's alone to take away, and a household's numbers there begin anywhere.
AT_HOME = pytest.mark.parametrize("url", ["sqlite", "postgresql"], indirect=True)
WITHOUT_A_RIDER = {"rider_came", "rider_taken_back", "rider_put_back"}
Copies = Callable[..., Household]


@pytest.fixture(scope="module")
def in_sqlite(tmp_path_factory: pytest.TempPathFactory) -> Copies:
    """A copy for each write of a household that was built once, in a file."""
    folder, numbers = tmp_path_factory.mktemp("marks"), count()
    built = {
        build: build(f"sqlite:///{folder / build.__name__}.db", folder) for build in (household, unridden)
    }
    for house in built.values():
        house.app.store.close()

    def copied(name: str, of: Household | None = None) -> Household:
        build = unridden if name in WITHOUT_A_RIDER else household
        copied_from, file = of or built[build], folder / f"{next(numbers)}.db"
        copied_from.app.store.close()  # so that all of it is in the file
        assert copied_from.app.store.path is not None
        shutil.copyfile(copied_from.app.store.path, file)
        return copied_from.at(f"sqlite:///{file}")

    return copied


@pytest.fixture(scope="module")
def in_postgresql(postgresql_server: str, tmp_path_factory: pytest.TempPathFactory) -> dict[bool, Household]:
    """The two households in databases of a server, by whether anybody rides; no write there stays."""
    found = {}
    for build in (household, unridden):
        name = f"marks_of_{build.__name__}"
        with psycopg.connect(postgresql_server, autocommit=True) as connection:
            connection.execute(f"DROP DATABASE IF EXISTS {name} WITH (FORCE)")
            connection.execute(f"CREATE DATABASE {name} TEMPLATE pristine")
        url = with_database(postgresql_server, name)
        found[build is household] = build(url, tmp_path_factory.mktemp("marks"))
    return found


def test_every_mark_has_its_write() -> None:
    assert set(WRITES) == {mark.name for mark in MARKS}
    assert len({mark.trigger for mark in MARKS}) == len(MARKS)


def dirtied(house: Household, name: str) -> tuple[object, ...]:
    """The chains and rides that a write marks, in a transaction that is taken back."""
    before, write = WRITES[name]

    class TakenBack(Exception):  # noqa: N818 - nothing is wrong
        pass

    try:
        with house.app.store.writing() as tx:
            if tx._connection.dialect.name == "postgresql":  # where numbers taken back are not given again
                for table in (rider, treatment, reading, wipe_test):
                    next_one = f"(SELECT coalesce(max(id), 0) + 1 FROM {table.name})"
                    tx._connection.execute(text(f"SELECT setval('{table.name}_id_seq', {next_one}, false)"))
            before(tx, house)
            reckon(tx, house.app, now=NOW)
            assert not _dirty(tx), "reckoning leaves nothing to do"
            write(tx, house)
            raise TakenBack(*_dirty(tx))
    except TakenBack as end:
        return end.args


def _dirty(tx: Transaction) -> list[object]:
    unnamed = tx._connection.scalars(select(ride.c.id).where(IS_UNNAMED))
    return [*sorted(tx._connection.scalars(select(chain_dirty.c.chain))), *(f"ride {one}" for one in unnamed)]


@pytest.mark.parametrize("name", WRITES)
def test_a_write_is_derived_by_its_mark_and_is_missed_without_it(
    name: str, in_sqlite: Copies, in_postgresql: dict[bool, Household]
) -> None:
    """In a file, since what a mark tells of is derived alike; on PostgreSQL it tells of the same chains."""
    house = in_sqlite(name)
    told = dirtied(house, name)
    assert told
    assert dirtied(in_postgresql[name not in WITHOUT_A_RIDER], name) == told

    before, write = WRITES[name]
    with house.app.store.writing() as tx:
        before(tx, house)
    house.reckon()
    assert differences(house.app, NOW) == ()

    with_it = in_sqlite(name, of=house)
    with with_it.app.store.writing() as tx:
        write(tx, with_it)
    with_it.reckon()
    assert differences(with_it.app, NOW) == ()
    with with_it.app.store.reading() as tx:
        writes = tx.writes()
    with_it.reckon(NOW + timedelta(seconds=1))
    with with_it.app.store.reading() as tx:
        assert tx.writes() == writes
    with_it.app.store.close()

    _drop(house.app.store, name)
    with house.app.store.writing() as tx:
        write(tx, house)
    try:
        house.reckon()
        missed = bool(differences(house.app, NOW))
    except KeyError:  # a reminder of what is gone
        missed = True
    assert missed, "the mark was not needed"

    house.app.store.close()
    # The mark is missed, and all is dirty again.
    with Store.open(house.app.settings.database_url) as opened, opened.reading() as tx:
        assert stand(tx._connection)
        assert set(tx._connection.scalars(select(chain_dirty.c.chain))) >= {house.amber, house.basalt}


def _drop(store: Store, name: str) -> None:
    (mark,) = [one for one in MARKS if one.name == name]
    with store.writing() as tx:
        tx._connection.execute(text(f"DROP TRIGGER {mark.trigger}"))


@AT_HOME
def test_marks_of_another_version_make_room_for_those_of_this_one(
    url: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    other = marks_module.Mark("of_old", "INSERT", "chain", "SELECT NEW.id WHERE true")
    monkeypatch.setattr(marks_module, "MARKS", (other,))
    with Store.open(url) as opened, opened.reading() as tx:
        assert stand(tx._connection)
    monkeypatch.undo()
    with Store.open(url) as opened, opened.reading() as tx:
        assert stand(tx._connection)
