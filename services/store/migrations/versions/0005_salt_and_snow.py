"""A tag says how much road salt was in the water and how much of the precipitation fell as snow."""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

revision = "0005"
down_revision = "0004"

COLUMNS = ("salt", "snow_mm")


def upgrade() -> None:
    """Tags of before knew of neither: nought, until every hour is tagged anew by the next round."""
    with op.batch_alter_table("condition_tag") as batch:
        for name in COLUMNS:
            batch.add_column(sa.Column(name, sa.Float(), nullable=False, server_default=sa.text("0")))
    with op.batch_alter_table("condition_tag") as batch:
        for name in COLUMNS:
            batch.alter_column(name, server_default=None)
