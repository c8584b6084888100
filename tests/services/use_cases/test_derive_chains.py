"""After any history, what was derived chain by chain is what a fold of all facts gives: on both databases.

GRITLEDGER_TESTS_LONG=40 in the environment runs forty times as many histories.
"""

from __future__ import annotations

import os
import shutil
import tempfile
from contextlib import suppress
from datetime import timedelta
from pathlib import Path

import psycopg
import pytest
from hypothesis import HealthCheck, settings
from hypothesis import strategies as st
from hypothesis.stateful import RuleBasedStateMachine, invariant, rule, run_state_machine_as_test

from rules.commands import (
    Amend,
    FitChain,
    FittingWasNot,
    LogReading,
    LogTreatment,
    PutRidesOn,
    SayCondition,
    WithdrawRide,
)
from rules.reminder import ReminderStep, Step
from rules.vocabulary import Condition, DecidedBy, ReadingTool, Regime, TreatmentKind
from services.store import FactRefused, NotFound
from services.use_cases.record_change import record
from services.use_cases.undo import undo
from tests.services.conftest import server_database, with_database
from tests.services.store.derived_household import (
    DAY,
    HOUR,
    NOW,
    differences,
    differently_shown,
    household,
    ridden,
)
from tests.services.store.household import tag

BIKES = st.sampled_from(["plover", "heron", None])
CHAINS = st.sampled_from(["amber", "basalt", "cobalt"])
AGO = st.integers(0, 50)
WATER = st.sampled_from([0.0, 1.0])


class Histories(RuleBasedStateMachine):
    """Whatever is said, taken back or undone, in whatever order, with the clock going on in between."""

    make_url = staticmethod(lambda folder: f"sqlite:///{folder / 'ledger.db'}")

    def __init__(self) -> None:
        super().__init__()
        self.folder = Path(tempfile.mkdtemp(prefix="histories-"))
        self.house = household(self.make_url(self.folder), self.folder, rides=4)
        self.now = NOW
        self.withdrawn: list[int] = []

    def teardown(self) -> None:
        self.house.app.store.close()
        shutil.rmtree(self.folder)

    def at(self, days_ago: int) -> object:
        return self.now - days_ago * DAY - HOUR

    def said(self, command: object) -> None:
        with suppress(FactRefused, NotFound):
            record(self.house.app, command, now=self.now, confirmed=True)  # type: ignore[arg-type]

    @rule(bike=BIKES, ago=AGO, water=WATER, hours=st.integers(0, 9))
    def a_ride_is_read(self, bike: str | None, ago: int, water: float, hours: int) -> None:
        """In a transaction of its own, as the importer does: a kill may come before it is derived."""
        with self.house.app.store.writing() as tx:
            number = None if bike is None else getattr(self.house, bike)
            start = self.now - ago * DAY - (3 + hours) * HOUR
            self.house.rides.append(ridden(tx, self.house.rider, number, start, water))

    @rule(which=st.integers(0, 99), bike=BIKES)
    def a_ride_is_put_on_a_bike(self, which: int, bike: str | None) -> None:
        ride = self.house.rides[which % len(self.house.rides)]
        self.said(PutRidesOn(((ride, None if bike is None else getattr(self.house, bike)),)))

    @rule(which=st.integers(0, 99), word=st.sampled_from([Condition.WET, Condition.DRY, None]))
    def a_word_is_said(self, which: int, word: Condition | None) -> None:
        self.said(SayCondition(self.house.rides[which % len(self.house.rides)], word))

    @rule(which=st.integers(0, 99))
    def a_ride_is_withdrawn(self, which: int) -> None:
        self.said(WithdrawRide(self.house.rides[which % len(self.house.rides)], "a car"))

    @rule(which=st.integers(0, 99), water=WATER)
    def the_archive_revises_an_hour(self, which: int, water: float) -> None:
        with self.house.app.store.writing() as tx:
            ride = tx.rides.ride(self.house.rides[which % len(self.house.rides)])
            tx.rides.add_tags(ride.id, [(ride.hours[0].hour_start, tag(water))], self.now)

    @rule(chain=CHAINS, bike=st.sampled_from(["plover", "heron"]), ago=AGO)
    def a_chain_is_fitted(self, chain: str, bike: str, ago: int) -> None:
        self.said(FitChain(getattr(self.house, chain), getattr(self.house, bike), self.at(ago)))  # type: ignore[arg-type]

    @rule(which=st.integers(0, 9), by=st.integers(-8, 8))
    def a_fitting_is_mended(self, which: int, by: int) -> None:
        with self.house.app.store.reading() as tx:
            fittings = tx.equipment.fittings()
        if fittings:
            one = fittings[which % len(fittings)]
            self.said(FittingWasNot(one.id, "a slip"))
            self.said(FitChain(one.chain, one.bike, one.fitted_at + by * DAY))

    @rule(chain=CHAINS, kind=st.sampled_from(list(TreatmentKind)), ago=AGO)
    def hands_did_something(self, chain: str, kind: TreatmentKind, ago: int) -> None:
        self.said(LogTreatment(getattr(self.house, chain), kind, self.at(ago)))  # type: ignore[arg-type]

    @rule(chain=CHAINS, pct=st.sampled_from([0.1, 0.3, 0.45, 0.6]), ago=AGO)
    def a_chain_is_measured(self, chain: str, pct: float, ago: int) -> None:
        tool = ReadingTool.CALIPER
        self.said(LogReading(getattr(self.house, chain), tool, self.at(ago), exact_pct=pct))  # type: ignore[arg-type]

    @rule(chain=CHAINS, regime=st.sampled_from(list(Regime)))
    def a_chain_is_cared_for_otherwise(self, chain: str, regime: Regime) -> None:
        self.said(Amend("chain", getattr(self.house, chain), {"regime": regime}))

    @rule(share=st.sampled_from([0.0, 0.8]))
    def a_bike_goes_elsewhere(self, share: float) -> None:
        self.said(Amend("bike", self.house.plover, {"unpaved_share": share}))

    @rule(days=st.integers(1, 4), dismiss=st.booleans())
    def a_reminder_is_answered(self, days: int, dismiss: bool) -> None:
        with self.house.app.store.writing() as tx:
            for one in tx.reminders.standing()[:1]:
                until = None if dismiss else self.now + days * DAY
                step = Step.DISMISSED if dismiss else Step.PUT_OFF
                tx.reminders.add_step(one.id, ReminderStep(step, self.now, "Ines", "later", until=until))

    @rule(back=st.integers(0, 3))
    def something_is_undone(self, back: int) -> None:
        with self.house.app.store.reading() as tx:
            standing = tx.changes.standing()
        if standing:
            with suppress(FactRefused):
                undo(self.house.app, standing[-1 - back % len(standing)].number, now=self.now, confirmed=True)

    @rule(hours=st.integers(1, 200))
    def time_passes(self, hours: int) -> None:
        self.now += timedelta(hours=hours)

    @rule()
    def everything_derived_is_dropped(self) -> None:
        with self.house.app.store.writing() as tx:
            tx.derived.all_dirty()

    @invariant()
    def what_is_derived_is_what_all_facts_give(self) -> None:
        self.house.reckon(self.now)
        assert differences(self.house.app, self.now) == ()
        assert differently_shown(self.house.app, self.now) == ()


def run(machine: type[Histories], examples: int, steps: int) -> None:
    run_state_machine_as_test(
        machine,
        settings=settings(
            max_examples=examples * int(os.environ.get("GRITLEDGER_TESTS_LONG", "1")),
            stateful_step_count=steps,
            deadline=None,
            derandomize=True,
            suppress_health_check=list(HealthCheck),
        ),
    )


def test_chain_by_chain_is_all_at_once_on_sqlite() -> None:
    run(Histories, examples=2, steps=20)


@pytest.fixture(scope="module")
def emptied(postgresql_server: str) -> str:
    """A database of its own for many histories, one after the other."""
    with psycopg.connect(postgresql_server, autocommit=True) as connection:
        connection.execute("DROP DATABASE IF EXISTS histories")
        connection.execute("CREATE DATABASE histories TEMPLATE pristine")
    return postgresql_server


def test_chain_by_chain_is_all_at_once_on_postgresql(emptied: str) -> None:
    class OnPostgresql(Histories):
        @staticmethod
        def make_url(_folder: Path) -> str:
            with psycopg.connect(server_database(emptied, "histories"), autocommit=True) as connection:
                found = connection.execute(
                    "SELECT tablename FROM pg_tables WHERE schemaname = 'public'"
                ).fetchall()
                tables = ", ".join(n for (n,) in found if n not in ("alembic_version", "write_count"))
                connection.execute(f"TRUNCATE {tables} RESTART IDENTITY CASCADE")
            return with_database(emptied, "histories")

    run(OnPostgresql, examples=1, steps=10)


def test_a_kill_between_a_fact_and_its_derivation_leaves_the_chain_dirty(tmp_path: Path) -> None:
    house = household(f"sqlite:///{tmp_path / 'ledger.db'}", tmp_path)
    with house.app.store.writing() as tx:
        tx.rides.record(house.rides[2], house.heron, decided_by=DecidedBy.RIDER, at=NOW, by="Ines")
    with house.app.store.reading() as tx:
        assert differences(house.app, NOW)
        assert set(tx.derived.to_look_at(NOW, "another code")) == {1, 2, 3}
    house.reckon()
    assert differences(house.app, NOW) == ()
