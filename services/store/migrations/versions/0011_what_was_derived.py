"""What was derived of each chain and until when it holds, and which chains have to be derived anew."""

from services.store.migration_sql import create

revision = "0011"
down_revision = "0010"

TABLES = """
CREATE TABLE chain_dirty (chain {numbered}, CONSTRAINT pk_chain_dirty PRIMARY KEY (chain));
CREATE TABLE chain_state (
  chain {numbered}, look_at {instant}, worn VARCHAR NOT NULL, measured BOOLEAN NOT NULL,
  CONSTRAINT pk_chain_state PRIMARY KEY (chain)
);
CREATE INDEX ix_ride_spoken_for ON ride (started_at) WHERE decided_by = 'rider';
CREATE INDEX ix_chain_state_look_at ON chain_state (look_at)
"""


def upgrade() -> None:
    """The marks that fill it are no facts: the program installs its own: services/store/dirty_chains.py."""
    create(TABLES)
