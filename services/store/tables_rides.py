"""The tables of rides, what they were ridden on, and the weather over them."""

from __future__ import annotations

from enum import StrEnum

from sqlalchemy import (
    JSON,
    BigInteger,
    Boolean,
    CheckConstraint,
    Column,
    Date,
    Float,
    ForeignKey,
    Index,
    Integer,
    LargeBinary,
    String,
    Table,
    UniqueConstraint,
    text,
)

from rules.vocabulary import Condition, DecidedBy, DriveMethod, Tier
from services.store.columns import LEDGER, Instant, known, not_negative, number, one_of, part, share, spans

_NULL = text("is_current AND rain_mm IS NULL")
_UNCLEAR = text("verdict IS NULL OR verdict = 'ask'")
_LIKELY = text("verdict = 'likely'")
_SPOKEN_FOR = text("decided_by = 'rider'")
_SECOND = text("same_as IS NOT NULL")
_UNNAMED = text("likes IS NULL")
_SUMMED = ("likes", "same_as", "distance_m", "drive_s")
_UNSETTLED = text("tagged <> 'final' AND latitude_deg IS NOT NULL AND longitude_deg IS NOT NULL")


LONGEST_PART = 12  # characters of a ride's words that are kept in order


class Tagged(StrEnum):
    """How far the conditions of a ride hour are known."""

    NOT_YET = "not yet"
    UNKNOWN = "unknown"  # tagged, without weather
    PRELIMINARY = "preliminary"
    FINAL = "final"


# One outing. The columns from `bike` to `same_as` mirror the newest fact in force, for fast reading.
ride = Table(
    "ride",
    LEDGER,
    number(),
    known("rider", Integer, ForeignKey("rider.id")),
    known("file_name", String),
    known("started_at", Instant),
    known("ended_at", Instant),
    known("title", String),
    known("drive_s", Float),
    known("drive_low_s", Float),
    known("drive_high_s", Float),
    known("drive_method", String),
    known("moving_s", Float),
    known("distance_m", Float),
    known("climb_m", Float),
    known("indoor", Boolean),
    known("virtual", Boolean),
    Column("unpaved_share_from_file", Float),
    Column("sport", String),
    Column("sub_sport", String),
    Column("profile_name", String),
    known("drive_parts", JSON),  # [method, seconds] pairs
    known("reader", String),
    known("damage", JSON),
    known("dropped", JSON),
    Column("bike", Integer, ForeignKey("bike.id")),  # mirrors ride_assignment
    Column("decided_by", String),  # mirrors ride_assignment
    Column("verdict", String),  # mirrors ride_assignment; null = nobody judged yet
    Column("unpaved_share", Float),  # the rider's word, else the file's; mirrors ride_word
    Column("word", String),  # mirrors ride_word
    Column("same_as", Integer, ForeignKey("ride.id")),  # mirrors same_outing
    known("words", String, server_default=""),  # title and file name, case folded, to search
    Column("likes", Integer),  # what it was like, a bit a word; derived, null = to be derived anew
    spans("started_at", "ended_at"),
    one_of("drive_method", DriveMethod, "drive_method_known"),
    one_of("decided_by", DecidedBy, "decided_by_known"),
    one_of("word", Condition, "word_known"),
    CheckConstraint("verdict IN ('certain', 'likely', 'ask')", name="verdict_known"),
    not_negative("drive_s", "drive_low_s", "drive_high_s", "moving_s", "distance_m", "climb_m"),
    share("unpaved_share"),
    # With what lists are narrowed by and summed up from: none of the rows themselves is read for that.
    Index("ix_ride_started_at", "started_at", *_SUMMED),
    Index("ix_ride_rider_started_at", "rider", "started_at", *_SUMMED),
    Index("ix_ride_bike_started_at", "bike", "started_at", *_SUMMED),
    part("ix_ride_unclear", "started_at", where=_UNCLEAR),
    part("ix_ride_likely", "started_at", where=_LIKELY),
    part("ix_ride_spoken_for", "started_at", where=_SPOKEN_FOR),
    # Partial, so that nobody looks up those that count, which are nearly all, by their having none.
    part("ix_ride_second", "same_as", where=_SECOND),
    part("ix_ride_unnamed", "id", where=_UNNAMED),
)

# A ride's `words` from each of their places on, so that any part of them is a span of the index.
ride_words = Table(
    "ride_words",
    LEDGER,
    Column("begins", String, primary_key=True),  # the next LONGEST_PART characters
    Column("ride", Integer, ForeignKey("ride.id"), primary_key=True, index=True),
    sqlite_with_rowid=False,
)

# The bulky part of a ride, apart, so that scans over rides stay quick.
ride_track = Table(
    "ride_track",
    LEDGER,
    Column("ride", Integer, ForeignKey("ride.id"), primary_key=True),
    known("track", LargeBinary),  # simplified track for the page, as ingest.ride.summary packs it
    # What tells whether two recordings are of one outing, as ingest.ride.summary packs it.
    known("sketch", LargeBinary),
    known("clues", String),  # what judging its bike again needs, as ingest.bikes.judge writes it
)

# A sensor or head unit that took part in a ride, as its file names it.
ride_sensor = Table(
    "ride_sensor",
    LEDGER,
    number(),
    known("ride", Integer, ForeignKey("ride.id"), index=True),
    known("recorder", Boolean),  # the device that wrote the file
    known("kind", String),
    Column("identity", String),
    Column("serial", BigInteger),
    Column("ant_number", BigInteger),
    Column("manufacturer", String),
    Column("product", String),
    Column("battery", String),
    Index("ix_ride_sensor_identity", "identity"),
)

ride_hour = Table(
    "ride_hour",
    LEDGER,
    number(),
    known("ride", Integer, ForeignKey("ride.id")),
    known("hour_start", Instant),
    known("drive_s", Float),
    known("distance_m", Float),
    known("moving_s", Float),
    Column("mean_speed_mps", Float),
    Column("latitude_deg", Float),
    Column("longitude_deg", Float),
    known("climb_m", Float),
    known("tagged", String, server_default=Tagged.NOT_YET),  # mirrors the current condition_tag
    UniqueConstraint("ride", "hour_start"),
    one_of("tagged", Tagged, "tagged_known"),
    part("ix_ride_hour_unsettled", "ride", where=_UNSETTLED),
    not_negative("drive_s", "distance_m", "moving_s", "mean_speed_mps", "climb_m"),
    CheckConstraint("latitude_deg >= -90 AND latitude_deg <= 90", name="latitude_possible"),
    CheckConstraint("longitude_deg >= -180 AND longitude_deg <= 180", name="longitude_possible"),
)

# One revision of an hour's tag. The newest is `current`; the others are kept to explain a flip.
condition_tag = Table(
    "condition_tag",
    LEDGER,
    number(),
    known("ride_hour", Integer, ForeignKey("ride_hour.id"), index=True),
    known("is_current", Boolean),
    known("made_at", Instant),
    known("checked_at", Instant),  # when the same tag was last found again
    Column("paved_water", Float),
    Column("unpaved_water", Float),
    Column("mud", Float),
    Column("dust", Float),
    known("confidence", Float),
    known("tier", String),
    Column("rain_mm", Float),
    Column("rain_before_mm", Float),
    known("source", String),
    Column("fetched_at", Instant),
    known("because", String),
    known("frost", Boolean),
    known("salt", Float),
    known("snow_mm", Float),
    one_of("tier", Tier, "tier_known"),
    share("paved_water"),
    share("unpaved_water"),
    share("mud"),
    share("confidence"),
    CheckConstraint("dust >= 0 AND dust <= 3", name="dust_0_to_3"),
    not_negative("rain_mm", "rain_before_mm"),
    part("uq_condition_tag_current", "ride_hour", where=text("is_current"), unique=True),
)

# One decision on a ride's bike. All are kept; services.store.assignments says which is in force.
ride_assignment = Table(
    "ride_assignment",
    LEDGER,
    number(),
    known("ride", Integer, ForeignKey("ride.id"), index=True),
    Column("bike", Integer, ForeignKey("bike.id")),
    Column("decided_by", String),
    Column("probability", Float),
    known("verdict", String),
    known("evidence", String),  # JSON, as whoever judged wrote it
    known("made_at", Instant),
    known("made_by", String),
    known("is_undone", Boolean),
    Column("undoes", Integer, ForeignKey("ride_assignment.id")),
    one_of("decided_by", DecidedBy, "decided_by_known"),
    CheckConstraint("verdict IN ('certain', 'likely', 'ask')", name="verdict_known"),
    share("probability"),
)

# The rider's word on a ride's conditions or its unpaved share; null takes the word back.
ride_word = Table(
    "ride_word",
    LEDGER,
    number(),
    known("ride", Integer, ForeignKey("ride.id"), index=True),
    known("about", String),
    Column("said", String),
    known("made_at", Instant),
    known("made_by", String),
    known("is_undone", Boolean),
    CheckConstraint("about IN ('conditions', 'unpaved share')", name="about_known"),
)

# Two recordings of one outing: `other` is left out of the ledger until they are split again.
same_outing = Table(
    "same_outing",
    LEDGER,
    number(),
    known("kept", Integer, ForeignKey("ride.id"), index=True),
    known("other", Integer, ForeignKey("ride.id"), index=True),
    known("because", JSON),
    known("made_at", Instant),
    known("made_by", String),
    Column("split_at", Instant),
    Column("split_by", String),
    CheckConstraint("kept <> other", name="two_rides"),
)

# What became of the bytes of a file, by their hash, so that no file is read twice.
file_seen = Table(
    "file_seen",
    LEDGER,
    number(),
    known("sha256", String, unique=True),  # for a part that could not be opened, its name and time instead
    known("name", String),
    known("size_bytes", BigInteger),
    known("seen_at", Instant),
    known("outcome", String),
    known("why", String),
    known("try_this", String),
    Column("ride", Integer, ForeignKey("ride.id"), index=True),
    not_negative("size_bytes"),
    Index("ix_file_seen_seen_at", "seen_at"),
)

# One revision of an archive's hour over a cell. The one in force is `is_current`; others are kept.
hourly_weather = Table(
    "hourly_weather",
    LEDGER,
    number(),
    known("latitude_deg", Float),
    known("longitude_deg", Float),
    known("hour_start", Instant),
    known("source", String),
    known("model", String),
    known("tier", String),
    known("fetched_at", Instant),
    known("checked_at", Instant),  # when the archive last gave this same value
    known("checks", Integer),  # how many times it has given it
    known("is_current", Boolean),
    Column("rain_mm", Float),
    Column("snowfall_cm", Float),
    Column("temperature_c", Float),
    Column("humidity_pct", Float),
    Column("wind_10m_mps", Float),
    Column("shortwave_wm2", Float),
    Column("soil_moisture_m3m3", Float),
    Column("et0_mm", Float),
    Column("pressure_kpa", Float),
    one_of("tier", Tier, "tier_known"),
    not_negative("rain_mm", "snowfall_cm", "wind_10m_mps", "soil_moisture_m3m3", "pressure_kpa"),
    CheckConstraint("humidity_pct >= 0 AND humidity_pct <= 110", name="humidity_possible"),
    CheckConstraint("temperature_c > -100 AND temperature_c < 70", name="temperature_possible"),
    part(
        "uq_hourly_weather_current",
        *("latitude_deg", "longitude_deg", "hour_start", "source", "model"),
        where=text("is_current"),
        unique=True,
    ),
    part("ix_hourly_weather_nulls", "fetched_at", where=_NULL),
)

# A span of days that was asked of an archive for a cell, and whether the answer was whole.
weather_block = Table(
    "weather_block",
    LEDGER,
    number(),
    known("source", String),
    known("latitude_deg", Float),
    known("longitude_deg", Float),
    known("first_day", Date),
    known("last_day", Date),
    known("tier", String),
    known("fetched_at", Instant),
    known("complete", Boolean),
    one_of("tier", Tier, "tier_known"),
    CheckConstraint("last_day >= first_day", name="days_in_order"),
    Index("ix_weather_block_cell", "source", "latitude_deg", "longitude_deg"),
)
# Spelt as the partial indexes spell it: SQLite uses one only for the very same words, and "is_current = 1",
# as the column alone would be rendered, is not the same.
TAG_IS_CURRENT = text("condition_tag.is_current")
IS_UNCLEAR = text("(ride.verdict IS NULL OR ride.verdict = 'ask')")
IS_LIKELY = text("ride.verdict = 'likely'")
IS_SPOKEN_FOR = text("ride.decided_by = 'rider'")
IS_UNNAMED = text("ride.likes IS NULL")
IS_UNSETTLED = text(
    "ride_hour.tagged <> 'final'"
    " AND ride_hour.latitude_deg IS NOT NULL AND ride_hour.longitude_deg IS NOT NULL"
)
WEATHER_IS_CURRENT = text("hourly_weather.is_current")
