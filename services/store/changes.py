"""The log of everything that riders said: numbered commands, each with what it changed. Undone by marking."""

from __future__ import annotations

from collections.abc import Hashable
from dataclasses import dataclass
from datetime import datetime
from functools import cache
from typing import Any, cast, get_type_hints

from sqlalchemy import ColumnElement, func, select, true

from rules.commands import COMMANDS, Amend, Command
from rules.gate.effects import NO_EFFECT, Effect
from rules.vocabulary import Bike, Chain, Rider
from services.store.errors import FactRefused
from services.store.repository import Repository
from services.store.rows_of_facts import Shape
from services.store.tables import change

_THINGS: dict[str, type] = {"rider": Rider, "bike": Bike, "chain": Chain}
BY_NAME = {kind.__name__: kind for kind in COMMANDS}


@dataclass(frozen=True, slots=True)
class Change:
    """One entry of the log.

    what: one sentence.  command: what was said; None = kept before commands were.  made: the number of the
    fact it made, 0 = none; rows: rows of the ride tables it made.  undone_with: the entry whose undoing took
    this one along.
    """

    number: int
    at: datetime
    by: str
    what: str
    command: Command | None
    made: int = 0
    rows: tuple[int, ...] = ()
    effect: Effect = NO_EFFECT
    undone_at: datetime | None = None
    undone_by: str | None = None
    undone_with: int | None = None


class Changes(Repository):
    """What was said, newest last, and whether it was undone."""

    def add(
        self,
        what: str,
        command: Command,
        *,
        made: int,
        rows: tuple[int, ...],
        effect: Effect,
        at: datetime,
        by: str,
    ) -> Change:
        """Keep what was said, with what it changed."""
        number = self._insert(
            change,
            made_at=at,
            made_by=by,
            what=what,
            command=command_json(command),
            made=made,
            made_rows=list(rows),
            effect=_effects().dump_python(effect, mode="json"),
        )
        return Change(number, at, by, what, command, made, rows, effect)

    def get(self, number: int) -> Change:
        """The entry of that number. Raises NotFound."""
        found = self._made(_CHANGE, select(*_CHANGE.columns).where(change.c.id == number))
        return self._only(found, change, number, "change")

    def all_(self, limit: int = 2**31 - 1, *, offset: int = 0, text: str = "") -> tuple[Change, ...]:
        """Every entry, undone ones too, newest first; `limit` of them. text: of what was said."""
        query = select(*_CHANGE.columns).where(_saying(text)).order_by(change.c.id.desc())
        return self._made(_CHANGE, query.limit(limit).offset(offset))

    def count(self, *, text: str = "") -> int:
        """How many entries there are with these words."""
        return self._connection.scalar(select(func.count()).select_from(change).where(_saying(text))) or 0

    def standing(self, since: int = 0) -> tuple[Change, ...]:
        """Entries from this number on that were not undone, oldest first."""
        query = select(*_CHANGE.columns).where(change.c.undone_at.is_(None), change.c.id >= since)
        return self._made(_CHANGE, query.order_by(change.c.id))

    def last(self) -> Change | None:
        """The newest entry that was not undone."""
        query = (
            select(*_CHANGE.columns).where(change.c.undone_at.is_(None)).order_by(change.c.id.desc()).limit(1)
        )
        return next(iter(self._made(_CHANGE, query)), None)

    def keep_effect(self, number: int, effect: Effect) -> None:
        """What an entry changes, now that an earlier one is undone."""
        self._update(change, number, effect=_effects().dump_python(effect, mode="json"))

    def mark_undone(self, number: int, *, at: datetime, by: str, along_with: int | None = None) -> None:
        """Keep that an entry was undone. Raises NotFound, or FactRefused when it was already."""
        if self.get(number).undone_at is not None:
            raise FactRefused(f"Change {number} was undone already.")
        self._update(change, number, undone_at=at, undone_by=by, undone_with=along_with)


def _saying(text: str) -> ColumnElement[bool]:
    return change.c.what.icontains(text, autoescape=True) if text else true()


def command_json(command: Command) -> dict[str, Any]:
    """A command as JSON: its name and its values."""
    kind: type = type(command)
    return {"name": kind.__name__, "values": _adapter(kind).dump_python(command, mode="json")}


def command_from(kept: dict[str, Any] | None) -> Command | None:
    """The command that command_json wrote."""
    if kept is None:
        return None
    command: Command = _adapter(BY_NAME[kept["name"]]).validate_python(kept["values"])
    if isinstance(command, Amend):
        # JSON has no instants: which value is one is known from the thing that is amended.
        types = get_type_hints(_THINGS[command.what])
        values = {name: _adapter(types[name]).validate_python(v) for name, v in command.values.items()}
        command = Amend(command.what, command.number, values)
    return command


@cache
def _adapter(kind: Hashable) -> Any:
    from pydantic import TypeAdapter  # slow to load, and most commands of a day only read

    return TypeAdapter(cast("type", kind))


def _effects() -> Any:
    return _adapter(Effect)


_CHANGE = Shape(
    Change,
    change,
    called={"number": "id", "at": "made_at", "by": "made_by", "rows": "made_rows"},
    command=command_from,
    rows=tuple,
    effect=lambda kept: _effects().validate_python(kept),
)
