"""What a supply cost."""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

revision = "0014"
down_revision = "0012"


def upgrade() -> None:
    with op.batch_alter_table("supply") as batch:
        batch.add_column(sa.Column("price", sa.Float(), nullable=True))
        batch.create_check_constraint(op.f("ck_supply_price_not_below_nothing"), "price >= 0")
