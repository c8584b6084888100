"""Rides are found by their words and by what they were like, without reading all of them."""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op
from sqlmodel import AutoString

revision = "0015"
down_revision = "0014"

AT_ONCE = 1000


def upgrade() -> None:
    """What rides were like is no fact: a round derives it."""
    op.add_column("ride", sa.Column("words", AutoString(), server_default="", nullable=False))
    op.add_column("ride", sa.Column("likes", sa.Integer(), nullable=True))
    _fold_words()
    op.drop_index("ix_ride_same_as", table_name="ride")
    for name, column, where in (
        ("ix_ride_second", "same_as", "same_as IS NOT NULL"),
        ("ix_ride_unnamed", "id", "likes IS NULL"),
    ):
        of = sa.text(where)
        op.create_index(name, "ride", [column], sqlite_where=of, postgresql_where=of)


def _fold_words() -> None:
    """Here and not by the database, each of which folds another way."""
    ride = sa.table("ride", *(sa.column(name) for name in ("id", "title", "file_name", "words")))
    rows = op.get_bind().execute(sa.select(ride.c.id, ride.c.title, ride.c.file_name)).all()
    folded = [{"number": row.id, "said": f"{row.title}\n{row.file_name}".casefold()} for row in rows]
    keep = ride.update().where(ride.c.id == sa.bindparam("number")).values(words=sa.bindparam("said"))
    for first in range(0, len(folded), AT_ONCE):
        op.get_bind().execute(keep, folded[first : first + AT_ONCE])
