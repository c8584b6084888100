"""What the household uses up: a bath, a bottle, a pack of quick links, from when it was begun."""

from __future__ import annotations

from rules.vocabulary import Supply, SupplyId, SupplyKind
from services.store.repository import AnyRow, Repository
from services.store.retractions import standing_facts
from services.store.tables import supply


class Supplies(Repository):
    """Supplies."""

    def supplies(self) -> tuple[Supply, ...]:
        """Every supply that counts, by when it was begun."""
        query = standing_facts(supply, "supply").order_by(supply.c.begun_at, supply.c.id)
        return tuple(_supply(row) for row in self._all(query))


def _supply(row: AnyRow) -> Supply:
    return Supply(
        SupplyId(row.id),
        SupplyKind(row.kind),
        row.amount,
        row.begun_at,
        row.name,
        row.a_use,
        row.ended_at,
        row.price,
    )
