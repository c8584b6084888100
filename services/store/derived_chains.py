"""What was derived of each chain and until when it holds; where a dirty chain is clean again.

All of it may be dropped at any time: it is derived anew from the facts.
"""

from __future__ import annotations

from collections.abc import Collection, Iterable, Mapping
from dataclasses import dataclass, field
from datetime import datetime

from sqlalchemy import or_, select

from rules.vocabulary import ChainId
from services.store.bookkeeping import Notes
from services.store.repository import Repository
from services.store.rows_of_facts import FITTINGS
from services.store.tables import chain, chain_dirty, chain_state, fitting, write_count

DERIVED_BY = "derived by"  # which code, rulebook and limits all chains were last derived by


@dataclass(frozen=True, slots=True)
class ChainState:
    """What was derived of a chain.

    look_at: when time alone may change it; None = never.  worn: what the wear model hears of it, as JSON.
    measured: whether it has a reading.  version: another one as soon as it was dirty in between.
    """

    look_at: datetime | None
    worn: str
    measured: bool
    version: int = field(default=0, compare=False)


class Derived(Repository):
    """Chains to look at, and what was found when they were."""

    def to_look_at(self, now: datetime, by: str) -> tuple[ChainId, ...]:
        """Chains that something happened to, or whose time has come; all of them, where others derived them.

        by: the code, the rulebook and the limits that derive now.
        """
        if Notes(self._connection).get(DERIVED_BY) != by:
            every = select(chain.c.id).union(select(chain_state.c.chain)).subquery()
            query = select(every.c.id)
        else:
            ripe = select(chain_state.c.chain).where(chain_state.c.look_at <= now)
            query = select(select(chain_dirty.c.chain).union(ripe).subquery().c.chain)
        return tuple(ChainId(number) for number in sorted(self._connection.scalars(query)))

    def anything_to_look_at(self, now: datetime, by: str) -> bool:
        """Whether `to_look_at` names any; quick."""
        if Notes(self._connection).get(DERIVED_BY) != by:
            return True
        looks = (select(chain_dirty.c.chain), select(chain_state.c.chain).where(chain_state.c.look_at <= now))
        return any(self._connection.scalar(look.limit(1)) is not None for look in looks)

    def all_dirty(self) -> None:
        """Forget that anything is derived."""
        Notes(self._connection).forget(DERIVED_BY)

    def settle(
        self,
        looked_at: Collection[ChainId],
        found: Mapping[ChainId, ChainState],
        *,
        by: str,
        now: datetime,
    ) -> None:
        """These chains have been looked at: they are clean. found: of those that are still there."""
        these = chain_dirty.c.chain.in_(looked_at)
        were_dirty = set(self._connection.scalars(select(chain_dirty.c.chain).where(these)))
        self._connection.execute(chain_dirty.delete().where(these))
        version = self._connection.scalar(select(write_count.c.writes))
        before = self.states(looked_at)
        for gone in before.keys() - found.keys():
            self._connection.execute(chain_state.delete().where(chain_state.c.chain == gone))
        for number, state in found.items():
            values = {"look_at": state.look_at, "worn": state.worn, "measured": state.measured}
            values |= {"version": version}
            if number not in before:
                self._connection.execute(chain_state.insert().values(chain=number, **values))
            elif before[number] != state or number in were_dirty:
                self._connection.execute(
                    chain_state.update().where(chain_state.c.chain == number).values(**values)
                )
        notes = Notes(self._connection)
        if notes.get(DERIVED_BY) != by:
            notes.put(DERIVED_BY, by, at=now)

    def states(self, chains: Iterable[ChainId]) -> dict[ChainId, ChainState]:
        """What was derived of these chains, of those that were looked at before."""
        query = select(chain_state).where(chain_state.c.chain.in_(list(chains)))
        return {
            ChainId(row.chain): ChainState(row.look_at, row.worn, row.measured, row.version)
            for row in self._all(query)
        }

    def versions(self, chains: Iterable[ChainId]) -> frozenset[tuple[int, int]]:
        """Of which write what was derived of each of these chains is; another one once it was dirty."""
        query = select(chain_state.c.chain, chain_state.c.version).where(
            chain_state.c.chain.in_(list(chains))
        )
        return frozenset((row.chain, row.version) for row in self._all(query))

    def clean(self, chains: Iterable[ChainId]) -> frozenset[tuple[int, int]]:
        """The same of those to which nothing happened since: facts of a chain with the same are the same."""
        return frozenset(
            (row.chain, row.version)
            for row in self._all(
                select(chain_state.c.chain, chain_state.c.version).where(
                    chain_state.c.chain.in_(list(chains)),
                    chain_state.c.chain.not_in(select(chain_dirty.c.chain)),
                )
            )
        )

    def measured(self) -> dict[ChainId, tuple[bool, datetime | None]]:
        """Of every chain that was looked at: whether it has a reading, and when it was retired."""
        query = select(chain_state.c.chain, chain_state.c.measured, chain.c.retired_at).join_from(
            chain_state, chain, chain.c.id == chain_state.c.chain
        )
        return {ChainId(row.chain): (row.measured, row.retired_at) for row in self._all(query)}

    def measured_and_fitted(self, now: datetime) -> frozenset[ChainId]:
        """Chains with a reading that are on a bike, or may be."""
        on = FITTINGS.standing.where(
            fitting.c.fitted_at <= now, or_(fitting.c.removed_at.is_(None), fitting.c.removed_at > now)
        ).subquery()
        query = select(chain_state.c.chain).where(
            chain_state.c.measured, chain_state.c.chain.in_(select(on.c.chain))
        )
        return frozenset(ChainId(number) for number in self._connection.scalars(query))
