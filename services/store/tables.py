"""The tables of gear, care and files. Rides are in tables_rides.py, messages in tables_reminders.py.

Facts are rows with a date and are not edited; where a row does change, the column says what it mirrors.
Every instant is aware UTC (SQLModel refuses naive ones). Null means "not known", never zero.
Words of an enum are stored as the word itself, so that the database can be read without the program.
Annotations are no strings here: each would be read again whenever the program starts.
"""

import re
from collections.abc import Iterable
from datetime import datetime
from enum import StrEnum
from typing import Any, cast

from pydantic import ConfigDict
from sqlalchemy import JSON, BigInteger, CheckConstraint, Column, Index, Table, TextClause
from sqlalchemy.orm import declared_attr
from sqlmodel import Field, SQLModel

from rules.vocabulary import ReadingTool, Regime, TreatmentKind

SQLModel.metadata.naming_convention = {
    "ix": "ix_%(table_name)s_%(column_0_N_name)s",
    "uq": "uq_%(table_name)s_%(column_0_N_name)s",
    "ck": "ck_%(table_name)s_%(constraint_name)s",
    "fk": "fk_%(table_name)s_%(column_0_N_name)s",
    "pk": "pk_%(table_name)s",
}


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


def json_column() -> Any:
    """A column of JSON that is never null."""
    return Field(default=None, sa_column=Column(JSON, nullable=False))


class Row(SQLModel):
    """What the models share: they describe tables and check no values, so nothing is built to check them.

    A table is called what its model is: RideHourRow's is `ride_hour`.
    """

    model_config = ConfigDict(defer_build=True)  # type: ignore[assignment]

    @declared_attr.directive
    def __tablename__(cls) -> str:  # noqa: N805 - SQLAlchemy hands over the class
        name = cls.__name__.removesuffix("Row")
        return re.sub(r"(?<!^)(?=[A-Z])", "_", name).lower()


class NumberedRow(Row):
    """Rows that have a number of their own."""

    id: int | None = Field(default=None, primary_key=True)


def part(name: str, *columns: str, where: TextClause, unique: bool = False) -> Index:
    """An index of those rows alone.

    The migrations say it to both databases; said to both here, SQLAlchemy would load all that it knows of
    PostgreSQL whenever the tables are imported.
    """
    return Index(name, *columns, unique=unique, sqlite_where=where)


def table_of(row: type[SQLModel]) -> Table:
    """The Core table behind a model, for selects in bulk."""
    return cast("Table", row.__table__)  # type: ignore[attr-defined]


class RiderRow(NumberedRow, table=True):
    name: str
    name_key: str = Field(unique=True)  # casefolded: names differ by more than case
    email: str | None = None
    time_zone: str


class BikeRow(NumberedRow, table=True):
    __table_args__ = (
        share("unpaved_share"),
        spans("from_at", "until_at"),
        CheckConstraint("wheel_circumference_m > 0.5 AND wheel_circumference_m < 3.5", name="wheel_possible"),
    )
    name: str
    name_key: str = Field(unique=True)
    owner: int = Field(foreign_key="rider.id")
    unpaved_share: float
    chainrings: list[int] = json_column()
    cogs: list[int] = json_column()
    wheel_circumference_m: float | None = None
    indoor: bool
    from_at: datetime | None = None
    until_at: datetime | None = None


class SensorRow(NumberedRow, table=True):
    __table_args__ = (Index("ix_sensor_identity", "identity"), spans("from_at", "until_at"))
    kind: str
    identity: str
    bike: int = Field(foreign_key="bike.id")
    from_at: datetime | None = None
    until_at: datetime | None = None


class ChainRow(NumberedRow, table=True):
    __table_args__ = (
        one_of("regime", Regime, "regime_known"),
        CheckConstraint("speeds >= 1 AND speeds <= 16", name="speeds_possible"),
        CheckConstraint("links >= 1 AND links <= 400", name="links_possible"),
        not_negative("price"),
        spans("acquired_at", "retired_at"),
    )
    name: str
    name_key: str = Field(unique=True)
    regime: str
    speeds: int | None = None
    links: int | None = None
    price: float | None = None
    acquired_at: datetime | None = None
    retired_at: datetime | None = None


class FittingRow(NumberedRow, table=True):
    __table_args__ = (spans("fitted_at", "removed_at"),)
    chain: int = Field(foreign_key="chain.id", index=True)
    bike: int = Field(foreign_key="bike.id", index=True)
    fitted_at: datetime
    removed_at: datetime | None = None


class TreatmentRow(NumberedRow, table=True):
    __table_args__ = (one_of("kind", TreatmentKind, "kind_known"), not_negative("minutes", "cost"))
    chain: int = Field(foreign_key="chain.id", index=True)
    kind: str
    done_at: datetime
    minutes: float | None = None
    cost: float | None = None
    note: str


class ReadingRow(NumberedRow, table=True):
    __table_args__ = (
        one_of("tool", ReadingTool, "tool_known"),
        CheckConstraint(
            "under_pct IS NULL OR over_pct IS NULL OR over_pct < under_pct", name="interval_in_order"
        ),
        CheckConstraint("exact_pct > -1 AND exact_pct < 5", name="exact_possible"),
        CheckConstraint("over_pct >= 0 AND over_pct < 5", name="over_possible"),
        CheckConstraint("under_pct > 0 AND under_pct < 5", name="under_possible"),
        CheckConstraint(
            "(tool = 'gauge' AND exact_pct IS NULL AND (over_pct IS NOT NULL OR under_pct IS NOT NULL))"
            " OR (tool <> 'gauge' AND exact_pct IS NOT NULL AND over_pct IS NULL AND under_pct IS NULL)",
            name="value_fits_tool",
        ),
    )
    chain: int = Field(foreign_key="chain.id", index=True)
    tool: str
    taken_at: datetime
    over_pct: float | None = None
    under_pct: float | None = None
    exact_pct: float | None = None
    note: str
    instrument: str = ""


class WipeTestRow(NumberedRow, table=True):
    __table_args__ = (CheckConstraint("grade >= 0 AND grade <= 4", name="grade_0_to_4"),)
    chain: int = Field(foreign_key="chain.id", index=True)
    done_at: datetime
    grade: int


class TrialRow(NumberedRow, table=True):
    """Two like chains that take turns on one bike."""

    __table_args__ = (
        CheckConstraint("waxed <> control", name="two_chains"),
        CheckConstraint("block_km > 0", name="turns_have_length"),
    )
    bike: int = Field(foreign_key="bike.id", index=True)
    waxed: int = Field(foreign_key="chain.id")
    control: int = Field(foreign_key="chain.id")
    started_at: datetime
    block_km: float
    seed: int
    ended_at: datetime | None = None


class SupplyRow(NumberedRow, table=True):
    """A bath, a bottle or a pack that was begun."""

    __table_args__ = (
        CheckConstraint("amount > 0", name="holds_something"),
        CheckConstraint("a_use > 0", name="a_use_takes_something"),
        CheckConstraint("price >= 0", name="price_not_below_nothing"),
    )
    kind: str
    amount: float
    begun_at: datetime
    name: str
    a_use: float | None = None
    ended_at: datetime | None = None
    price: float | None = None


class OwnLimitsRow(NumberedRow, table=True):
    """Limits and weights that a rider set in one go."""

    set_at: datetime
    limits: list[dict[str, Any]] = json_column()  # scope, owner, key and value of each
    because: str


class RetractionRow(NumberedRow, table=True):
    """A fact that its owner took back. The fact stays; while the retraction stands, nothing counts it."""

    __table_args__ = (Index("ix_retraction_fact", "kind", "fact_id"),)
    kind: str  # ride, fitting, treatment, reading, wipe test, …
    fact_id: int
    made_at: datetime
    made_by: str
    why: str
    undone_at: datetime | None = None
    undone_by: str | None = None


class FilePathRow(Row, table=True):
    """A path with the size and time it had when its bytes were read, so that they need not be read again."""

    path: str = Field(primary_key=True)
    size_bytes: int = Field(sa_type=BigInteger)
    mtime_s: float


class ChangeRow(NumberedRow, table=True):
    """Something a rider said, as the command it was, with what it changed. Undone by marking."""

    made_at: datetime
    made_by: str
    what: str
    command: dict[str, Any] | None = Field(
        default=None, sa_column=Column(JSON(none_as_null=True), nullable=True)
    )
    made: int  # the number of the fact it made; 0 = none
    made_rows: list[int] = json_column()  # rows of ride_word or ride_assignment that it made
    effect: dict[str, Any] = json_column()  # facts as they were that it changed, and which it made
    undone_at: datetime | None = None
    undone_by: str | None = None
    undone_with: int | None = Field(default=None, foreign_key="change.id")


class NoteRow(Row, table=True):
    """Bookkeeping by name: when a round last ran and how it went."""

    name: str = Field(primary_key=True)
    value: Any = json_column()
    written_at: datetime


class ChainDirtyRow(Row, table=True):
    """A chain that has to be derived anew; written by the marks alone, in the transaction of the fact."""

    chain: int = Field(primary_key=True)


class ChainStateRow(Row, table=True):
    """What was derived of a chain and until when it holds; may be dropped at any time."""

    chain: int = Field(primary_key=True)
    look_at: datetime | None = Field(default=None, index=True)  # time alone may change it from then on
    worn: str  # what the wear model hears of it, as JSON
    measured: bool
    version: int = Field(sa_type=BigInteger, sa_column_kwargs={"server_default": "0"})  # the write it is of


class WriteCountRow(NumberedRow, table=True):
    """One row: how many writing transactions have been committed. A page's cache is good while it stands."""

    writes: int = Field(sa_type=BigInteger)


rider = table_of(RiderRow)
bike = table_of(BikeRow)
sensor = table_of(SensorRow)
chain = table_of(ChainRow)
fitting = table_of(FittingRow)
treatment = table_of(TreatmentRow)
reading = table_of(ReadingRow)
wipe_test = table_of(WipeTestRow)
trial = table_of(TrialRow)
supply = table_of(SupplyRow)
own_limits = table_of(OwnLimitsRow)
retraction = table_of(RetractionRow)
file_path = table_of(FilePathRow)
change = table_of(ChangeRow)
note = table_of(NoteRow)
chain_dirty = table_of(ChainDirtyRow)
chain_state = table_of(ChainStateRow)
write_count = table_of(WriteCountRow)
