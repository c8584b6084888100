"""Rides, what they were ridden on, and the weather over them."""

import sqlalchemy as sa
from alembic import op
from sqlmodel import AutoString, UTCDateTime

revision = "0002"
down_revision = "0001"
branch_labels = None
depends_on = None


def upgrade() -> None:
    op.create_table(
        "hourly_weather",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("latitude_deg", sa.Float(), nullable=False),
        sa.Column("longitude_deg", sa.Float(), nullable=False),
        sa.Column("hour_start", UTCDateTime(), nullable=False),
        sa.Column("source", AutoString(), nullable=False),
        sa.Column("model", AutoString(), nullable=False),
        sa.Column("tier", AutoString(), nullable=False),
        sa.Column("fetched_at", UTCDateTime(), nullable=False),
        sa.Column("checked_at", UTCDateTime(), nullable=False),
        sa.Column("checks", sa.Integer(), nullable=False),
        sa.Column("is_current", sa.Boolean(), nullable=False),
        sa.Column("rain_mm", sa.Float(), nullable=True),
        sa.Column("snowfall_cm", sa.Float(), nullable=True),
        sa.Column("temperature_c", sa.Float(), nullable=True),
        sa.Column("humidity_pct", sa.Float(), nullable=True),
        sa.Column("wind_10m_mps", sa.Float(), nullable=True),
        sa.Column("shortwave_wm2", sa.Float(), nullable=True),
        sa.Column("soil_moisture_m3m3", sa.Float(), nullable=True),
        sa.Column("et0_mm", sa.Float(), nullable=True),
        sa.Column("pressure_kpa", sa.Float(), nullable=True),
        sa.CheckConstraint(
            "tier IN ('final', 'preliminary', 'the rider''s word')", name=op.f("ck_hourly_weather_tier_known")
        ),
        sa.CheckConstraint(
            "humidity_pct >= 0 AND humidity_pct <= 110", name=op.f("ck_hourly_weather_humidity_possible")
        ),
        sa.CheckConstraint(
            "rain_mm >= 0 AND snowfall_cm >= 0 AND wind_10m_mps >= 0 AND soil_moisture_m3m3 >= 0 "
            "AND pressure_kpa >= 0",
            name=op.f("ck_hourly_weather_not_negative"),
        ),
        sa.CheckConstraint(
            "temperature_c > -100 AND temperature_c < 70", name=op.f("ck_hourly_weather_temperature_possible")
        ),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_hourly_weather")),
    )
    op.create_index(
        "ix_hourly_weather_nulls",
        "hourly_weather",
        ["fetched_at"],
        unique=False,
        sqlite_where=sa.text("is_current AND rain_mm IS NULL"),
        postgresql_where=sa.text("is_current AND rain_mm IS NULL"),
    )
    op.create_index(
        "uq_hourly_weather_current",
        "hourly_weather",
        ["latitude_deg", "longitude_deg", "hour_start", "source", "model"],
        unique=True,
        sqlite_where=sa.text("is_current"),
        postgresql_where=sa.text("is_current"),
    )
    op.create_table(
        "weather_block",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("source", AutoString(), nullable=False),
        sa.Column("latitude_deg", sa.Float(), nullable=False),
        sa.Column("longitude_deg", sa.Float(), nullable=False),
        sa.Column("first_day", sa.Date(), nullable=False),
        sa.Column("last_day", sa.Date(), nullable=False),
        sa.Column("tier", AutoString(), nullable=False),
        sa.Column("fetched_at", UTCDateTime(), nullable=False),
        sa.Column("complete", sa.Boolean(), nullable=False),
        sa.CheckConstraint(
            "tier IN ('final', 'preliminary', 'the rider''s word')", name=op.f("ck_weather_block_tier_known")
        ),
        sa.CheckConstraint("last_day >= first_day", name=op.f("ck_weather_block_days_in_order")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_weather_block")),
    )
    op.create_index(
        "ix_weather_block_cell", "weather_block", ["source", "latitude_deg", "longitude_deg"], unique=False
    )
    op.create_table(
        "ride",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("rider", sa.Integer(), nullable=False),
        sa.Column("file_name", AutoString(), nullable=False),
        sa.Column("started_at", UTCDateTime(), nullable=False),
        sa.Column("ended_at", UTCDateTime(), nullable=False),
        sa.Column("title", AutoString(), nullable=False),
        sa.Column("drive_s", sa.Float(), nullable=False),
        sa.Column("drive_low_s", sa.Float(), nullable=False),
        sa.Column("drive_high_s", sa.Float(), nullable=False),
        sa.Column("drive_method", AutoString(), nullable=False),
        sa.Column("moving_s", sa.Float(), nullable=False),
        sa.Column("distance_m", sa.Float(), nullable=False),
        sa.Column("climb_m", sa.Float(), nullable=False),
        sa.Column("indoor", sa.Boolean(), nullable=False),
        sa.Column("virtual", sa.Boolean(), nullable=False),
        sa.Column("unpaved_share_from_file", sa.Float(), nullable=True),
        sa.Column("sport", AutoString(), nullable=True),
        sa.Column("sub_sport", AutoString(), nullable=True),
        sa.Column("profile_name", AutoString(), nullable=True),
        sa.Column("drive_parts", sa.JSON(), nullable=False),
        sa.Column("reader", AutoString(), nullable=False),
        sa.Column("damage", sa.JSON(), nullable=False),
        sa.Column("dropped", sa.JSON(), nullable=False),
        sa.Column("bike", sa.Integer(), nullable=True),
        sa.Column("decided_by", AutoString(), nullable=True),
        sa.Column("verdict", AutoString(), nullable=True),
        sa.Column("unpaved_share", sa.Float(), nullable=True),
        sa.Column("word", AutoString(), nullable=True),
        sa.Column("same_as", sa.Integer(), nullable=True),
        sa.CheckConstraint(
            "decided_by IN ('sensor', 'only bike', 'evidence', 'rider')",
            name=op.f("ck_ride_decided_by_known"),
        ),
        sa.CheckConstraint(
            "drive_method IN ('cadence', 'required power', 'share of moving time')",
            name=op.f("ck_ride_drive_method_known"),
        ),
        sa.CheckConstraint("verdict IN ('certain', 'likely', 'ask')", name=op.f("ck_ride_verdict_known")),
        sa.CheckConstraint(
            "word IN ('wet', 'damp', 'dry', 'dusty', 'muddy', 'unknown')", name=op.f("ck_ride_word_known")
        ),
        sa.CheckConstraint(
            "drive_s >= 0 AND drive_low_s >= 0 AND drive_high_s >= 0 AND moving_s >= 0 AND "
            "distance_m >= 0 AND climb_m >= 0",
            name=op.f("ck_ride_not_negative"),
        ),
        sa.CheckConstraint(
            "ended_at IS NULL OR started_at IS NULL OR ended_at >= started_at",
            name=op.f("ck_ride_ends_after_start"),
        ),
        sa.CheckConstraint(
            "unpaved_share >= 0 AND unpaved_share <= 1", name=op.f("ck_ride_unpaved_share_is_a_share")
        ),
        sa.ForeignKeyConstraint(["bike"], ["bike.id"], name=op.f("fk_ride_bike")),
        sa.ForeignKeyConstraint(["rider"], ["rider.id"], name=op.f("fk_ride_rider")),
        sa.ForeignKeyConstraint(["same_as"], ["ride.id"], name=op.f("fk_ride_same_as")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_ride")),
    )
    op.create_index("ix_ride_bike_started_at", "ride", ["bike", "started_at"], unique=False)
    op.create_index("ix_ride_rider_started_at", "ride", ["rider", "started_at"], unique=False)
    op.create_index(op.f("ix_ride_started_at"), "ride", ["started_at"], unique=False)
    op.create_table(
        "file_seen",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("sha256", AutoString(), nullable=False),
        sa.Column("name", AutoString(), nullable=False),
        sa.Column("size_bytes", sa.BigInteger(), nullable=False),
        sa.Column("seen_at", UTCDateTime(), nullable=False),
        sa.Column("outcome", AutoString(), nullable=False),
        sa.Column("why", AutoString(), nullable=False),
        sa.Column("try_this", AutoString(), nullable=False),
        sa.Column("ride", sa.Integer(), nullable=True),
        sa.CheckConstraint("size_bytes >= 0", name=op.f("ck_file_seen_not_negative")),
        sa.ForeignKeyConstraint(["ride"], ["ride.id"], name=op.f("fk_file_seen_ride")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_file_seen")),
        sa.UniqueConstraint("sha256", name=op.f("uq_file_seen_sha256")),
    )
    op.create_index(op.f("ix_file_seen_ride"), "file_seen", ["ride"], unique=False)
    op.create_table(
        "ride_assignment",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("ride", sa.Integer(), nullable=False),
        sa.Column("bike", sa.Integer(), nullable=True),
        sa.Column("decided_by", AutoString(), nullable=True),
        sa.Column("probability", sa.Float(), nullable=True),
        sa.Column("verdict", AutoString(), nullable=False),
        sa.Column("evidence", AutoString(), nullable=False),
        sa.Column("made_at", UTCDateTime(), nullable=False),
        sa.Column("made_by", AutoString(), nullable=False),
        sa.Column("is_undone", sa.Boolean(), nullable=False),
        sa.Column("undoes", sa.Integer(), nullable=True),
        sa.CheckConstraint(
            "decided_by IN ('sensor', 'only bike', 'evidence', 'rider')",
            name=op.f("ck_ride_assignment_decided_by_known"),
        ),
        sa.CheckConstraint(
            "verdict IN ('certain', 'likely', 'ask')", name=op.f("ck_ride_assignment_verdict_known")
        ),
        sa.CheckConstraint(
            "probability >= 0 AND probability <= 1", name=op.f("ck_ride_assignment_probability_is_a_share")
        ),
        sa.ForeignKeyConstraint(["bike"], ["bike.id"], name=op.f("fk_ride_assignment_bike")),
        sa.ForeignKeyConstraint(["ride"], ["ride.id"], name=op.f("fk_ride_assignment_ride")),
        sa.ForeignKeyConstraint(["undoes"], ["ride_assignment.id"], name=op.f("fk_ride_assignment_undoes")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_ride_assignment")),
    )
    op.create_index(op.f("ix_ride_assignment_ride"), "ride_assignment", ["ride"], unique=False)
    op.create_table(
        "ride_hour",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("ride", sa.Integer(), nullable=False),
        sa.Column("hour_start", UTCDateTime(), nullable=False),
        sa.Column("drive_s", sa.Float(), nullable=False),
        sa.Column("distance_m", sa.Float(), nullable=False),
        sa.Column("moving_s", sa.Float(), nullable=False),
        sa.Column("mean_speed_mps", sa.Float(), nullable=True),
        sa.Column("latitude_deg", sa.Float(), nullable=True),
        sa.Column("longitude_deg", sa.Float(), nullable=True),
        sa.Column("climb_m", sa.Float(), nullable=False),
        sa.CheckConstraint(
            "drive_s >= 0 AND distance_m >= 0 AND moving_s >= 0 AND mean_speed_mps >= 0 AND climb_m >= 0",
            name=op.f("ck_ride_hour_not_negative"),
        ),
        sa.CheckConstraint(
            "latitude_deg >= -90 AND latitude_deg <= 90", name=op.f("ck_ride_hour_latitude_possible")
        ),
        sa.CheckConstraint(
            "longitude_deg >= -180 AND longitude_deg <= 180", name=op.f("ck_ride_hour_longitude_possible")
        ),
        sa.ForeignKeyConstraint(["ride"], ["ride.id"], name=op.f("fk_ride_hour_ride")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_ride_hour")),
        sa.UniqueConstraint("ride", "hour_start", name=op.f("uq_ride_hour_ride_hour_start")),
    )
    op.create_table(
        "ride_sensor",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("ride", sa.Integer(), nullable=False),
        sa.Column("recorder", sa.Boolean(), nullable=False),
        sa.Column("kind", AutoString(), nullable=False),
        sa.Column("identity", AutoString(), nullable=True),
        sa.Column("serial", sa.BigInteger(), nullable=True),
        sa.Column("ant_number", sa.BigInteger(), nullable=True),
        sa.Column("manufacturer", AutoString(), nullable=True),
        sa.Column("product", AutoString(), nullable=True),
        sa.Column("battery", AutoString(), nullable=True),
        sa.ForeignKeyConstraint(["ride"], ["ride.id"], name=op.f("fk_ride_sensor_ride")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_ride_sensor")),
    )
    op.create_index("ix_ride_sensor_identity", "ride_sensor", ["identity"], unique=False)
    op.create_index(op.f("ix_ride_sensor_ride"), "ride_sensor", ["ride"], unique=False)
    op.create_table(
        "ride_track",
        sa.Column("ride", sa.Integer(), nullable=False),
        sa.Column("track", sa.LargeBinary(), nullable=False),
        sa.Column("sketch", sa.LargeBinary(), nullable=False),
        sa.Column("clues", AutoString(), nullable=False),
        sa.ForeignKeyConstraint(["ride"], ["ride.id"], name=op.f("fk_ride_track_ride")),
        sa.PrimaryKeyConstraint("ride", name=op.f("pk_ride_track")),
    )
    op.create_table(
        "ride_word",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("ride", sa.Integer(), nullable=False),
        sa.Column("about", AutoString(), nullable=False),
        sa.Column("said", AutoString(), nullable=True),
        sa.Column("made_at", UTCDateTime(), nullable=False),
        sa.Column("made_by", AutoString(), nullable=False),
        sa.CheckConstraint("about IN ('conditions', 'unpaved share')", name=op.f("ck_ride_word_about_known")),
        sa.ForeignKeyConstraint(["ride"], ["ride.id"], name=op.f("fk_ride_word_ride")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_ride_word")),
    )
    op.create_index(op.f("ix_ride_word_ride"), "ride_word", ["ride"], unique=False)
    op.create_table(
        "same_outing",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("kept", sa.Integer(), nullable=False),
        sa.Column("other", sa.Integer(), nullable=False),
        sa.Column("because", sa.JSON(), nullable=False),
        sa.Column("made_at", UTCDateTime(), nullable=False),
        sa.Column("made_by", AutoString(), nullable=False),
        sa.Column("split_at", UTCDateTime(), nullable=True),
        sa.Column("split_by", AutoString(), nullable=True),
        sa.CheckConstraint("kept <> other", name=op.f("ck_same_outing_two_rides")),
        sa.ForeignKeyConstraint(["kept"], ["ride.id"], name=op.f("fk_same_outing_kept")),
        sa.ForeignKeyConstraint(["other"], ["ride.id"], name=op.f("fk_same_outing_other")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_same_outing")),
    )
    op.create_index(op.f("ix_same_outing_kept"), "same_outing", ["kept"], unique=False)
    op.create_index(op.f("ix_same_outing_other"), "same_outing", ["other"], unique=False)
    op.create_table(
        "condition_tag",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("ride_hour", sa.Integer(), nullable=False),
        sa.Column("is_current", sa.Boolean(), nullable=False),
        sa.Column("made_at", UTCDateTime(), nullable=False),
        sa.Column("checked_at", UTCDateTime(), nullable=False),
        sa.Column("paved_water", sa.Float(), nullable=True),
        sa.Column("unpaved_water", sa.Float(), nullable=True),
        sa.Column("mud", sa.Float(), nullable=True),
        sa.Column("dust", sa.Float(), nullable=True),
        sa.Column("confidence", sa.Float(), nullable=False),
        sa.Column("tier", AutoString(), nullable=False),
        sa.Column("rain_mm", sa.Float(), nullable=True),
        sa.Column("rain_before_mm", sa.Float(), nullable=True),
        sa.Column("source", AutoString(), nullable=False),
        sa.Column("fetched_at", UTCDateTime(), nullable=True),
        sa.Column("because", AutoString(), nullable=False),
        sa.Column("frost", sa.Boolean(), nullable=False),
        sa.CheckConstraint(
            "tier IN ('final', 'preliminary', 'the rider''s word')", name=op.f("ck_condition_tag_tier_known")
        ),
        sa.CheckConstraint(
            "confidence >= 0 AND confidence <= 1", name=op.f("ck_condition_tag_confidence_is_a_share")
        ),
        sa.CheckConstraint("dust >= 0 AND dust <= 3", name=op.f("ck_condition_tag_dust_0_to_3")),
        sa.CheckConstraint("mud >= 0 AND mud <= 1", name=op.f("ck_condition_tag_mud_is_a_share")),
        sa.CheckConstraint(
            "paved_water >= 0 AND paved_water <= 1", name=op.f("ck_condition_tag_paved_water_is_a_share")
        ),
        sa.CheckConstraint(
            "rain_mm >= 0 AND rain_before_mm >= 0", name=op.f("ck_condition_tag_not_negative")
        ),
        sa.CheckConstraint(
            "unpaved_water >= 0 AND unpaved_water <= 1",
            name=op.f("ck_condition_tag_unpaved_water_is_a_share"),
        ),
        sa.ForeignKeyConstraint(["ride_hour"], ["ride_hour.id"], name=op.f("fk_condition_tag_ride_hour")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_condition_tag")),
    )
    op.create_index(op.f("ix_condition_tag_ride_hour"), "condition_tag", ["ride_hour"], unique=False)
    op.create_index(
        "uq_condition_tag_current",
        "condition_tag",
        ["ride_hour"],
        unique=True,
        sqlite_where=sa.text("is_current"),
        postgresql_where=sa.text("is_current"),
    )
