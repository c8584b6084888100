"""Facts that were taken back. The fact stays where it is; while its retraction stands, nothing counts it."""

from __future__ import annotations

from datetime import datetime
from functools import cache
from typing import Any

from sqlalchemy import Select, Table, exists, select

from services.store.errors import FactRefused, NotFound
from services.store.repository import Repository
from services.store.tables import retraction


@cache  # building it anew took a third of a quiet round
def standing_facts(table: Table, kind: str) -> Select[Any]:
    """A select of a table's facts that nobody took back."""
    return select(table).where(~is_retracted(table, kind))


def is_retracted(table: Table, kind: str) -> Any:
    """The condition that a row of this table was taken back."""
    return exists().where(
        retraction.c.kind == kind, retraction.c.fact_id == table.c.id, retraction.c.undone_at.is_(None)
    )


class Retractions(Repository):
    """Taking facts back and putting them in force again."""

    def take_back(self, table: Table, kind: str, fact: int, *, at: datetime, by: str, why: str) -> None:
        """Stop counting a fact. Raises NotFound, or FactRefused if it was taken back already."""
        self._row(table, fact, kind)
        if self._standing(kind, fact) is not None:
            raise FactRefused(f"The {kind} {fact} was taken back already.")
        self._insert(
            retraction,
            kind=kind,
            fact_id=fact,
            made_at=at,
            made_by=by,
            why=why,
            undone_at=None,
            undone_by=None,
        )

    def put_back(self, kind: str, fact: int, *, at: datetime, by: str) -> None:
        """Count a fact again. Raises NotFound when it was not taken back."""
        standing = self._standing(kind, fact)
        if standing is None:
            raise NotFound(f"retraction of {kind}", fact)
        self._update(retraction, standing, undone_at=at, undone_by=by)

    def _standing(self, kind: str, fact: int) -> int | None:
        found: int | None = self._connection.scalar(
            select(retraction.c.id).where(
                retraction.c.kind == kind, retraction.c.fact_id == fact, retraction.c.undone_at.is_(None)
            )
        )
        return found
