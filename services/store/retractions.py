"""Facts that were taken back. The fact stays where it is; while its retraction stands, nothing counts it."""

from __future__ import annotations

from datetime import datetime

from sqlalchemy import Table, select

from services.store.errors import FactRefused, NotFound
from services.store.repository import Repository
from services.store.tables import retraction


class Retractions(Repository):
    """Taking facts back and putting them in force again."""

    def take_back(self, table: Table, kind: str, fact: int, *, at: datetime, by: str, why: str) -> None:
        """Stop counting a fact. Raises NotFound, or FactRefused if it was taken back already."""
        self._row(table, fact, kind)
        if self._number_of(kind, fact) is not None:
            raise FactRefused(f"The {kind} {fact} was taken back already.")
        self._insert(retraction, kind=kind, fact_id=fact, made_at=at, made_by=by, why=why)

    def put_back(self, kind: str, fact: int, *, at: datetime, by: str) -> None:
        """Count a fact again. Raises NotFound when it was not taken back."""
        standing = self._number_of(kind, fact)
        if standing is None:
            raise NotFound(f"retraction of {kind}", fact)
        self._update(retraction, standing, undone_at=at, undone_by=by)

    def _number_of(self, kind: str, fact: int) -> int | None:
        found: int | None = self._connection.scalar(
            select(retraction.c.id).where(
                retraction.c.kind == kind, retraction.c.fact_id == fact, retraction.c.undone_at.is_(None)
            )
        )
        return found
