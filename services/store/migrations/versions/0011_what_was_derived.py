"""What was derived of each chain and until when it holds, and which chains have to be derived anew."""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op
from sqlmodel import AutoString, UTCDateTime

revision = "0011"
down_revision = "0010"


def upgrade() -> None:
    """The marks that fill it are no facts: the program installs its own: services/store/dirty_chains.py."""
    op.create_table(
        "chain_dirty",
        sa.Column("chain", sa.Integer(), nullable=False),
        sa.PrimaryKeyConstraint("chain", name=op.f("pk_chain_dirty")),
    )
    op.create_table(
        "chain_state",
        sa.Column("chain", sa.Integer(), nullable=False),
        sa.Column("look_at", UTCDateTime(), nullable=True),
        sa.Column("worn", AutoString(), nullable=False),
        sa.Column("measured", sa.Boolean(), nullable=False),
        sa.PrimaryKeyConstraint("chain", name=op.f("pk_chain_state")),
    )
    by_rider = sa.text("decided_by = 'rider'")
    op.create_index(
        "ix_ride_spoken_for", "ride", ["started_at"], sqlite_where=by_rider, postgresql_where=by_rider
    )
    op.create_index(op.f("ix_chain_state_look_at"), "chain_state", ["look_at"], unique=False)
