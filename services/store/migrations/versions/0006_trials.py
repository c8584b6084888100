"""Trials: two like chains that take turns on one bike; readings name the tool they were taken with."""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op
from sqlmodel import AutoString, UTCDateTime

revision = "0006"
down_revision = "0005"


def upgrade() -> None:
    op.create_table(
        "trial",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("bike", sa.Integer(), nullable=False),
        sa.Column("waxed", sa.Integer(), nullable=False),
        sa.Column("control", sa.Integer(), nullable=False),
        sa.Column("started_at", UTCDateTime(), nullable=False),
        sa.Column("block_km", sa.Float(), nullable=False),
        sa.Column("seed", sa.Integer(), nullable=False),
        sa.Column("ended_at", UTCDateTime(), nullable=True),
        sa.CheckConstraint("waxed <> control", name=op.f("ck_trial_two_chains")),
        sa.CheckConstraint("block_km > 0", name=op.f("ck_trial_turns_have_length")),
        sa.ForeignKeyConstraint(["bike"], ["bike.id"], name=op.f("fk_trial_bike")),
        sa.ForeignKeyConstraint(["waxed"], ["chain.id"], name=op.f("fk_trial_waxed")),
        sa.ForeignKeyConstraint(["control"], ["chain.id"], name=op.f("fk_trial_control")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_trial")),
    )
    op.create_index(op.f("ix_trial_bike"), "trial", ["bike"], unique=False)
    with op.batch_alter_table("reading") as batch:
        batch.add_column(sa.Column("instrument", AutoString(), nullable=False, server_default=""))
    with op.batch_alter_table("reading") as batch:
        batch.alter_column("instrument", server_default=None)
