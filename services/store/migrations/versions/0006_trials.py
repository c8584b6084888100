"""Trials: two like chains that take turns on one bike; readings name the tool they were taken with."""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op
from sqlmodel import AutoString

from services.store.migration_sql import create

revision = "0006"
down_revision = "0005"

TRIAL = """
CREATE TABLE trial (
  id {numbered}, bike INTEGER NOT NULL, waxed INTEGER NOT NULL, control INTEGER NOT NULL,
  started_at {instant} NOT NULL, block_km FLOAT NOT NULL, seed INTEGER NOT NULL, ended_at {instant},
  CONSTRAINT pk_trial PRIMARY KEY (id),
  CONSTRAINT ck_trial_two_chains CHECK (waxed <> control),
  CONSTRAINT ck_trial_turns_have_length CHECK (block_km > 0),
  CONSTRAINT fk_trial_bike FOREIGN KEY(bike) REFERENCES bike (id),
  CONSTRAINT fk_trial_waxed FOREIGN KEY(waxed) REFERENCES chain (id),
  CONSTRAINT fk_trial_control FOREIGN KEY(control) REFERENCES chain (id)
);
CREATE INDEX ix_trial_bike ON trial (bike)
"""


def upgrade() -> None:
    create(TRIAL)
    with op.batch_alter_table("reading") as batch:
        batch.add_column(sa.Column("instrument", AutoString(), nullable=False, server_default=""))
    with op.batch_alter_table("reading") as batch:
        batch.alter_column("instrument", server_default=None)
