"""Gear, care and bookkeeping."""

import sqlalchemy as sa
from alembic import op
from sqlmodel import AutoString, UTCDateTime

revision = "0001"
down_revision = None
branch_labels = None
depends_on = None


def upgrade() -> None:
    op.create_table(
        "chain",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("name", AutoString(), nullable=False),
        sa.Column("name_key", AutoString(), nullable=False),
        sa.Column("regime", AutoString(), nullable=False),
        sa.Column("speeds", sa.Integer(), nullable=True),
        sa.Column("links", sa.Integer(), nullable=True),
        sa.Column("price", sa.Float(), nullable=True),
        sa.Column("acquired_at", UTCDateTime(), nullable=True),
        sa.Column("retired_at", UTCDateTime(), nullable=True),
        sa.CheckConstraint("regime IN ('waxed', 'wet lube')", name=op.f("ck_chain_regime_known")),
        sa.CheckConstraint("links >= 1 AND links <= 400", name=op.f("ck_chain_links_possible")),
        sa.CheckConstraint("price >= 0", name=op.f("ck_chain_not_negative")),
        sa.CheckConstraint(
            "retired_at IS NULL OR acquired_at IS NULL OR retired_at >= acquired_at",
            name=op.f("ck_chain_ends_after_start"),
        ),
        sa.CheckConstraint("speeds >= 1 AND speeds <= 16", name=op.f("ck_chain_speeds_possible")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_chain")),
        sa.UniqueConstraint("name_key", name=op.f("uq_chain_name_key")),
    )
    op.create_table(
        "correction",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("made_at", UTCDateTime(), nullable=False),
        sa.Column("made_by", AutoString(), nullable=False),
        sa.Column("what", AutoString(), nullable=False),
        sa.Column("restore", sa.JSON(), nullable=False),
        sa.Column("undone_at", UTCDateTime(), nullable=True),
        sa.Column("undone_by", AutoString(), nullable=True),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_correction")),
    )
    op.create_table(
        "file_path",
        sa.Column("path", AutoString(), nullable=False),
        sa.Column("size_bytes", sa.BigInteger(), nullable=False),
        sa.Column("mtime_s", sa.Float(), nullable=False),
        sa.PrimaryKeyConstraint("path", name=op.f("pk_file_path")),
    )
    op.create_table(
        "note",
        sa.Column("name", AutoString(), nullable=False),
        sa.Column("value", sa.JSON(), nullable=False),
        sa.Column("written_at", UTCDateTime(), nullable=False),
        sa.PrimaryKeyConstraint("name", name=op.f("pk_note")),
    )
    op.create_table(
        "retraction",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("kind", AutoString(), nullable=False),
        sa.Column("fact_id", sa.Integer(), nullable=False),
        sa.Column("made_at", UTCDateTime(), nullable=False),
        sa.Column("made_by", AutoString(), nullable=False),
        sa.Column("why", AutoString(), nullable=False),
        sa.Column("undone_at", UTCDateTime(), nullable=True),
        sa.Column("undone_by", AutoString(), nullable=True),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_retraction")),
    )
    op.create_index("ix_retraction_fact", "retraction", ["kind", "fact_id"], unique=False)
    op.create_table(
        "rider",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("name", AutoString(), nullable=False),
        sa.Column("name_key", AutoString(), nullable=False),
        sa.Column("email", AutoString(), nullable=True),
        sa.Column("time_zone", AutoString(), nullable=False),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_rider")),
        sa.UniqueConstraint("name_key", name=op.f("uq_rider_name_key")),
    )
    op.create_table(
        "write_count",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("writes", sa.BigInteger(), nullable=False),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_write_count")),
    )
    op.create_table(
        "bike",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("name", AutoString(), nullable=False),
        sa.Column("name_key", AutoString(), nullable=False),
        sa.Column("owner", sa.Integer(), nullable=False),
        sa.Column("unpaved_share", sa.Float(), nullable=False),
        sa.Column("chainrings", sa.JSON(), nullable=False),
        sa.Column("cogs", sa.JSON(), nullable=False),
        sa.Column("wheel_circumference_m", sa.Float(), nullable=True),
        sa.Column("indoor", sa.Boolean(), nullable=False),
        sa.Column("from_at", UTCDateTime(), nullable=True),
        sa.Column("until_at", UTCDateTime(), nullable=True),
        sa.CheckConstraint(
            "unpaved_share >= 0 AND unpaved_share <= 1", name=op.f("ck_bike_unpaved_share_is_a_share")
        ),
        sa.CheckConstraint(
            "until_at IS NULL OR from_at IS NULL OR until_at >= from_at",
            name=op.f("ck_bike_ends_after_start"),
        ),
        sa.CheckConstraint(
            "wheel_circumference_m > 0.5 AND wheel_circumference_m < 3.5", name=op.f("ck_bike_wheel_possible")
        ),
        sa.ForeignKeyConstraint(["owner"], ["rider.id"], name=op.f("fk_bike_owner")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_bike")),
        sa.UniqueConstraint("name_key", name=op.f("uq_bike_name_key")),
    )
    op.create_table(
        "reading",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("chain", sa.Integer(), nullable=False),
        sa.Column("tool", AutoString(), nullable=False),
        sa.Column("taken_at", UTCDateTime(), nullable=False),
        sa.Column("over_pct", sa.Float(), nullable=True),
        sa.Column("under_pct", sa.Float(), nullable=True),
        sa.Column("exact_pct", sa.Float(), nullable=True),
        sa.Column("note", AutoString(), nullable=False),
        sa.CheckConstraint(
            "(tool = 'gauge' AND exact_pct IS NULL AND (over_pct IS NOT NULL OR under_pct IS NOT "
            "NULL)) OR (tool <> 'gauge' AND exact_pct IS NOT NULL AND over_pct IS NULL AND "
            "under_pct IS NULL)",
            name=op.f("ck_reading_value_fits_tool"),
        ),
        sa.CheckConstraint("tool IN ('gauge', 'ruler', 'caliper')", name=op.f("ck_reading_tool_known")),
        sa.CheckConstraint("exact_pct > -1 AND exact_pct < 5", name=op.f("ck_reading_exact_possible")),
        sa.CheckConstraint("over_pct >= 0 AND over_pct < 5", name=op.f("ck_reading_over_possible")),
        sa.CheckConstraint("under_pct > 0 AND under_pct < 5", name=op.f("ck_reading_under_possible")),
        sa.CheckConstraint(
            "under_pct IS NULL OR over_pct IS NULL OR over_pct < under_pct",
            name=op.f("ck_reading_interval_in_order"),
        ),
        sa.ForeignKeyConstraint(["chain"], ["chain.id"], name=op.f("fk_reading_chain")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_reading")),
    )
    op.create_index(op.f("ix_reading_chain"), "reading", ["chain"], unique=False)
    op.create_table(
        "treatment",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("chain", sa.Integer(), nullable=False),
        sa.Column("kind", AutoString(), nullable=False),
        sa.Column("done_at", UTCDateTime(), nullable=False),
        sa.Column("minutes", sa.Float(), nullable=True),
        sa.Column("cost", sa.Float(), nullable=True),
        sa.Column("note", AutoString(), nullable=False),
        sa.CheckConstraint(
            "kind IN ('strip', 'immersion', 'drip', 'wipe', 'oil', 'clean')",
            name=op.f("ck_treatment_kind_known"),
        ),
        sa.CheckConstraint("minutes >= 0 AND cost >= 0", name=op.f("ck_treatment_not_negative")),
        sa.ForeignKeyConstraint(["chain"], ["chain.id"], name=op.f("fk_treatment_chain")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_treatment")),
    )
    op.create_index(op.f("ix_treatment_chain"), "treatment", ["chain"], unique=False)
    op.create_table(
        "wipe_test",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("chain", sa.Integer(), nullable=False),
        sa.Column("done_at", UTCDateTime(), nullable=False),
        sa.Column("grade", sa.Integer(), nullable=False),
        sa.CheckConstraint("grade >= 0 AND grade <= 4", name=op.f("ck_wipe_test_grade_0_to_4")),
        sa.ForeignKeyConstraint(["chain"], ["chain.id"], name=op.f("fk_wipe_test_chain")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_wipe_test")),
    )
    op.create_index(op.f("ix_wipe_test_chain"), "wipe_test", ["chain"], unique=False)
    op.create_table(
        "fitting",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("chain", sa.Integer(), nullable=False),
        sa.Column("bike", sa.Integer(), nullable=False),
        sa.Column("fitted_at", UTCDateTime(), nullable=False),
        sa.Column("removed_at", UTCDateTime(), nullable=True),
        sa.CheckConstraint(
            "removed_at IS NULL OR fitted_at IS NULL OR removed_at >= fitted_at",
            name=op.f("ck_fitting_ends_after_start"),
        ),
        sa.ForeignKeyConstraint(["bike"], ["bike.id"], name=op.f("fk_fitting_bike")),
        sa.ForeignKeyConstraint(["chain"], ["chain.id"], name=op.f("fk_fitting_chain")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_fitting")),
    )
    op.create_index(op.f("ix_fitting_bike"), "fitting", ["bike"], unique=False)
    op.create_index(op.f("ix_fitting_chain"), "fitting", ["chain"], unique=False)
    op.create_table(
        "sensor",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("kind", AutoString(), nullable=False),
        sa.Column("identity", AutoString(), nullable=False),
        sa.Column("bike", sa.Integer(), nullable=False),
        sa.Column("from_at", UTCDateTime(), nullable=True),
        sa.Column("until_at", UTCDateTime(), nullable=True),
        sa.CheckConstraint(
            "until_at IS NULL OR from_at IS NULL OR until_at >= from_at",
            name=op.f("ck_sensor_ends_after_start"),
        ),
        sa.ForeignKeyConstraint(["bike"], ["bike.id"], name=op.f("fk_sensor_bike")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_sensor")),
    )
    op.create_index("ix_sensor_identity", "sensor", ["identity"], unique=False)
    op.execute("INSERT INTO write_count (id, writes) VALUES (1, 0)")
