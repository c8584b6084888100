"""Facts put straight into a ledger, by its one writer: what tests begin from, without gate or log."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from datetime import UTC, datetime
from typing import Any

from sqlalchemy import select

from rules.commands import FitChain, Retire, TakeOff
from rules.gate.apply import applied
from rules.gate.field_checks import tidy
from rules.ledger import Ledger
from rules.vocabulary import (
    Bike,
    BikeId,
    Chain,
    ChainId,
    Fitting,
    Reading,
    ReadingId,
    ReadingTool,
    Rider,
    RiderId,
    Sensor,
    SensorId,
    Treatment,
    TreatmentId,
    TreatmentKind,
    WipeTest,
    WipeTestId,
)
from services.store import Transaction
from services.store.tables import retraction

WRITTEN_AT = datetime(2020, 1, 1, tzinfo=UTC)
NOTHING = Ledger()


def retractions(tx: Transaction) -> Sequence[Any]:
    """Everything ever taken back, in that order: rows of the table."""
    return tx._connection.execute(select(retraction).order_by(retraction.c.id)).all()


class into:  # noqa: N801 - into(tx).add_rider(…) reads as what it is
    """The facts of a transaction, and ways to put more beside them. Only the database may refuse."""

    def __init__(self, tx: Transaction) -> None:
        self._tx = tx

    def add_rider(self, name: str, email: str | None = None, time_zone: str = "UTC") -> Rider:
        new = Rider(RiderId(self._next("riders")), tidy(name), email, time_zone)
        self._write(NOTHING, Ledger(riders=(new,)))
        return new

    def add_bike(self, name: str, owner: RiderId, **more: Any) -> Bike:
        new = Bike(BikeId(self._next("bikes")), tidy(name), owner, **more)
        self._write(NOTHING, Ledger(bikes=(new,)))
        return new

    def add_chain(self, name: str, **more: Any) -> Chain:
        new = Chain(ChainId(self._next("chains")), tidy(name), **more)
        self._write(NOTHING, Ledger(chains=(new,)))
        return new

    def add_sensor(
        self,
        kind: str,
        identity: str,
        bike: BikeId,
        from_at: datetime | None = None,
        until_at: datetime | None = None,
    ) -> Sensor:
        """A span of a sensor's; the one that was open ends where this begins."""
        open_ones = [s for s in self._tx.equipment.sensors() if s.identity == identity and not s.until_at]
        new = Sensor(SensorId(self._next("sensors")), kind, identity, bike, from_at, until_at)
        left = (replace(one, until_at=from_at) for one in open_ones)
        self._write(Ledger(sensors=tuple(open_ones)), Ledger(sensors=(*left, new)))
        return new

    def fit_chain(
        self, chain: ChainId, bike: BikeId, at: datetime, until_at: datetime | None = None
    ) -> Fitting:
        """A chain on a bike; what was there, and where it was, ends then."""
        before, number = self._fitted(), self._next("fittings")
        after = applied(before, FitChain(chain, bike, at), number)
        fittings = (replace(one, removed_at=until_at) if one.id == number else one for one in after.fittings)
        after = replace(after, fittings=tuple(fittings))
        self._write(before, after)
        return next(one for one in after.fittings if one.id == number)

    def remove_chain(self, chain: ChainId, at: datetime) -> None:
        before = self._fitted()
        self._write(before, applied(before, TakeOff(chain, at), 0))

    def retire_chain(self, chain: ChainId, at: datetime) -> None:
        before = replace(self._fitted(), chains=self._tx.equipment.chains())
        self._write(before, applied(before, Retire(chain, at), 0))

    def log_treatment(self, chain: ChainId, kind: TreatmentKind, done_at: datetime, **more: Any) -> Treatment:
        new = Treatment(TreatmentId(self._next("treatments")), chain, kind, done_at, **more)
        self._write(NOTHING, Ledger(treatments=(new,)))
        return new

    def log_reading(self, chain: ChainId, tool: ReadingTool, taken_at: datetime, **more: Any) -> Reading:
        new = Reading(ReadingId(self._next("readings")), chain, tool, taken_at, **more)
        self._write(NOTHING, Ledger(readings=(new,)))
        return new

    def log_wipe_test(self, chain: ChainId, done_at: datetime, grade: int) -> WipeTest:
        new = WipeTest(WipeTestId(self._next("wipe_tests")), chain, done_at, grade)
        self._write(NOTHING, Ledger(wipe_tests=(new,)))
        return new

    def _next(self, family: str) -> int:
        return self._tx.facts.next_number(family)

    def _fitted(self) -> Ledger:
        return Ledger(fittings=self._tx.equipment.fittings())

    def _write(self, before: Ledger, after: Ledger) -> None:
        self._tx.facts.write(before, after, at=WRITTEN_AT, by="a test", why="a test")
