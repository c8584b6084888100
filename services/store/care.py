"""What hands did to chains, what they measured and used up, and the limits they set."""

from __future__ import annotations

from collections.abc import Collection
from datetime import datetime
from typing import Any

from sqlalchemy import Subquery, func, literal, select, union_all

from rules.vocabulary import ChainId, OwnLimits, Reading, Supply, Treatment, Trial, WipeTest
from services.store.repository import Made, Repository
from services.store.rows_of_facts import (
    OWN_LIMITS,
    READINGS,
    SUPPLIES,
    TREATMENTS,
    TRIALS,
    WIPE_TESTS,
    Family,
)

_LOGGED: dict[str, Family[Any]] = {one.word: one for one in (TREATMENTS, READINGS, WIPE_TESTS)}


class Care(Repository):
    """The log of care. Nothing is deleted: a slip is retracted, and a retraction can be undone."""

    def treatments(self, chains: Collection[ChainId] | None = None) -> tuple[Treatment, ...]:
        """Treatments in force, of these chains or of all, oldest first."""
        return self._of(chains, TREATMENTS)

    def readings(self, chains: Collection[ChainId] | None = None) -> tuple[Reading, ...]:
        """Readings in force, of these chains or of all, oldest first."""
        return self._of(chains, READINGS)

    def wipe_tests(self, chains: Collection[ChainId] | None = None) -> tuple[WipeTest, ...]:
        """Wipe tests in force, of these chains or of all, oldest first."""
        return self._of(chains, WIPE_TESTS)

    def logged(
        self, *, chain: ChainId | None = None, what: str = "", limit: int, offset: int = 0
    ) -> tuple[Treatment | Reading | WipeTest, ...]:
        """What was logged, newest first. what: a kind of treatment, 'reading' or 'wipe test'."""
        every = _log(chain, what)
        query = select(every).order_by(every.c.at.desc(), every.c.fact.desc(), every.c.id.desc())
        lines = [(row.fact, row.id) for row in self._all(query.limit(limit).offset(offset))]
        found: dict[tuple[str, int], Treatment | Reading | WipeTest] = {}
        for fact, family in _LOGGED.items():
            these = family.table.c.id.in_([one for of, one in lines if of == fact])
            for made in self._made(family, select(*family.columns).where(these)):
                found[fact, made.id] = made
        return tuple(found[line] for line in lines)

    def count_logged(self, *, chain: ChainId | None = None, what: str = "") -> int:
        """How many lines `logged` has for the same."""
        return self._connection.scalar(select(func.count()).select_from(_log(chain, what))) or 0

    def treated_since(self, at: datetime) -> frozenset[ChainId]:
        """Chains to which hands did something since then."""
        return frozenset(one.chain for one in self._standing(TREATMENTS, TREATMENTS.table.c.done_at >= at))

    def measured(self) -> frozenset[ChainId]:
        """Chains that were ever measured."""
        chains = READINGS.standing.order_by(None).with_only_columns(READINGS.table.c.chain).distinct()
        return frozenset(self._connection.scalars(chains))

    def trials(self) -> tuple[Trial, ...]:
        """Every trial that counts, by start."""
        return self._standing(TRIALS)

    def supplies(self) -> tuple[Supply, ...]:
        """Every supply that counts, by when it was begun."""
        return self._standing(SUPPLIES)

    def own_limits(self) -> tuple[OwnLimits, ...]:
        """What riders set, in the order in which it was set."""
        return self._standing(OWN_LIMITS)

    def _of(self, chains: Collection[ChainId] | None, family: Family[Made]) -> tuple[Made, ...]:
        return self._standing(family, *([] if chains is None else [family.table.c.chain.in_(chains)]))


def _log(chain_id: ChainId | None, what: str) -> Subquery:
    """When which fact was logged: of a chain or of all, of one kind or of every."""
    lines = []
    for fact, family in _LOGGED.items():
        table = family.table
        at = table.c.taken_at if family is READINGS else table.c.done_at
        of_kind = fact == what or not what
        query = family.standing.order_by(None).with_only_columns(
            at.label("at"), literal(fact).label("fact"), table.c.id.label("id")
        )
        if family is TREATMENTS and not of_kind:
            query, of_kind = query.where(table.c.kind == what), True
        if chain_id is not None:
            query = query.where(table.c.chain == chain_id)
        if of_kind:
            lines.append(query)
    return union_all(*lines).subquery()
