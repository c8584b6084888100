"""Reminders, their steps, and the letters that carry them."""

import sqlalchemy as sa
from alembic import op
from sqlmodel import AutoString, UTCDateTime

revision = "0003"
down_revision = "0002"
branch_labels = None
depends_on = None


def upgrade() -> None:
    op.create_table(
        "letter",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("rider", sa.Integer(), nullable=False),
        sa.Column("channel", AutoString(), nullable=False),
        sa.Column("addressed_to", AutoString(), nullable=False),
        sa.Column("subject", AutoString(), nullable=False),
        sa.Column("text", AutoString(), nullable=False),
        sa.Column("html", AutoString(), nullable=False),
        sa.Column("facts", AutoString(), nullable=False),
        sa.Column("due_at", UTCDateTime(), nullable=True),
        sa.Column("message_id", AutoString(), nullable=False),
        sa.Column("queued_at", UTCDateTime(), nullable=False),
        sa.Column("not_before", UTCDateTime(), nullable=False),
        sa.Column("leased_until", UTCDateTime(), nullable=True),
        sa.Column("attempts", sa.Integer(), nullable=False),
        sa.Column("last_why", AutoString(), nullable=False),
        sa.Column("delivered_at", UTCDateTime(), nullable=True),
        sa.Column("refused_at", UTCDateTime(), nullable=True),
        sa.Column("cancelled_at", UTCDateTime(), nullable=True),
        sa.CheckConstraint("attempts >= 0", name=op.f("ck_letter_attempts_counted")),
        sa.ForeignKeyConstraint(["rider"], ["rider.id"], name=op.f("fk_letter_rider")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_letter")),
        sa.UniqueConstraint("message_id", name=op.f("uq_letter_message_id")),
    )
    op.create_index(op.f("ix_letter_rider"), "letter", ["rider"], unique=False)
    op.create_index(
        "ix_letter_waiting",
        "letter",
        ["not_before"],
        unique=False,
        sqlite_where=sa.text("delivered_at IS NULL AND refused_at IS NULL AND cancelled_at IS NULL"),
        postgresql_where=sa.text("delivered_at IS NULL AND refused_at IS NULL AND cancelled_at IS NULL"),
    )
    op.create_table(
        "reminder",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("cause_key", AutoString(), nullable=False),
        sa.Column("is_open", sa.Boolean(), nullable=False),
        sa.Column("kind", AutoString(), nullable=False),
        sa.Column("chain", sa.Integer(), nullable=False),
        sa.Column("rider", sa.Integer(), nullable=False),
        sa.Column("bike", sa.Integer(), nullable=True),
        sa.Column("cause_at", UTCDateTime(), nullable=False),
        sa.Column("headline", AutoString(), nullable=False),
        sa.Column("sentence", AutoString(), nullable=False),
        sa.Column("total", sa.Float(), nullable=False),
        sa.Column("limit_value", sa.Float(), nullable=False),
        sa.Column("unit", AutoString(), nullable=False),
        sa.Column("unknown_h", sa.Float(), nullable=False),
        sa.Column("rulebook_version", AutoString(), nullable=False),
        sa.Column("urgency", sa.Integer(), nullable=False),
        sa.CheckConstraint(
            "kind IN ('wipe and drip', 'drip', 're-immersion', 'inspection', 'replacement')",
            name=op.f("ck_reminder_kind_known"),
        ),
        sa.ForeignKeyConstraint(["bike"], ["bike.id"], name=op.f("fk_reminder_bike")),
        sa.ForeignKeyConstraint(["chain"], ["chain.id"], name=op.f("fk_reminder_chain")),
        sa.ForeignKeyConstraint(["rider"], ["rider.id"], name=op.f("fk_reminder_rider")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_reminder")),
    )
    op.create_index(op.f("ix_reminder_cause_key"), "reminder", ["cause_key"], unique=False)
    op.create_index(op.f("ix_reminder_chain"), "reminder", ["chain"], unique=False)
    op.create_index(op.f("ix_reminder_rider"), "reminder", ["rider"], unique=False)
    op.create_index(
        "uq_reminder_open_cause",
        "reminder",
        ["cause_key"],
        unique=True,
        sqlite_where=sa.text("is_open"),
        postgresql_where=sa.text("is_open"),
    )
    op.create_table(
        "letter_reminder",
        sa.Column("letter", sa.Integer(), nullable=False),
        sa.Column("reminder", sa.Integer(), nullable=False),
        sa.ForeignKeyConstraint(["letter"], ["letter.id"], name=op.f("fk_letter_reminder_letter")),
        sa.ForeignKeyConstraint(["reminder"], ["reminder.id"], name=op.f("fk_letter_reminder_reminder")),
        sa.PrimaryKeyConstraint("letter", "reminder", name=op.f("pk_letter_reminder")),
    )
    op.create_index(op.f("ix_letter_reminder_reminder"), "letter_reminder", ["reminder"], unique=False)
    op.create_table(
        "reminder_reason",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("reminder", sa.Integer(), nullable=False),
        sa.Column("position", sa.Integer(), nullable=False),
        sa.Column("at", UTCDateTime(), nullable=False),
        sa.Column("text", AutoString(), nullable=False),
        sa.Column("ride", sa.Integer(), nullable=True),
        sa.Column("condition_word", AutoString(), nullable=True),
        sa.Column("drive_h", sa.Float(), nullable=True),
        sa.Column("weight", sa.Float(), nullable=True),
        sa.Column("grit_h", sa.Float(), nullable=True),
        sa.Column("total", sa.Float(), nullable=True),
        sa.Column("weather", AutoString(), nullable=False),
        sa.CheckConstraint(
            "condition_word IN ('wet', 'damp', 'dry', 'dusty', 'muddy', 'unknown')",
            name=op.f("ck_reminder_reason_condition_known"),
        ),
        sa.ForeignKeyConstraint(["reminder"], ["reminder.id"], name=op.f("fk_reminder_reason_reminder")),
        sa.ForeignKeyConstraint(["ride"], ["ride.id"], name=op.f("fk_reminder_reason_ride")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_reminder_reason")),
        sa.UniqueConstraint("reminder", "position", name=op.f("uq_reminder_reason_reminder_position")),
    )
    op.create_table(
        "reminder_step",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("reminder", sa.Integer(), nullable=False),
        sa.Column("step", AutoString(), nullable=False),
        sa.Column("at", UTCDateTime(), nullable=False),
        sa.Column("made_by", AutoString(), nullable=False),
        sa.Column("why", AutoString(), nullable=False),
        sa.Column("put_off_until", UTCDateTime(), nullable=True),
        sa.Column("treatment", sa.Integer(), nullable=True),
        sa.CheckConstraint(
            "step IN ('raised', 'told', 'worse', 'done', 'put off', 'dismissed', 'withdrawn')",
            name=op.f("ck_reminder_step_step_known"),
        ),
        sa.ForeignKeyConstraint(["reminder"], ["reminder.id"], name=op.f("fk_reminder_step_reminder")),
        sa.ForeignKeyConstraint(["treatment"], ["treatment.id"], name=op.f("fk_reminder_step_treatment")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_reminder_step")),
    )
    op.create_index(op.f("ix_reminder_step_reminder"), "reminder_step", ["reminder"], unique=False)
