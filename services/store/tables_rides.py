"""The tables of rides, what they were ridden on, and the weather over them."""

from datetime import date, datetime
from enum import StrEnum
from typing import Any

from sqlalchemy import BigInteger, CheckConstraint, Index, UniqueConstraint, text
from sqlmodel import Field

from rules.vocabulary import Condition, DecidedBy, DriveMethod, Tier
from services.store.tables import (
    NumberedRow,
    Row,
    json_column,
    not_negative,
    one_of,
    part,
    share,
    spans,
    table_of,
)

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


class RideRow(NumberedRow, table=True):
    """One outing. The columns from `bike` to `same_as` mirror the newest fact in force, for fast reading."""

    __table_args__ = (
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
    rider: int = Field(foreign_key="rider.id")
    file_name: str
    started_at: datetime
    ended_at: datetime
    title: str
    drive_s: float
    drive_low_s: float
    drive_high_s: float
    drive_method: str
    moving_s: float
    distance_m: float
    climb_m: float
    indoor: bool
    virtual: bool
    unpaved_share_from_file: float | None = None
    sport: str | None = None
    sub_sport: str | None = None
    profile_name: str | None = None
    drive_parts: list[Any] = json_column()  # [method, seconds] pairs
    reader: str
    damage: list[str] = json_column()
    dropped: dict[str, int] = json_column()
    bike: int | None = Field(default=None, foreign_key="bike.id")  # mirrors ride_assignment
    decided_by: str | None = None  # mirrors ride_assignment
    verdict: str | None = None  # mirrors ride_assignment; null = nobody judged yet
    unpaved_share: float | None = None  # the rider's word, else the file's; mirrors ride_word
    word: str | None = None  # mirrors ride_word
    same_as: int | None = Field(default=None, foreign_key="ride.id")  # mirrors same_outing
    words: str = Field(sa_column_kwargs={"server_default": ""})  # title and file name, case folded, to search
    likes: int | None = None  # what it was like, a bit a word; derived, null = to be derived anew


class RideWordsRow(Row, table=True):
    """A ride's `words` from each of their places on, so that any part of them is a span of the index."""

    __table_args__ = {"sqlite_with_rowid": False}  # noqa: RUF012 - as SQLModel wants it
    begins: str = Field(primary_key=True)  # the next LONGEST_PART characters
    ride: int = Field(primary_key=True, foreign_key="ride.id", index=True)


class RideTrackRow(Row, table=True):
    """The bulky part of a ride, apart, so that scans over rides stay quick."""

    ride: int = Field(primary_key=True, foreign_key="ride.id")
    track: bytes  # simplified track for the page, as ingest.ride.summary packs it
    sketch: bytes  # what tells whether two recordings are of one outing, as ingest.ride.summary packs it
    clues: str  # what judging its bike again needs, as ingest.bikes.judge writes it


class RideSensorRow(NumberedRow, table=True):
    """A sensor or head unit that took part in a ride, as its file names it."""

    __table_args__ = (Index("ix_ride_sensor_identity", "identity"),)
    ride: int = Field(foreign_key="ride.id", index=True)
    recorder: bool  # the device that wrote the file
    kind: str
    identity: str | None = None
    serial: int | None = Field(default=None, sa_type=BigInteger)
    ant_number: int | None = Field(default=None, sa_type=BigInteger)
    manufacturer: str | None = None
    product: str | None = None
    battery: str | None = None


class RideHourRow(NumberedRow, table=True):
    __table_args__ = (
        UniqueConstraint("ride", "hour_start"),
        one_of("tagged", Tagged, "tagged_known"),
        part("ix_ride_hour_unsettled", "ride", where=_UNSETTLED),
        not_negative("drive_s", "distance_m", "moving_s", "mean_speed_mps", "climb_m"),
        CheckConstraint("latitude_deg >= -90 AND latitude_deg <= 90", name="latitude_possible"),
        CheckConstraint("longitude_deg >= -180 AND longitude_deg <= 180", name="longitude_possible"),
    )
    ride: int = Field(foreign_key="ride.id")
    hour_start: datetime
    drive_s: float
    distance_m: float
    moving_s: float
    mean_speed_mps: float | None = None
    latitude_deg: float | None = None
    longitude_deg: float | None = None
    climb_m: float
    tagged: str = Field(
        sa_column_kwargs={"server_default": Tagged.NOT_YET}
    )  # mirrors the current condition_tag


class ConditionTagRow(NumberedRow, table=True):
    """One revision of an hour's tag. The newest is `current`; the others are kept to explain a flip."""

    __table_args__ = (
        one_of("tier", Tier, "tier_known"),
        share("paved_water"),
        share("unpaved_water"),
        share("mud"),
        share("confidence"),
        CheckConstraint("dust >= 0 AND dust <= 3", name="dust_0_to_3"),
        not_negative("rain_mm", "rain_before_mm"),
        part("uq_condition_tag_current", "ride_hour", where=text("is_current"), unique=True),
    )
    ride_hour: int = Field(foreign_key="ride_hour.id", index=True)
    is_current: bool
    made_at: datetime
    checked_at: datetime  # when the same tag was last found again
    paved_water: float | None = None
    unpaved_water: float | None = None
    mud: float | None = None
    dust: float | None = None
    confidence: float
    tier: str
    rain_mm: float | None = None
    rain_before_mm: float | None = None
    source: str
    fetched_at: datetime | None = None
    because: str
    frost: bool
    salt: float
    snow_mm: float


class RideAssignmentRow(NumberedRow, table=True):
    """One decision on a ride's bike. All are kept; services.store.assignments says which is in force."""

    __table_args__ = (
        one_of("decided_by", DecidedBy, "decided_by_known"),
        CheckConstraint("verdict IN ('certain', 'likely', 'ask')", name="verdict_known"),
        share("probability"),
    )
    ride: int = Field(foreign_key="ride.id", index=True)
    bike: int | None = Field(default=None, foreign_key="bike.id")
    decided_by: str | None = None
    probability: float | None = None
    verdict: str
    evidence: str  # JSON, as whoever judged wrote it
    made_at: datetime
    made_by: str
    is_undone: bool
    undoes: int | None = Field(default=None, foreign_key="ride_assignment.id")


class RideWordRow(NumberedRow, table=True):
    """The rider's word on a ride's conditions or its unpaved share; null takes the word back."""

    __table_args__ = (CheckConstraint("about IN ('conditions', 'unpaved share')", name="about_known"),)
    ride: int = Field(foreign_key="ride.id", index=True)
    about: str
    said: str | None = None
    made_at: datetime
    made_by: str
    is_undone: bool


class SameOutingRow(NumberedRow, table=True):
    """Two recordings of one outing: `other` is left out of the ledger until they are split again."""

    __table_args__ = (CheckConstraint("kept <> other", name="two_rides"),)
    kept: int = Field(foreign_key="ride.id", index=True)
    other: int = Field(foreign_key="ride.id", index=True)
    because: list[str] = json_column()
    made_at: datetime
    made_by: str
    split_at: datetime | None = None
    split_by: str | None = None


class FileSeenRow(NumberedRow, table=True):
    """What became of the bytes of a file, by their hash, so that no file is read twice."""

    __table_args__ = (not_negative("size_bytes"), Index("ix_file_seen_seen_at", "seen_at"))
    sha256: str = Field(unique=True)  # for a part that could not be opened, its name and time instead
    name: str
    size_bytes: int = Field(sa_type=BigInteger)
    seen_at: datetime
    outcome: str
    why: str
    try_this: str
    ride: int | None = Field(default=None, foreign_key="ride.id", index=True)


class HourlyWeatherRow(NumberedRow, table=True):
    """One revision of an archive's hour over a cell. The one in force is `is_current`; others are kept."""

    __table_args__ = (
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
    latitude_deg: float
    longitude_deg: float
    hour_start: datetime
    source: str
    model: str
    tier: str
    fetched_at: datetime
    checked_at: datetime  # when the archive last gave this same value
    checks: int  # how many times it has given it
    is_current: bool
    rain_mm: float | None = None
    snowfall_cm: float | None = None
    temperature_c: float | None = None
    humidity_pct: float | None = None
    wind_10m_mps: float | None = None
    shortwave_wm2: float | None = None
    soil_moisture_m3m3: float | None = None
    et0_mm: float | None = None
    pressure_kpa: float | None = None


class WeatherBlockRow(NumberedRow, table=True):
    """A span of days that was asked of an archive for a cell, and whether the answer was whole."""

    __table_args__ = (
        one_of("tier", Tier, "tier_known"),
        CheckConstraint("last_day >= first_day", name="days_in_order"),
        Index("ix_weather_block_cell", "source", "latitude_deg", "longitude_deg"),
    )
    source: str
    latitude_deg: float
    longitude_deg: float
    first_day: date
    last_day: date
    tier: str
    fetched_at: datetime
    complete: bool


ride = table_of(RideRow)
ride_words = table_of(RideWordsRow)
ride_track = table_of(RideTrackRow)
ride_sensor = table_of(RideSensorRow)
ride_hour = table_of(RideHourRow)
condition_tag = table_of(ConditionTagRow)
ride_assignment = table_of(RideAssignmentRow)
ride_word = table_of(RideWordRow)
same_outing = table_of(SameOutingRow)
file_seen = table_of(FileSeenRow)
hourly_weather = table_of(HourlyWeatherRow)
weather_block = table_of(WeatherBlockRow)

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
