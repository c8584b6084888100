"""Supplies on the shelf, and limits that riders set for themselves."""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op
from sqlmodel import AutoString, UTCDateTime

revision = "0012"
down_revision = "0011"


def upgrade() -> None:
    op.create_table(
        "supply",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("kind", AutoString(), nullable=False),
        sa.Column("amount", sa.Float(), nullable=False),
        sa.Column("begun_at", UTCDateTime(), nullable=False),
        sa.Column("name", AutoString(), nullable=False),
        sa.Column("a_use", sa.Float(), nullable=True),
        sa.Column("ended_at", UTCDateTime(), nullable=True),
        sa.CheckConstraint("amount > 0", name=op.f("ck_supply_holds_something")),
        sa.CheckConstraint("a_use > 0", name=op.f("ck_supply_a_use_takes_something")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_supply")),
    )
    op.create_table(
        "own_limits",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("set_at", UTCDateTime(), nullable=False),
        sa.Column("limits", sa.JSON(), nullable=False),
        sa.Column("because", AutoString(), nullable=False),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_own_limits")),
    )
