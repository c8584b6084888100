"""The tables of gear, care and files. Rides are in tables_rides.py, messages in tables_reminders.py."""

from __future__ import annotations

from sqlalchemy import (
    JSON,
    BigInteger,
    Boolean,
    CheckConstraint,
    Column,
    Float,
    ForeignKey,
    Index,
    Integer,
    String,
    Table,
)

from rules.vocabulary import ReadingTool, Regime, TreatmentKind
from services.store.columns import LEDGER, Instant, known, not_negative, number, one_of, share, spans

rider = Table(
    "rider",
    LEDGER,
    number(),
    known("name", String),
    known("name_key", String, unique=True),  # casefolded: names differ by more than case
    Column("email", String),
    known("time_zone", String),
)

bike = Table(
    "bike",
    LEDGER,
    number(),
    known("name", String),
    known("name_key", String, unique=True),
    known("owner", Integer, ForeignKey("rider.id")),
    known("unpaved_share", Float),
    known("chainrings", JSON),
    known("cogs", JSON),
    Column("wheel_circumference_m", Float),
    known("indoor", Boolean),
    Column("from_at", Instant),
    Column("until_at", Instant),
    share("unpaved_share"),
    spans("from_at", "until_at"),
    CheckConstraint("wheel_circumference_m > 0.5 AND wheel_circumference_m < 3.5", name="wheel_possible"),
)

sensor = Table(
    "sensor",
    LEDGER,
    number(),
    known("kind", String),
    known("identity", String),
    known("bike", Integer, ForeignKey("bike.id")),
    Column("from_at", Instant),
    Column("until_at", Instant),
    Index("ix_sensor_identity", "identity"),
    spans("from_at", "until_at"),
)

chain = Table(
    "chain",
    LEDGER,
    number(),
    known("name", String),
    known("name_key", String, unique=True),
    known("regime", String),
    Column("speeds", Integer),
    Column("links", Integer),
    Column("price", Float),
    Column("acquired_at", Instant),
    Column("retired_at", Instant),
    one_of("regime", Regime, "regime_known"),
    CheckConstraint("speeds >= 1 AND speeds <= 16", name="speeds_possible"),
    CheckConstraint("links >= 1 AND links <= 400", name="links_possible"),
    not_negative("price"),
    spans("acquired_at", "retired_at"),
)

fitting = Table(
    "fitting",
    LEDGER,
    number(),
    known("chain", Integer, ForeignKey("chain.id"), index=True),
    known("bike", Integer, ForeignKey("bike.id"), index=True),
    known("fitted_at", Instant),
    Column("removed_at", Instant),
    spans("fitted_at", "removed_at"),
)

treatment = Table(
    "treatment",
    LEDGER,
    number(),
    known("chain", Integer, ForeignKey("chain.id"), index=True),
    known("kind", String),
    known("done_at", Instant),
    Column("minutes", Float),
    Column("cost", Float),
    known("note", String),
    one_of("kind", TreatmentKind, "kind_known"),
    not_negative("minutes", "cost"),
)

reading = Table(
    "reading",
    LEDGER,
    number(),
    known("chain", Integer, ForeignKey("chain.id"), index=True),
    known("tool", String),
    known("taken_at", Instant),
    Column("over_pct", Float),
    Column("under_pct", Float),
    Column("exact_pct", Float),
    known("note", String),
    known("instrument", String, default=""),
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

wipe_test = Table(
    "wipe_test",
    LEDGER,
    number(),
    known("chain", Integer, ForeignKey("chain.id"), index=True),
    known("done_at", Instant),
    known("grade", Integer),
    CheckConstraint("grade >= 0 AND grade <= 4", name="grade_0_to_4"),
)

# Two like chains that take turns on one bike.
trial = Table(
    "trial",
    LEDGER,
    number(),
    known("bike", Integer, ForeignKey("bike.id"), index=True),
    known("waxed", Integer, ForeignKey("chain.id")),
    known("control", Integer, ForeignKey("chain.id")),
    known("started_at", Instant),
    known("block_km", Float),
    known("seed", Integer),
    Column("ended_at", Instant),
    CheckConstraint("waxed <> control", name="two_chains"),
    CheckConstraint("block_km > 0", name="turns_have_length"),
)

# A bath, a bottle or a pack that was begun.
supply = Table(
    "supply",
    LEDGER,
    number(),
    known("kind", String),
    known("amount", Float),
    known("begun_at", Instant),
    known("name", String),
    Column("a_use", Float),
    Column("ended_at", Instant),
    Column("price", Float),
    CheckConstraint("amount > 0", name="holds_something"),
    CheckConstraint("a_use > 0", name="a_use_takes_something"),
    CheckConstraint("price >= 0", name="price_not_below_nothing"),
)

# Limits and weights that a rider set in one go.
own_limits = Table(
    "own_limits",
    LEDGER,
    number(),
    known("set_at", Instant),
    known("limits", JSON),  # scope, owner, key and value of each
    known("because", String),
)

# A fact that its owner took back. The fact stays; while the retraction stands, nothing counts it.
retraction = Table(
    "retraction",
    LEDGER,
    number(),
    known("kind", String),  # ride, fitting, treatment, reading, wipe test, …
    known("fact_id", Integer),
    known("made_at", Instant),
    known("made_by", String),
    known("why", String),
    Column("undone_at", Instant),
    Column("undone_by", String),
    Index("ix_retraction_fact", "kind", "fact_id"),
)

# A path with the size and time it had when its bytes were read, so that they need not be read again.
file_path = Table(
    "file_path",
    LEDGER,
    Column("path", String, primary_key=True),
    known("size_bytes", BigInteger),
    known("mtime_s", Float),
)

# Something a rider said, as the command it was, with what it changed. Undone by marking.
change = Table(
    "change",
    LEDGER,
    number(),
    known("made_at", Instant),
    known("made_by", String),
    known("what", String),
    Column("command", JSON(none_as_null=True)),
    known("made", Integer),  # the number of the fact it made; 0 = none
    known("made_rows", JSON),  # rows of ride_word or ride_assignment that it made
    known("effect", JSON),  # facts as they were that it changed, and which it made
    Column("undone_at", Instant),
    Column("undone_by", String),
    Column("undone_with", Integer, ForeignKey("change.id")),
)

# Bookkeeping by name: when a round last ran and how it went.
note = Table(
    "note",
    LEDGER,
    Column("name", String, primary_key=True),
    known("value", JSON),
    known("written_at", Instant),
)

# A chain that has to be derived anew; written by the marks alone, in the transaction of the fact.
chain_dirty = Table(
    "chain_dirty",
    LEDGER,
    Column("chain", Integer, primary_key=True),
)

# What was derived of a chain and until when it holds; may be dropped at any time.
chain_state = Table(
    "chain_state",
    LEDGER,
    Column("chain", Integer, primary_key=True),
    Column("look_at", Instant, index=True),  # time alone may change it from then on
    known("worn", String),  # what the wear model hears of it, as JSON
    known("measured", Boolean),
    known("version", BigInteger, server_default="0"),  # the write it is of
)

# One row: how many writing transactions have been committed. A page's cache is good while it stands.
write_count = Table(
    "write_count",
    LEDGER,
    number(),
    known("writes", BigInteger),
)
