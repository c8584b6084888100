"""What our tables are made of: their columns, their constraints, and the one list of them all.

Facts are rows with a date and are not edited; where a row does change, a comment says what a column mirrors.
Null means "not known", never zero: a column is `known` where that cannot be.
Words of an enum are stored as the word itself, so that the database can be read without the program.
"""

from __future__ import annotations

from collections.abc import Iterable
from datetime import UTC, datetime
from enum import StrEnum
from typing import Any

from sqlalchemy import (
    CheckConstraint,
    Column,
    DateTime,
    Dialect,
    Index,
    Integer,
    MetaData,
    TextClause,
    TypeDecorator,
)

LEDGER = MetaData(
    naming_convention={
        "ix": "ix_%(table_name)s_%(column_0_N_name)s",
        "uq": "uq_%(table_name)s_%(column_0_N_name)s",
        "ck": "ck_%(table_name)s_%(constraint_name)s",
        "fk": "fk_%(table_name)s_%(column_0_N_name)s",
        "pk": "pk_%(table_name)s",
    }
)


class Instant(TypeDecorator[datetime]):
    """Aware times alone: UTC in the database, UTC out of it. SQLite keeps no offset, so it is added here."""

    impl = DateTime(timezone=True)
    cache_ok = True

    def process_bind_param(self, value: datetime | None, _: Dialect) -> datetime | None:
        """As it is stored. Raises ValueError, which the store tells as FactRefused."""
        if value is not None and value.utcoffset() is None:
            raise ValueError(f"{value.isoformat()} does not say its timezone")
        return value and value.astimezone(UTC)

    def process_result_value(self, value: datetime | None, _: Dialect) -> datetime | None:
        """As it is read."""
        return value and (
            value.astimezone(UTC) if value.utcoffset() is not None else value.replace(tzinfo=UTC)
        )


def number() -> Column[int]:
    """What a row is known by, counted up."""
    return Column("id", Integer, primary_key=True)


def known(name: str, *kind: Any, **how: Any) -> Column[Any]:
    """A column that always holds something."""
    return Column(name, *kind, nullable=False, **how)


def one_of(column: str, words: Iterable[StrEnum], name: str) -> CheckConstraint:
    """The constraint that a column holds one of an enum's words."""
    listed = ", ".join("'" + word.value.replace("'", "''") + "'" for word in words)
    return CheckConstraint(f"{column} IN ({listed})", name=name)


def share(column: str) -> CheckConstraint:
    """The constraint that a column is a share, 0..1, or not known."""
    return CheckConstraint(f"{column} >= 0 AND {column} <= 1", name=f"{column}_is_a_share")


def not_negative(*columns: str) -> CheckConstraint:
    """The constraint that none of these columns is below zero."""
    return CheckConstraint(" AND ".join(f"{column} >= 0" for column in columns), name="not_negative")


def spans(start: str, end: str) -> CheckConstraint:
    """The constraint that a span ends after it starts; an end or start not known is fine."""
    return CheckConstraint(f"{end} IS NULL OR {start} IS NULL OR {end} >= {start}", name="ends_after_start")


def part(name: str, *columns: str, where: TextClause, unique: bool = False) -> Index:
    """An index of those rows alone.

    The migrations say it to both databases; said to both here, SQLAlchemy would load all that it knows of
    PostgreSQL whenever the tables are imported.
    """
    return Index(name, *columns, unique=unique, sqlite_where=where)
