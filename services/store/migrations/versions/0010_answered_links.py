"""Links in mails answer once: which were used, and when."""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op
from sqlmodel import AutoString, UTCDateTime

revision = "0010"
down_revision = "0009"


def upgrade() -> None:
    op.create_table(
        "answered_link",
        sa.Column("mark", AutoString(), nullable=False),
        sa.Column("used_at", UTCDateTime(), nullable=False),
        sa.PrimaryKeyConstraint("mark", name=op.f("pk_answered_link")),
    )
