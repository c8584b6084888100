"""Treatments, readings and wipe tests: what hands did to a chain, and what they measured."""

from __future__ import annotations

from collections.abc import Callable, Collection
from datetime import datetime
from typing import Any

from sqlalchemy import Select, Subquery, Table, func, literal, select, union_all

from rules.vocabulary import (
    BikeId,
    ChainId,
    OwnLimits,
    OwnLimitsId,
    OwnValue,
    Reading,
    ReadingId,
    ReadingTool,
    Treatment,
    TreatmentId,
    TreatmentKind,
    Trial,
    TrialId,
    WipeTest,
    WipeTestId,
)
from services.store.repository import AnyRow
from services.store.retractions import standing_facts
from services.store.supplies import Supplies
from services.store.tables import own_limits, reading, treatment, trial, wipe_test

_TABLES: dict[str, Table] = {"treatment": treatment, "reading": reading, "wipe test": wipe_test}


class Care(Supplies):
    """The log of care. Nothing is deleted: a slip is retracted, and a retraction can be undone."""

    def treatments(self, chains: Collection[ChainId] | None = None) -> tuple[Treatment, ...]:
        """Treatments in force, of these chains or of all, oldest first."""
        query = _of(chains, treatment, "treatment").order_by(treatment.c.done_at, treatment.c.id)
        return tuple(_treatment(row) for row in self._all(query))

    def readings(self, chains: Collection[ChainId] | None = None) -> tuple[Reading, ...]:
        """Readings in force, of these chains or of all, oldest first."""
        query = _of(chains, reading, "reading").order_by(reading.c.taken_at, reading.c.id)
        return tuple(_reading(row) for row in self._all(query))

    def logged(
        self, *, chain: ChainId | None = None, what: str = "", limit: int, offset: int = 0
    ) -> tuple[Treatment | Reading | WipeTest, ...]:
        """What was logged, newest first. what: a kind of treatment, 'reading' or 'wipe test'."""
        every = _log(chain, what)
        query = select(every).order_by(every.c.at.desc(), every.c.fact.desc(), every.c.id.desc())
        lines = [(row.fact, row.id) for row in self._all(query.limit(limit).offset(offset))]
        found: dict[tuple[str, int], Treatment | Reading | WipeTest] = {}
        for fact, table in _TABLES.items():
            rows = self._all(select(table).where(table.c.id.in_([one for of, one in lines if of == fact])))
            found |= {(fact, row.id): _MADE[fact](row) for row in rows}
        return tuple(found[line] for line in lines)

    def count_logged(self, *, chain: ChainId | None = None, what: str = "") -> int:
        """How many lines `logged` has for the same."""
        return self._connection.scalar(select(func.count()).select_from(_log(chain, what))) or 0

    def treated_since(self, at: datetime) -> frozenset[ChainId]:
        """Chains to which hands did something since then."""
        query = standing_facts(treatment, "treatment").where(treatment.c.done_at >= at)
        return frozenset(ChainId(row.chain) for row in self._all(query))

    def measured(self) -> frozenset[ChainId]:
        """Chains that were ever measured."""
        rows = self._all(standing_facts(reading, "reading").with_only_columns(reading.c.chain).distinct())
        return frozenset(ChainId(row.chain) for row in rows)

    def trials(self) -> tuple[Trial, ...]:
        """Every trial that counts, by start."""
        query = standing_facts(trial, "trial").order_by(trial.c.started_at, trial.c.id)
        return tuple(_trial(row) for row in self._all(query))

    def own_limits(self) -> tuple[OwnLimits, ...]:
        """What riders set, in the order in which it was set."""
        query = standing_facts(own_limits, "own limits").order_by(own_limits.c.id)
        return tuple(
            OwnLimits(
                OwnLimitsId(row.id), row.set_at, tuple(OwnValue(**one) for one in row.limits), row.because
            )
            for row in self._all(query)
        )

    def wipe_tests(self, chains: Collection[ChainId] | None = None) -> tuple[WipeTest, ...]:
        """Wipe tests in force, of these chains or of all, oldest first."""
        query = _of(chains, wipe_test, "wipe test").order_by(wipe_test.c.done_at, wipe_test.c.id)
        return tuple(_wipe_test(row) for row in self._all(query))


def _of(chains: Collection[ChainId] | None, table: Table, kind: str) -> Select[Any]:
    query = standing_facts(table, kind)
    return query if chains is None else query.where(table.c.chain.in_(chains))


def _log(chain_id: ChainId | None, what: str) -> Subquery:
    """When which fact was logged: of a chain or of all, of one kind or of every."""
    lines = []
    for fact, table in _TABLES.items():
        at = table.c.taken_at if fact == "reading" else table.c.done_at
        of_kind = fact == what or not what
        query = standing_facts(table, fact).with_only_columns(
            at.label("at"), literal(fact).label("fact"), table.c.id.label("id")
        )
        if fact == "treatment" and what and not of_kind:
            query, of_kind = query.where(table.c.kind == what), True
        if chain_id is not None:
            query = query.where(table.c.chain == chain_id)
        if of_kind:
            lines.append(query)
    return union_all(*lines).subquery()


def _treatment(row: AnyRow) -> Treatment:
    return Treatment(
        id=TreatmentId(row.id),
        chain=ChainId(row.chain),
        kind=TreatmentKind(row.kind),
        done_at=row.done_at,
        minutes=row.minutes,
        cost=row.cost,
        note=row.note,
    )


def _reading(row: AnyRow) -> Reading:
    return Reading(
        id=ReadingId(row.id),
        chain=ChainId(row.chain),
        tool=ReadingTool(row.tool),
        taken_at=row.taken_at,
        over_pct=row.over_pct,
        under_pct=row.under_pct,
        exact_pct=row.exact_pct,
        note=row.note,
        instrument=row.instrument,
    )


def _wipe_test(row: AnyRow) -> WipeTest:
    return WipeTest(WipeTestId(row.id), ChainId(row.chain), row.done_at, row.grade)


def _trial(row: AnyRow) -> Trial:
    return Trial(
        TrialId(row.id),
        BikeId(row.bike),
        ChainId(row.waxed),
        ChainId(row.control),
        row.started_at,
        row.block_km,
        row.seed,
        row.ended_at,
    )


_MADE: dict[str, Callable[[AnyRow], Treatment | Reading | WipeTest]] = {
    "treatment": _treatment,
    "reading": _reading,
    "wipe test": _wipe_test,
}
