"""Supplies on the shelf, and limits that riders set for themselves."""

from services.store.migration_sql import create

revision = "0012"
down_revision = "0011"

TABLES = """
CREATE TABLE supply (
  id {numbered}, kind VARCHAR NOT NULL, amount FLOAT NOT NULL, begun_at {instant} NOT NULL,
  name VARCHAR NOT NULL, a_use FLOAT, ended_at {instant},
  CONSTRAINT pk_supply PRIMARY KEY (id),
  CONSTRAINT ck_supply_holds_something CHECK (amount > 0),
  CONSTRAINT ck_supply_a_use_takes_something CHECK (a_use > 0)
);
CREATE TABLE own_limits (
  id {numbered}, set_at {instant} NOT NULL, limits JSON NOT NULL, because VARCHAR NOT NULL,
  CONSTRAINT pk_own_limits PRIMARY KEY (id)
)
"""


def upgrade() -> None:
    create(TABLES)
