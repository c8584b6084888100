"""The tables of reminders, the dated steps of their lives, and the letters that carry them."""

from datetime import datetime

from sqlalchemy import CheckConstraint, UniqueConstraint, text
from sqlmodel import Field

from rules.reminder import ReminderKind, Step
from rules.vocabulary import Condition
from services.store.tables import NumberedRow, Row, one_of, part, table_of

_OPEN = text("is_open")
_WAITING = text("delivered_at IS NULL AND refused_at IS NULL AND cancelled_at IS NULL")
_REFUSED = text("refused_at IS NOT NULL")


class ReminderRow(NumberedRow, table=True):
    __table_args__ = (
        one_of("kind", ReminderKind, "kind_known"),
        part("uq_reminder_open_cause", "cause_key", where=_OPEN, unique=True),
    )
    cause_key: str = Field(index=True)
    is_open: bool  # mirrors the last step: one cause has at most one open reminder
    kind: str
    chain: int = Field(foreign_key="chain.id", index=True)
    rider: int = Field(foreign_key="rider.id", index=True)
    bike: int | None = Field(default=None, foreign_key="bike.id")
    cause_at: datetime
    headline: str
    sentence: str
    total: float
    limit_value: float
    unit: str
    unknown_h: float
    rulebook_version: str
    urgency: int


class ReminderReasonRow(NumberedRow, table=True):
    """One line of a reminder's ledger, in order; rewritten when a standing reminder is judged anew."""

    __table_args__ = (
        UniqueConstraint("reminder", "position"),
        one_of("condition_word", Condition, "condition_known"),
    )
    reminder: int = Field(foreign_key="reminder.id")
    position: int
    at: datetime
    text: str
    ride: int | None = Field(default=None, foreign_key="ride.id")
    condition_word: str | None = None
    drive_h: float | None = None
    weight: float | None = None
    grit_h: float | None = None
    total: float | None = None
    weather: str


class ReminderStepRow(NumberedRow, table=True):
    __table_args__ = (one_of("step", Step, "step_known"),)
    reminder: int = Field(foreign_key="reminder.id", index=True)
    step: str
    at: datetime
    made_by: str
    why: str
    put_off_until: datetime | None = None
    treatment: int | None = Field(default=None, foreign_key="treatment.id")


class LetterRow(NumberedRow, table=True):
    """One message for one rider by one channel: the outbox. It ends delivered, refused or cancelled."""

    __table_args__ = (
        CheckConstraint("attempts >= 0", name="attempts_counted"),
        part("ix_letter_waiting", "not_before", where=_WAITING),
        part("ix_letter_refused", "not_before", where=_REFUSED),
    )
    rider: int = Field(foreign_key="rider.id", index=True)
    channel: str
    addressed_to: str
    subject: str
    text: str
    html: str
    facts: str
    due_at: datetime | None = None
    message_id: str = Field(unique=True)  # fixed here, before the first attempt: a repeat is recognisable
    queued_at: datetime
    not_before: datetime  # the next attempt, pushed on by failures
    leased_until: datetime | None = None
    attempts: int
    last_why: str
    delivered_at: datetime | None = None
    refused_at: datetime | None = None
    cancelled_at: datetime | None = None


class LetterReminderRow(Row, table=True):
    """Which reminders a letter speaks of: one letter may carry several chains."""

    letter: int = Field(primary_key=True, foreign_key="letter.id")
    reminder: int = Field(primary_key=True, foreign_key="reminder.id", index=True)


class AnsweredLinkRow(Row, table=True):
    """A link of a mail that was used: it answers once. mark: of the link, which cannot be made from it."""

    mark: str = Field(primary_key=True)
    used_at: datetime


reminder = table_of(ReminderRow)
reminder_reason = table_of(ReminderReasonRow)
reminder_step = table_of(ReminderStepRow)
letter = table_of(LetterRow)
letter_reminder = table_of(LetterReminderRow)
answered_link = table_of(AnsweredLinkRow)

# Spelt as the partial index spells it: SQLite uses one only for the very same words.
IS_OPEN = text("reminder.is_open")
