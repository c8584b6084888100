"""Rides are found by any part of their words, and summed up, by indexes; derived chains have a version."""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op
from sqlmodel import AutoString

revision = "0016"
down_revision = "0015"

AT_ONCE = 1000
LONGEST = 12
SUMMED = ["likes", "same_as", "distance_m", "drive_s"]


def upgrade() -> None:
    """Characters in the order of their numbers: only so is a part of a word one span of the index."""
    by_number = "C" if op.get_bind().dialect.name == "postgresql" else None
    op.create_table(
        "ride_words",
        sa.Column("begins", AutoString(collation=by_number), nullable=False),
        sa.Column("ride", sa.Integer(), nullable=False),
        sa.ForeignKeyConstraint(["ride"], ["ride.id"], name=op.f("fk_ride_words_ride_ride")),
        sa.PrimaryKeyConstraint("begins", "ride", name=op.f("pk_ride_words")),
        sqlite_with_rowid=False,
    )
    op.create_index(op.f("ix_ride_words_ride"), "ride_words", ["ride"])
    _take_apart()
    for name, columns in (
        ("ix_ride_started_at", ["started_at"]),
        ("ix_ride_bike_started_at", ["bike", "started_at"]),
        ("ix_ride_rider_started_at", ["rider", "started_at"]),
    ):
        op.drop_index(name, table_name="ride")
        op.create_index(name, "ride", [*columns, *SUMMED])
    op.add_column("chain_state", sa.Column("version", sa.BigInteger(), server_default="0", nullable=False))


def _take_apart() -> None:
    ride = sa.table("ride", sa.column("id"), sa.column("words"))
    words = sa.table("ride_words", sa.column("begins"), sa.column("ride"))
    rows = op.get_bind().execute(sa.select(ride.c.id, ride.c.words)).all()
    for first in range(0, len(rows), AT_ONCE):
        parts = [
            {"begins": begins, "ride": row.id}
            for row in rows[first : first + AT_ONCE]
            for begins in {row.words[at : at + LONGEST] for at in range(len(row.words))}
        ]
        if parts:
            op.get_bind().execute(words.insert(), parts)
