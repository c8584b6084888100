"""NASA POWER (MERRA-2 by the hour since 2001): a second opinion, and a stand-by for the open archive.

Its stamps are the hour's start; asked for UTC, for its default is local solar time.
The service's own documentation: https://power.larc.nasa.gov/docs/services/api/temporal/hourly/
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from datetime import UTC, date, datetime, timedelta
from typing import Any

from ingest.weather.hourly import BlockRefused, Cell, HourlyWeather
from ingest.weather.http_client import TIMEOUT_S, Asker
from ingest.weather.plausible_hour import believable, believed
from rules.vocabulary import Tier

POWER_URL = "https://power.larc.nasa.gov/api/temporal/hourly/point"
FIRST_DAY = date(2001, 1, 1)
USUALLY_FINAL_AFTER = timedelta(days=8)  # "some days late, solar about a week"
LATITUDE_STEP_DEG, LONGITUDE_STEP_DEG = 0.5, 0.625
FILL = -999.0
# Its soil wetness is a share of saturation; a loam is saturated at about this much water. From memory;
# 0.40-0.50.
POROSITY_M3M3 = 0.45
HOUR = timedelta(hours=1)


def _same(value: float) -> float:
    return value


def _from_megajoule(value: float) -> float:
    return value / 0.0036


def _from_wetness(value: float) -> float:
    return value * POROSITY_M3M3


# The service's name, our field, and what each unit it may come in means.
PARAMETERS: Mapping[str, tuple[str, Mapping[str, Callable[[float], float]]]] = {
    "PRECTOTCORR": ("rain_mm", {"mm/hour": _same, "mm/hr": _same}),
    "T2M": ("temperature_c", {"C": _same}),
    "RH2M": ("humidity_pct", {"%": _same}),
    "WS10M": ("wind_10m_mps", {"m/s": _same}),
    "ALLSKY_SFC_SW_DWN": (
        "shortwave_wm2",
        {"Wh/m^2": _same, "W/m^2": _same, "MJ/hr": _from_megajoule, "MJ/m^2/hr": _from_megajoule},
    ),
    "PS": ("pressure_kpa", {"kPa": _same}),
    "GWETTOP": ("soil_moisture_m3m3", {"1": _from_wetness, "dimensionless": _from_wetness}),
}


class NasaPower:
    """NASA POWER's hourly values at a point."""

    name: str = "nasa power"
    model: str = "merra2"
    attribution: str = (
        "Weather data from the NASA Langley Research Center POWER project, funded through the NASA Earth "
        "Science Directorate Applied Science Program, https://power.larc.nasa.gov/."
    )

    def __init__(
        self, url: str = POWER_URL, *, tier: Tier = Tier.FINAL, timeout_s: float = TIMEOUT_S
    ) -> None:
        """url: the whole address asked.  tier: preliminary where it only stands in for another archive."""
        self.url, self.tier = url, tier
        self._asker = Asker(self.name, timeout_s=timeout_s)

    def cell_of(self, latitude_deg: float, longitude_deg: float) -> Cell:
        """The MERRA-2 grid point nearest to this place."""
        latitude = round(latitude_deg / LATITUDE_STEP_DEG) * LATITUDE_STEP_DEG
        longitude = round(longitude_deg / LONGITUDE_STEP_DEG) * LONGITUDE_STEP_DEG
        return Cell(latitude + 0.0, (longitude + 180) % 360 - 180 + 0.0)

    def close(self) -> None:
        """Lets the connection go."""
        self._asker.close()

    def reach(self, *, now: datetime) -> tuple[date, date]:
        """2001 to about a week ago."""
        return FIRST_DAY, (now - USUALLY_FINAL_AFTER).date()

    def cost(self, first: date, last: date, *, now: datetime) -> float:  # noqa: ARG002 - the protocol's arguments
        """One request; the service publishes no weights."""
        return 1.0

    def fetch(self, cell: Cell, first: date, last: date, *, now: datetime) -> Sequence[HourlyWeather]:
        """See WeatherProvider.fetch."""
        question: dict[str, str | int | float] = {
            "parameters": ",".join(PARAMETERS),
            "community": "re",
            "latitude": cell.latitude_deg,
            "longitude": cell.longitude_deg,
            "start": f"{first:%Y%m%d}",
            "end": f"{last:%Y%m%d}",
            "format": "JSON",
            "time-standard": "UTC",
        }
        series = _series(self._asker.ask(self.url, question, now=now))
        hours = []
        at = datetime(first.year, first.month, first.day, tzinfo=UTC)
        while at.date() <= last and at + HOUR <= now:
            values = {field: _value(column, field, at) for field, column in series.items()}
            hours.append(
                HourlyWeather(
                    cell=cell,
                    hour_start=at,
                    source=self.name,
                    model=self.model,
                    tier=self.tier,
                    fetched_at=now,
                    rain_mm=values["rain_mm"],
                    snowfall_cm=None,
                    temperature_c=values.get("temperature_c"),
                    humidity_pct=values.get("humidity_pct"),
                    wind_10m_mps=values.get("wind_10m_mps"),
                    shortwave_wm2=values.get("shortwave_wm2"),
                    soil_moisture_m3m3=values.get("soil_moisture_m3m3"),
                    et0_mm=None,
                    pressure_kpa=values.get("pressure_kpa"),
                )
            )
            at += HOUR
        return hours


_Column = tuple[Mapping[str, Any], Callable[[float], float], float]


def _series(document: Any) -> dict[str, _Column]:
    """Our fields' columns by hour stamp, each with its unit's meaning and the mark for "no value"."""
    try:
        columns, units = document["properties"]["parameter"], document["parameters"]
        header = document["header"]
        fill = float(header.get("fill_value", FILL))
        standard = header.get("time_standard", "UTC")
        given = {name: (columns[name], str(units[name]["units"])) for name in PARAMETERS if name in columns}
    except (AttributeError, KeyError, TypeError, ValueError, OverflowError) as error:
        raise BlockRefused("nasa power: its answer has not the shape it documents") from error
    if standard != "UTC":
        raise BlockRefused(f"nasa power: its times are in {standard!r}, not in UTC")
    if "PRECTOTCORR" not in given:
        raise BlockRefused("nasa power: its answer has no precipitation")
    series: dict[str, _Column] = {}
    for name, (column, unit) in given.items():
        field, meanings = PARAMETERS[name]
        if unit not in meanings:
            raise BlockRefused(f"nasa power: {name} comes in {unit!r}, not in {' or '.join(meanings)}")
        if not isinstance(column, dict):
            raise BlockRefused(f"nasa power: {name} has no values by hour")
        series[field] = (column, meanings[unit], fill)
    return series


def _value(column: _Column, field: str, at: datetime) -> float | None:
    values, meaning, fill = column
    stamp = f"{at:%Y%m%d%H}"
    if stamp not in values:
        raise BlockRefused(f"nasa power: {field} has no entry for {stamp}, though that day was asked for")
    value = values[stamp]
    if value is None or value == fill:
        return None
    if isinstance(value, int | float):
        value = meaning(believable(value))
    return believed("nasa power", field, value, when=stamp)
