"""One hour of weather over one archive cell, and the protocol every provider answers to."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date, datetime
from math import cos, hypot, radians
from typing import Protocol

from rules.vocabulary import Tier

KM_PER_DEGREE = 111.2


@dataclass(frozen=True, slots=True)
class Cell:
    """Centre of an archive grid cell. The only place that ever leaves the machine. [degrees]"""

    latitude_deg: float
    longitude_deg: float

    def away_km(self, latitude_deg: float, longitude_deg: float) -> float:
        """How far a place is from this centre, well enough for a few dozen kilometres. [km]"""
        east = abs((longitude_deg - self.longitude_deg + 180) % 360 - 180) * cos(radians(latitude_deg))
        return hypot(self.latitude_deg - latitude_deg, east) * KM_PER_DEGREE


@dataclass(frozen=True, slots=True)
class Span:
    """UTC days first..last of one cell's weather: what is needed, asked for, or held."""

    cell: Cell
    first: date
    last: date


@dataclass(frozen=True, slots=True)
class HourlyWeather:
    """Weather of the hour that begins at `hour_start`. None = no value in the archive: unknown, never dry."""

    cell: Cell
    hour_start: datetime  # aware UTC, on the hour
    source: str  # "open-meteo archive", "open-meteo forecast", "nasa power", "local file"
    model: str  # "era5", "best_match", "merra2", the file's own
    tier: Tier
    fetched_at: datetime
    rain_mm: float | None  # all precipitation in this hour, as water
    snowfall_cm: float | None
    temperature_c: float | None  # at the hour's end
    humidity_pct: float | None
    wind_10m_mps: float | None
    shortwave_wm2: float | None  # mean over this hour
    soil_moisture_m3m3: float | None  # 0-7 cm
    et0_mm: float | None  # FAO-56 reference evapotranspiration over this hour
    pressure_kpa: float | None = None
    rain_chance: float | None = None  # of an hour that is still to come, 0..1; never kept


class ArchiveUnavailable(Exception):  # noqa: N818 - it names the state of the archive
    """The archive did not give usable weather; nothing was stored.

    why: half a sentence.  retry_at: the earliest sensible moment, None = at the next round.
    """

    def __init__(self, why: str, retry_at: datetime | None = None) -> None:
        self.why, self.retry_at = why, retry_at
        super().__init__(why)


class LimitReached(ArchiveUnavailable):
    """The archive is there and asks to be left alone for a while: no reason to go to another one."""


class BlockRefused(ArchiveUnavailable):
    """The archive answered, but not with what was asked: wrong units, steps, lengths or place."""


class WeatherProvider(Protocol):
    """Where hourly weather comes from."""

    name: str  # as stored in HourlyWeather.source
    attribution: str  # the credit its licence asks for, to stand beside shown weather
    tier: Tier  # how settled its values are

    def cell_of(self, latitude_deg: float, longitude_deg: float) -> Cell:
        """The grid cell that holds this place. Raises ArchiveUnavailable (a file that cannot be read)."""

    def reach(self, *, now: datetime) -> tuple[date, date]:
        """The first and the last UTC day that can be asked for at `now`. Raises ArchiveUnavailable."""

    def cost(self, first: date, last: date, *, now: datetime) -> float:
        """What asking for these days counts against the service's limits, in its own unit."""

    def fetch(self, cell: Cell, first: date, last: date, *, now: datetime) -> Sequence[HourlyWeather]:
        """All hours of the UTC days first..last that are over by `now`, ascending, gaps as None values.

        One request. Any cell may be asked for, not only this provider's own.
        Raises ArchiveUnavailable, or BlockRefused when the whole answer cannot be trusted.
        """
