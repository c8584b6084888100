"""Facts about equipment and care, written as the difference between the ledger before and the one after."""

from __future__ import annotations

from datetime import datetime
from typing import Any

from sqlalchemy import func, select

from rules.ledger import Ledger
from services.store.repository import Repository
from services.store.retractions import Retractions
from services.store.rows_of_facts import FAMILIES, Family


class Facts(Repository):
    """The one way in for what the gate let pass. Nothing is deleted: what no longer counts is marked."""

    def next_number(self, family: str) -> int:
        """The number that the next fact of a family gets. Good under the right to write."""
        table = FAMILIES[family].table
        if self._connection.dialect.name == "postgresql":
            return int(
                self._connection.scalar(select(func.nextval(func.pg_get_serial_sequence(table.name, "id"))))
                or 0
            )
        return int(self._connection.scalar(select(func.coalesce(func.max(table.c.id), 0))) or 0) + 1

    def write(self, before: Ledger, after: Ledger, *, at: datetime, by: str, why: str) -> None:
        """Make the facts those of `after`; rides are not touched. why: kept with what counts no more."""
        for name, family in FAMILIES.items():
            old = {one.id: one for one in getattr(before, name)}
            new = {one.id: one for one in getattr(after, name)}
            # What goes makes room first: a name, a place on a bike.
            for number in old.keys() - new.keys():
                self._withdraw(family, number, at, by, why)
            for number, fact in new.items():
                if number not in old:
                    self._bring(family, fact, at, by)
                elif old[number] != fact:
                    self._update(family.table, number, **_values(family, fact))

    def _withdraw(self, family: Family[Any], number: int, at: datetime, by: str, why: str) -> None:
        if "name_key" in family.table.c:  # no name begins so: the name is free again
            self._update(family.table, number, name_key=f" {number}")
        Retractions(self._connection).take_back(family.table, family.word, number, at=at, by=by, why=why)

    def _bring(self, family: Family[Any], fact: Any, at: datetime, by: str) -> None:
        table = family.table
        if self._connection.scalar(select(table.c.id).where(table.c.id == fact.id)) is None:
            self._insert(table, id=fact.id, **_values(family, fact))
            return
        Retractions(self._connection).put_back(family.word, fact.id, at=at, by=by)
        self._update(table, fact.id, **_values(family, fact))


def _values(family: Family[Any], fact: Any) -> dict[str, Any]:
    """A fact's columns, and the key of its name."""
    values = family.values(fact)
    return values | ({"name_key": fact.name.casefold()} if "name_key" in family.table.c else {})
