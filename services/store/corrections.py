"""The log of corrections, with what undoes them."""

from __future__ import annotations

import json
from dataclasses import dataclass
from datetime import datetime
from typing import Any

from sqlalchemy import select

from services.store.errors import FactRefused
from services.store.repository import AnyRow, Repository
from services.store.tables import correction


@dataclass(frozen=True, slots=True)
class Correction:
    """Something a rider changed. what: one sentence.  restore: JSON of what changing it back takes."""

    id: int
    at: datetime
    by: str
    what: str
    restore: dict[str, Any]
    undone_at: datetime | None = None
    undone_by: str | None = None


class Corrections(Repository):
    """What was corrected, newest last, and whether it was undone."""

    def add(self, what: str, restore: dict[str, Any], *, at: datetime, by: str) -> Correction:
        """Keep that something was corrected. restore must be JSON."""
        kept = json.loads(json.dumps(restore))
        row_id = self._insert(
            correction, made_at=at, made_by=by, what=what, restore=kept, undone_at=None, undone_by=None
        )
        return Correction(row_id, at, by, what, kept)

    def get(self, correction_id: int) -> Correction:
        """The correction of that number. Raises NotFound."""
        return _correction(self._row(correction, correction_id, "correction"))

    def all_(self, limit: int | None = None) -> tuple[Correction, ...]:
        """Every correction, undone ones too, newest first, or the newest `limit`."""
        query = select(correction).order_by(correction.c.id.desc()).limit(limit)
        return tuple(_correction(row) for row in self._all(query))

    def last(self) -> Correction | None:
        """The newest correction that was not undone."""
        query = (
            select(correction)
            .where(correction.c.undone_at.is_(None))
            .order_by(correction.c.id.desc())
            .limit(1)
        )
        return next((_correction(row) for row in self._all(query)), None)

    def mark_undone(self, correction_id: int, *, at: datetime, by: str) -> None:
        """Keep that a correction was undone. Raises NotFound, or FactRefused when it was already."""
        if self.get(correction_id).undone_at is not None:
            raise FactRefused(f"Correction {correction_id} was undone already.")
        self._update(correction, correction_id, undone_at=at, undone_by=by)


def _correction(row: AnyRow) -> Correction:
    return Correction(row.id, row.made_at, row.made_by, row.what, row.restore, row.undone_at, row.undone_by)
