"""Chains, and which was on which bike when."""

from __future__ import annotations

from collections.abc import Collection

from rules.vocabulary import BikeId, Chain, ChainId, Fitting, FittingId, Regime
from services.store.repository import AnyRow, Repository
from services.store.retractions import standing_facts
from services.store.tables import chain, fitting


class Chains(Repository):
    """Chains from box to retirement: one chain at a time on a bike, one bike at a time under a chain."""

    def chains(self, only: Collection[ChainId] | None = None) -> tuple[Chain, ...]:
        """Every chain, or of these, retired ones too, in the order they were added."""
        query = standing_facts(chain, "chain").order_by(chain.c.id)
        if only is not None:
            query = query.where(chain.c.id.in_(only))
        return tuple(_chain(row) for row in self._all(query))

    def chain(self, chain_id: ChainId) -> Chain:
        """The chain of that number. Raises NotFound."""
        return _chain(self._row(chain, chain_id, "chain"))

    def fittings(
        self, *, chains: Collection[ChainId] | None = None, bikes: Collection[BikeId] | None = None
    ) -> tuple[Fitting, ...]:
        """Every fitting in force, or those of these chains, or to these bikes, oldest first."""
        query = standing_facts(fitting, "fitting").order_by(fitting.c.fitted_at, fitting.c.id)
        if chains is not None:
            query = query.where(fitting.c.chain.in_(chains))
        if bikes is not None:
            query = query.where(fitting.c.bike.in_(bikes))
        return tuple(_fitting(row) for row in self._all(query))


_REGIMES = {one.value: one for one in Regime}


def _chain(row: AnyRow) -> Chain:
    # By place: there are hundreds, and every page after a write wants them.
    number, name, _key, regime, speeds, links, price, acquired_at, retired_at = row
    return Chain(ChainId(number), name, _REGIMES[regime], speeds, links, price, acquired_at, retired_at)


def _fitting(row: AnyRow) -> Fitting:
    number, chain_id, bike_id, fitted_at, removed_at = row
    return Fitting(FittingId(number), ChainId(chain_id), BikeId(bike_id), fitted_at, removed_at)
