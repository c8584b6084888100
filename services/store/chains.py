"""Chains, and which was on which bike when."""

from __future__ import annotations

from collections.abc import Collection
from dataclasses import replace
from datetime import datetime

from sqlalchemy import Table, select

from rules.vocabulary import BikeId, Chain, ChainId, Fitting, FittingId, Regime
from services.store.errors import FactRefused
from services.store.repository import AnyRow, Repository, aware
from services.store.retractions import standing_facts
from services.store.tables import bike, chain, fitting


class Chains(Repository):
    """Chains from box to retirement: one chain at a time on a bike, one bike at a time under a chain."""

    def add_chain(
        self,
        name: str,
        *,
        regime: Regime = Regime.WAXED,
        speeds: int | None = None,
        links: int | None = None,
        price: float | None = None,
        acquired_at: datetime | None = None,
    ) -> Chain:
        """A new chain. Raises FactRefused for a name that is taken or a value that cannot be."""
        name = self._free_name(chain, name, "chain")
        row_id = self._insert(
            chain,
            name=name,
            name_key=name.casefold(),
            regime=regime.value,
            speeds=speeds,
            links=links,
            price=price,
            acquired_at=acquired_at,
            retired_at=None,
        )
        return self.chain(ChainId(row_id))

    def chains(self, only: Collection[ChainId] | None = None) -> tuple[Chain, ...]:
        """Every chain, or of these, retired ones too, in the order they were added."""
        query = standing_facts(chain, "chain").order_by(chain.c.id)
        if only is not None:
            query = query.where(chain.c.id.in_(only))
        return tuple(_chain(row) for row in self._all(query))

    def chain(self, chain_id: ChainId) -> Chain:
        """The chain of that number. Raises NotFound."""
        return _chain(self._row(chain, chain_id, "chain"))

    def retire_chain(self, chain_id: ChainId, at: datetime) -> Chain:
        """The chain has done its work; it comes off its bike. Raises FactRefused if retired already."""
        retired = self.chain(chain_id)
        if retired.retired_at is not None:
            raise FactRefused(f"{retired.name} was retired on {retired.retired_at:%Y-%m-%d} already.")
        if any(f.chain == chain_id and f.fitted_at > at for f in self.fittings()):
            raise FactRefused(f"{retired.name} was fitted to a bike after {at:%Y-%m-%d %H:%M} UTC.")
        if self._open(self.fittings(), chain_id=chain_id):
            self.remove_chain(chain_id, at)
        self._update(chain, chain_id, retired_at=aware(at))
        return self.chain(chain_id)

    def fit_chain(
        self, chain_id: ChainId, bike_id: BikeId, at: datetime, until_at: datetime | None = None
    ) -> Fitting:
        """The chain goes onto the bike; what was on the bike, and where the chain was, ends at that moment.

        until_at: for a fitting of the past that has ended. Raises FactRefused for an overlap.
        """
        aware(at)
        put_on = self.chain(chain_id)
        bike_name = self._row(bike, bike_id, "bike").name
        if put_on.retired_at is not None and (until_at is None or until_at > put_on.retired_at):
            raise FactRefused(
                f"{put_on.name} was retired on {put_on.retired_at:%Y-%m-%d}; it cannot be fitted."
            )
        for before in (f for f in self.fittings() if f.removed_at is None and f.fitted_at <= at):
            if before.chain == chain_id and before.bike == bike_id:
                raise FactRefused(
                    f"{put_on.name} is on {bike_name} already, since {before.fitted_at:%Y-%m-%d %H:%M} UTC."
                )
            if before.chain == chain_id or before.bike == bike_id:
                self._update(fitting, before.id, removed_at=at)
        return self._fitted(Fitting(FittingId(0), chain_id, bike_id, at, until_at))

    def remove_chain(self, chain_id: ChainId, at: datetime) -> Fitting:
        """The chain comes off its bike. Raises FactRefused when it is on none, or was fitted later."""
        aware(at)
        standing = self._open(self.fittings(), chain_id=chain_id)
        name = self.chain(chain_id).name
        if standing is None:
            raise FactRefused(f"{name} is on no bike.")
        if at < standing.fitted_at:
            raise FactRefused(f"{name} was fitted only on {standing.fitted_at:%Y-%m-%d %H:%M} UTC.")
        self._update(fitting, standing.id, removed_at=at)
        return replace(standing, removed_at=at)

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

    def _open(self, fittings: tuple[Fitting, ...], chain_id: ChainId) -> Fitting | None:
        return next((f for f in fittings if f.chain == chain_id and f.removed_at is None), None)

    def _fitted(self, new: Fitting) -> Fitting:
        if new.removed_at is not None and aware(new.removed_at) <= new.fitted_at:
            raise FactRefused("A chain comes off after it goes on, not before.")
        self._refuse_overlap(new)
        row_id = self._insert(
            fitting, chain=new.chain, bike=new.bike, fitted_at=new.fitted_at, removed_at=new.removed_at
        )
        return replace(new, id=FittingId(row_id))

    def _refuse_overlap(self, new: Fitting) -> None:
        for other in self.fittings():
            if other.chain != new.chain and other.bike != new.bike:
                continue
            begins_before_end = new.removed_at is None or other.fitted_at < new.removed_at
            ends_after_start = other.removed_at is None or other.removed_at > new.fitted_at
            if begins_before_end and ends_after_start:
                until = f"until {other.removed_at:%Y-%m-%d %H:%M}" if other.removed_at else "until now"
                raise FactRefused(
                    f"{self.chain(other.chain).name} was on {self._row(bike, other.bike, 'bike').name} from "
                    f"{other.fitted_at:%Y-%m-%d %H:%M} {until} (UTC); the times overlap. "
                    "Give another time, or say when it came off."
                )

    def _free_name(self, table: Table, name: str, what: str) -> str:
        name = " ".join(name.split())
        if not name:
            raise FactRefused(f"A {what} needs a name.")
        taken = self._connection.execute(
            select(table.c.id, table.c.name).where(table.c.name_key == name.casefold())
        ).first()
        if taken is not None:
            raise FactRefused(f"There is a {what} “{taken.name}” already; give this one another name.")
        return name


_REGIMES = {one.value: one for one in Regime}


def _chain(row: AnyRow) -> Chain:
    # By place: there are hundreds, and every page after a write wants them.
    number, name, _key, regime, speeds, links, price, acquired_at, retired_at = row
    return Chain(ChainId(number), name, _REGIMES[regime], speeds, links, price, acquired_at, retired_at)


def _fitting(row: AnyRow) -> Fitting:
    number, chain_id, bike_id, fitted_at, removed_at = row
    return Fitting(FittingId(number), ChainId(chain_id), BikeId(bike_id), fitted_at, removed_at)
