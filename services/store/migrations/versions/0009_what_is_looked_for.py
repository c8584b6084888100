"""What a round looks for stands in an index; an hour says how far it is tagged."""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op
from sqlmodel import AutoString

revision = "0009"
down_revision = "0006"

UNCLEAR = sa.text("verdict IS NULL OR verdict = 'ask'")
LIKELY = sa.text("verdict = 'likely'")
UNSETTLED = sa.text("tagged <> 'final' AND latitude_deg IS NOT NULL AND longitude_deg IS NOT NULL")
REFUSED = sa.text("refused_at IS NOT NULL")
TAGGED = """
    UPDATE ride_hour SET tagged = (
        SELECT CASE WHEN paved_water IS NULL THEN 'unknown' ELSE tier END
        FROM condition_tag WHERE condition_tag.ride_hour = ride_hour.id AND condition_tag.is_current
    ) WHERE id IN (SELECT ride_hour FROM condition_tag WHERE condition_tag.is_current)
"""


def upgrade() -> None:
    with op.batch_alter_table("ride_hour") as batch:
        batch.add_column(sa.Column("tagged", AutoString(), nullable=False, server_default="not yet"))
        batch.create_check_constraint(
            op.f("ck_ride_hour_tagged_known"), "tagged IN ('not yet', 'unknown', 'preliminary', 'final')"
        )
    op.execute(TAGGED)
    for name, table, column, where in (
        ("ix_ride_unclear", "ride", "started_at", UNCLEAR),
        ("ix_ride_likely", "ride", "started_at", LIKELY),
        ("ix_ride_hour_unsettled", "ride_hour", "ride", UNSETTLED),
        ("ix_letter_refused", "letter", "not_before", REFUSED),
        ("ix_ride_same_as", "ride", "same_as", None),
        ("ix_file_seen_seen_at", "file_seen", "seen_at", None),
    ):
        op.create_index(name, table, [column], sqlite_where=where, postgresql_where=where)
