"""What the facets of a transaction share: one connection, and plain ways to put rows in and get them out."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any, TypeAlias, TypeVar

from sqlalchemy import ColumnElement, Connection, Select, Table, func, select

from services.store.errors import NotFound
from services.store.rows_of_facts import Family, Shape

Made = TypeVar("Made")

AnyRow: TypeAlias = Any  # a row; its columns are known by name, not by type


class Repository:
    """One family of facts, seen through a transaction's connection."""

    def __init__(self, connection: Connection) -> None:
        self._connection = connection

    def _all(self, query: Select[Any]) -> Sequence[AnyRow]:
        return self._connection.execute(query).all()

    def _made(self, shape: Shape[Made], query: Select[Any]) -> tuple[Made, ...]:
        """What the rows hold that a query selects in the order of the shape's columns."""
        return tuple(shape.of(row) for row in self._all(query))

    def _only(self, found: Sequence[Made], table: Table, row_id: int, what: str) -> Made:
        """The one that was found. Raises NotFound."""
        if not found:
            raise self._not_found(table, row_id, what)
        return found[0]

    def _grouped(self, shape: Shape[Made], query: Select[Any]) -> dict[int, list[Made]]:
        """The same by the number that stands before the shape's columns."""
        found: dict[int, list[Made]] = {}
        for number, *row in self._all(query):
            found.setdefault(number, []).append(shape.of(row))
        return found

    def _standing(self, family: Family[Made], *where: ColumnElement[bool]) -> tuple[Made, ...]:
        """The facts of a family that nobody took back, in their order."""
        return self._made(family, family.standing.where(*where))

    def _insert(self, table: Table, **values: Any) -> int:
        result = self._connection.execute(table.insert().values(**values))
        key = result.inserted_primary_key
        assert key is not None
        return int(key[0])

    def _insert_many(self, table: Table, rows: Sequence[Mapping[str, Any]]) -> None:
        if rows:
            self._connection.execute(table.insert(), list(rows))

    def _update(self, table: Table, row_id: int, **values: Any) -> None:
        self._connection.execute(table.update().where(table.c.id == row_id).values(**values))

    def _row(self, table: Table, row_id: int, what: str) -> AnyRow:
        row = self._connection.execute(select(table).where(table.c.id == row_id)).first()
        if row is None:
            raise self._not_found(table, row_id, what)
        return row

    def _not_found(self, table: Table, row_id: int, what: str) -> NotFound:
        return NotFound(what, row_id, highest=self._connection.scalar(select(func.max(table.c.id))))


def storable(text: str) -> str:
    """The text as any database takes it: file names may hold bytes that are no characters, and NUL."""
    return text.encode("utf-8", "surrogateescape").decode("utf-8", "backslashreplace").replace("\0", "\\x00")
