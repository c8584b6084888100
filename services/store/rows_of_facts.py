"""How dataclasses stand in tables: a column for each field, words and lists as the database has them."""

from __future__ import annotations

from collections.abc import Callable, Collection, Mapping, Sequence
from dataclasses import asdict, fields, is_dataclass
from enum import Enum
from functools import cached_property
from operator import attrgetter
from typing import Any, Generic, TypeVar

from sqlalchemy import Column, Select, Table, exists, select

from rules.ledger import FAMILIES as NAMES
from rules.vocabulary import (
    Bike,
    Chain,
    Fitting,
    OwnLimits,
    OwnValue,
    Reading,
    ReadingTool,
    Regime,
    Rider,
    Sensor,
    Supply,
    SupplyKind,
    Treatment,
    TreatmentKind,
    Trial,
    WipeTest,
)
from services.store import tables

Made = TypeVar("Made")


class Shape(Generic[Made]):
    """A dataclass as rows of a table, both ways."""

    def __init__(
        self,
        kind: type[Made],
        table: Table,
        /,
        *,
        called: Mapping[str, str] | None = None,
        beside: Collection[str] = (),
        **read: Callable[[Any], Any],
    ) -> None:
        """called: fields whose column has another name.  beside: fields that no column holds.

        read: what makes a field of its column, where that is not the value as it is.
        """
        self.names = tuple(one.name for one in fields(kind) if one.name not in beside)  # type: ignore[arg-type]
        self.table, self._kind, self._read = table, kind, tuple(read.items())
        self._called, self._fields = called or {}, attrgetter(*self.names)
        self._columns = tuple(self._called.get(name, name) for name in self.names)
        self.columns: tuple[Column[Any], ...] = tuple(table.c[name] for name in self._columns)

    def of(self, row: Sequence[Any], **beside: Any) -> Made:
        """What a row of `columns` holds."""
        values = dict(zip(self.names, row, strict=True))
        for name, read in self._read:
            values[name] = read(values[name])
        return self._kind(**values, **beside)

    def values(self, made: Made) -> dict[str, Any]:
        """The columns of what is to be kept, by name; its number is not among them."""
        values = dict(zip(self._columns, self._fields(made), strict=True))
        for name, _ in self._read:
            column = self._called.get(name, name)
            values[column] = _plain(values[column])
        values.pop("id", None)
        return values


class Family(Shape[Made]):
    """A family of facts that riders say and may take back."""

    def __init__(
        self, word: str, kind: type[Made], table: Table, by: str = "id", /, **read: Callable[[Any], Any]
    ) -> None:
        """word: what one of it is called.  by: the column whose order they come in."""
        super().__init__(kind, table, called=None, beside=(), **read)
        self.word, self._by = word, by

    @cached_property  # building it anew took a third of a quiet round
    def standing(self) -> Select[Any]:
        """A select of the facts that nobody took back, in their order."""
        order = dict.fromkeys((self._by, "id"))
        return (
            select(*self.columns)
            .where(~is_retracted(self.table, self.word))
            .order_by(*(self.table.c[name] for name in order))
        )


def is_retracted(table: Table, word: str) -> Any:
    """The condition that a row of this table was taken back."""
    taken_back = tables.retraction.c
    return exists().where(
        taken_back.kind == word, taken_back.fact_id == table.c.id, taken_back.undone_at.is_(None)
    )


def words_of(kind: type[Enum]) -> Callable[[Any], Any]:
    """What makes an enum's member of its word, ten times as quick as the enum; nothing stays nothing."""
    return {None: None, **{one.value: one for one in kind}}.__getitem__


def _plain(value: Any) -> Any:
    if isinstance(value, Enum):
        return value.value
    if isinstance(value, tuple):
        return [_plain(one) for one in value]
    return asdict(value) if is_dataclass(value) and not isinstance(value, type) else value


def _own_values(limits: list[dict[str, Any]]) -> tuple[OwnValue, ...]:
    return tuple(OwnValue(**one) for one in limits)


RIDERS = Family("rider", Rider, tables.rider)
BIKES = Family("bike", Bike, tables.bike, chainrings=tuple, cogs=tuple)
SENSORS = Family("sensor", Sensor, tables.sensor)
CHAINS = Family("chain", Chain, tables.chain, regime=words_of(Regime))
FITTINGS = Family("fitting", Fitting, tables.fitting, "fitted_at")
TREATMENTS = Family("treatment", Treatment, tables.treatment, "done_at", kind=words_of(TreatmentKind))
READINGS = Family("reading", Reading, tables.reading, "taken_at", tool=words_of(ReadingTool))
WIPE_TESTS = Family("wipe test", WipeTest, tables.wipe_test, "done_at")
TRIALS = Family("trial", Trial, tables.trial, "started_at")
SUPPLIES = Family("supply", Supply, tables.supply, "begun_at", kind=words_of(SupplyKind))
OWN_LIMITS = Family("own limits", OwnLimits, tables.own_limits, limits=_own_values)
FAMILIES: dict[str, Family[Any]] = {
    "riders": RIDERS,
    "bikes": BIKES,
    "sensors": SENSORS,
    "chains": CHAINS,
    "fittings": FITTINGS,
    "treatments": TREATMENTS,
    "readings": READINGS,
    "wipe_tests": WIPE_TESTS,
    "trials": TRIALS,
    "supplies": SUPPLIES,
    "own_limits": OWN_LIMITS,
}
assert tuple(FAMILIES) == NAMES
