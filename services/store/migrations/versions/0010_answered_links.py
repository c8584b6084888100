"""Links in mails answer once: which were used, and when."""

from services.store.migration_sql import create

revision = "0010"
down_revision = "0009"


def upgrade() -> None:
    create(
        "CREATE TABLE answered_link (mark VARCHAR NOT NULL, used_at {instant} NOT NULL,"
        " CONSTRAINT pk_answered_link PRIMARY KEY (mark))"
    )
