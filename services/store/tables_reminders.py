"""The tables of reminders, the dated steps of their lives, and the letters that carry them."""

from __future__ import annotations

from sqlalchemy import (
    Boolean,
    CheckConstraint,
    Column,
    Float,
    ForeignKey,
    Integer,
    String,
    Table,
    UniqueConstraint,
    text,
)

from rules.reminder import ReminderKind, Step
from rules.vocabulary import Condition
from services.store.columns import LEDGER, Instant, known, number, one_of, part

_OPEN = text("is_open")
_WAITING = text("delivered_at IS NULL AND refused_at IS NULL AND cancelled_at IS NULL")
_REFUSED = text("refused_at IS NOT NULL")


reminder = Table(
    "reminder",
    LEDGER,
    number(),
    known("cause_key", String, index=True),
    known("is_open", Boolean),  # mirrors the last step: one cause has at most one open reminder
    known("kind", String),
    known("chain", Integer, ForeignKey("chain.id"), index=True),
    known("rider", Integer, ForeignKey("rider.id"), index=True),
    Column("bike", Integer, ForeignKey("bike.id")),
    known("cause_at", Instant),
    known("headline", String),
    known("sentence", String),
    known("total", Float),
    known("limit_value", Float),
    known("unit", String),
    known("unknown_h", Float),
    known("rulebook_version", String),
    known("urgency", Integer),
    one_of("kind", ReminderKind, "kind_known"),
    part("uq_reminder_open_cause", "cause_key", where=_OPEN, unique=True),
)

# One line of a reminder's ledger, in order; rewritten when a standing reminder is judged anew.
reminder_reason = Table(
    "reminder_reason",
    LEDGER,
    number(),
    known("reminder", Integer, ForeignKey("reminder.id")),
    known("position", Integer),
    known("at", Instant),
    known("text", String),
    Column("ride", Integer, ForeignKey("ride.id")),
    Column("condition_word", String),
    Column("drive_h", Float),
    Column("weight", Float),
    Column("grit_h", Float),
    Column("total", Float),
    known("weather", String),
    UniqueConstraint("reminder", "position"),
    one_of("condition_word", Condition, "condition_known"),
)

reminder_step = Table(
    "reminder_step",
    LEDGER,
    number(),
    known("reminder", Integer, ForeignKey("reminder.id"), index=True),
    known("step", String),
    known("at", Instant),
    known("made_by", String),
    known("why", String),
    Column("put_off_until", Instant),
    Column("treatment", Integer, ForeignKey("treatment.id")),
    one_of("step", Step, "step_known"),
)

# One message for one rider by one channel: the outbox. It ends delivered, refused or cancelled.
letter = Table(
    "letter",
    LEDGER,
    number(),
    known("rider", Integer, ForeignKey("rider.id"), index=True),
    known("channel", String),
    known("addressed_to", String),
    known("subject", String),
    known("text", String),
    known("html", String),
    known("facts", String),
    Column("due_at", Instant),
    known(
        "message_id", String, unique=True
    ),  # fixed here, before the first attempt: a repeat is recognisable
    known("queued_at", Instant),
    known("not_before", Instant),  # the next attempt, pushed on by failures
    Column("leased_until", Instant),
    known("attempts", Integer),
    known("last_why", String),
    Column("delivered_at", Instant),
    Column("refused_at", Instant),
    Column("cancelled_at", Instant),
    CheckConstraint("attempts >= 0", name="attempts_counted"),
    part("ix_letter_waiting", "not_before", where=_WAITING),
    part("ix_letter_refused", "not_before", where=_REFUSED),
)

# Which reminders a letter speaks of: one letter may carry several chains.
letter_reminder = Table(
    "letter_reminder",
    LEDGER,
    Column("letter", Integer, ForeignKey("letter.id"), primary_key=True),
    Column("reminder", Integer, ForeignKey("reminder.id"), primary_key=True, index=True),
)

# A link of a mail that was used: it answers once. mark: of the link, which cannot be made from it.
answered_link = Table(
    "answered_link",
    LEDGER,
    Column("mark", String, primary_key=True),
    known("used_at", Instant),
)
# Spelt as the partial index spells it: SQLite uses one only for the very same words.
IS_OPEN = text("reminder.is_open")
