"""Facts about equipment and care, written as the difference between the ledger before and the one after."""

from __future__ import annotations

from dataclasses import asdict, fields
from datetime import datetime
from enum import Enum
from typing import Any

from sqlalchemy import Table, func, select

from rules.gate.effects import FAMILIES
from rules.ledger import Ledger
from rules.vocabulary import OwnValue
from services.store import tables
from services.store.repository import Repository
from services.store.retractions import Retractions

# The table of each family, and what one of it is called where it is taken back.
_TABLES: dict[str, tuple[Table, str]] = {
    "riders": (tables.rider, "rider"),
    "bikes": (tables.bike, "bike"),
    "sensors": (tables.sensor, "sensor"),
    "chains": (tables.chain, "chain"),
    "fittings": (tables.fitting, "fitting"),
    "treatments": (tables.treatment, "treatment"),
    "readings": (tables.reading, "reading"),
    "wipe_tests": (tables.wipe_test, "wipe test"),
    "trials": (tables.trial, "trial"),
    "supplies": (tables.supply, "supply"),
    "own_limits": (tables.own_limits, "own limits"),
}
assert tuple(_TABLES) == FAMILIES


class Facts(Repository):
    """The one way in for what the gate let pass. Nothing is deleted: what no longer counts is marked."""

    def next_number(self, family: str) -> int:
        """The number that the next fact of a family gets. Good under the right to write."""
        table, _ = _TABLES[family]
        if self._connection.dialect.name == "postgresql":
            return int(
                self._connection.scalar(select(func.nextval(func.pg_get_serial_sequence(table.name, "id"))))
                or 0
            )
        return int(self._connection.scalar(select(func.coalesce(func.max(table.c.id), 0))) or 0) + 1

    def write(self, before: Ledger, after: Ledger, *, at: datetime, by: str, why: str) -> None:
        """Make the facts those of `after`; rides are not touched. why: kept with what counts no more."""
        for family in FAMILIES:
            old = {one.id: one for one in getattr(before, family)}
            new = {one.id: one for one in getattr(after, family)}
            # What goes makes room first: a name, a place on a bike.
            for number in old.keys() - new.keys():
                self._withdraw(family, number, at, by, why)
            for number, fact in new.items():
                if number not in old:
                    self._bring(family, fact, at, by)
                elif old[number] != fact:
                    table, _ = _TABLES[family]
                    self._update(table, number, **_values(table, fact))

    def _withdraw(self, family: str, number: int, at: datetime, by: str, why: str) -> None:
        table, kind = _TABLES[family]
        if "name_key" in table.c:
            self._update(table, number, name_key=f" {number}")  # no name begins so: the name is free again
        Retractions(self._connection).take_back(table, kind, number, at=at, by=by, why=why)

    def _bring(self, family: str, fact: Any, at: datetime, by: str) -> None:
        table, kind = _TABLES[family]
        known = self._connection.scalar(select(table.c.id).where(table.c.id == fact.id))
        if known is None:
            self._insert(table, id=fact.id, **_values(table, fact))
            return
        Retractions(self._connection).put_back(kind, fact.id, at=at, by=by)
        self._update(table, fact.id, **_values(table, fact))


def _values(table: Table, fact: Any) -> dict[str, Any]:
    """A fact's columns: its fields as the database keeps them, and the key of its name."""
    values = {one.name: getattr(fact, one.name) for one in fields(fact) if one.name != "id"}
    plain = {name: _plain(value) for name, value in values.items()}
    return plain | ({"name_key": fact.name.casefold()} if "name_key" in table.c else {})


def _plain(value: Any) -> Any:
    if isinstance(value, Enum):
        return value.value
    if isinstance(value, tuple):
        return [_plain(one) for one in value]
    return asdict(value) if isinstance(value, OwnValue) else value
