"""What each hour of weather does to the ground: its rain, and its drying, from whatever the feed has."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from ingest.ground.evapotranspiration import (
    UNKNOWN_CLEARNESS,
    carried_off_mm,
    hourly_reference_mm,
    sun,
    sunshine_from_warmth_mj_m2,
)
from ingest.ground.thresholds import DEW_FROM_PCT, TRACE_MM
from ingest.weather.hourly import HourlyWeather

MJ_PER_WATT_HOUR = 0.0036
RANGE_HOURS = 24
# A road keeps some of the warmth of the day, and loses some to the sky: so much of the difference to the mean
# air of the last day, less so much [°C]. Fitted to the road temperatures, not the wetness, of sunless hours
# over 0 °C in one street (tests/benchmarks/street.py); with a month left out 0.38-0.47 and 0.23-0.51.
ROAD_KEEPS, ROAD_LOSES_C = 0.43, 0.38


def forcings(hours: Sequence[HourlyWeather | None], *, altitude_m: float = 0.0) -> list[Forcing]:
    """What each hour does to the ground; None and missing values stay missing.

    hours: one per hour, ascending, of one cell.  altitude_m: for air pressure where the feed has none.
    The feed's own reference evapotranspiration is taken where it has one, else FAO-56 eq. 53 is worked out
    from its temperature, humidity, wind and sun (sun from the day's warmth where the feed has none, FAO-56
    eq. 50).
    """
    clearness = UNKNOWN_CLEARNESS
    result = []
    for position, hour in enumerate(hours):
        if hour is None:
            result.append(Forcing(None, None))
            continue
        rain_mm = hour.rain_mm
        if rain_mm is not None and rain_mm < TRACE_MM:
            rain_mm = 0.0
        et0_mm = hour.et0_mm
        if et0_mm is None:
            et0_mm, clearness = _worked_out(hours, position, hour, altitude_m, clearness)
        elif et0_mm == 0 and (hour.humidity_pct or 0.0) >= DEW_FROM_PCT:
            # archives cut dew off at nought
            dew_mm, clearness = _worked_out(hours, position, hour, altitude_m, clearness)
            et0_mm = min(0.0, dew_mm or 0.0)
        carried_mm = 0.0
        if hour.temperature_c is not None and hour.humidity_pct is not None:
            road_c = _road_c(hours, position, hour.temperature_c)
            carried_mm = carried_off_mm(
                hour.temperature_c, hour.humidity_pct, hour.wind_10m_mps, surface_c=road_c
            )
        result.append(Forcing(rain_mm, et0_mm, carried_mm))
    return result


def _road_c(hours: Sequence[HourlyWeather | None], position: int, air_c: float) -> float:
    """How warm a road is without sun. [°C]"""
    warmth = _warmth(hours, position)
    return air_c + ROAD_KEEPS * (sum(warmth) / len(warmth) - air_c) - ROAD_LOSES_C


def _warmth(hours: Sequence[HourlyWeather | None], position: int) -> list[float]:
    around = hours[max(0, position - RANGE_HOURS + 1) : position + 1]
    return [h.temperature_c for h in around if h is not None and h.temperature_c is not None]


def _worked_out(
    hours: Sequence[HourlyWeather | None],
    position: int,
    hour: HourlyWeather,
    altitude_m: float,
    clearness: float,
) -> tuple[float | None, float]:
    if hour.temperature_c is None or hour.humidity_pct is None:
        return None, clearness
    cell = hour.cell
    if hour.shortwave_wm2 is not None:
        shortwave = hour.shortwave_wm2 * MJ_PER_WATT_HOUR
    else:
        warmth = _warmth(hours, position)
        outside = sun(hour.hour_start, cell.latitude_deg, cell.longitude_deg).outside_air_mj_m2
        shortwave = sunshine_from_warmth_mj_m2(outside, max(warmth) - min(warmth))
    worked = hourly_reference_mm(
        hour_start=hour.hour_start,
        latitude_deg=cell.latitude_deg,
        longitude_deg=cell.longitude_deg,
        altitude_m=altitude_m,
        air_c=hour.temperature_c,
        humidity_pct=hour.humidity_pct,
        wind_10m_mps=hour.wind_10m_mps,
        shortwave_mj_m2=shortwave,
        pressure_kpa=hour.pressure_kpa,
        clearness_before=clearness,
    )
    return worked.et0_mm, worked.clearness


@dataclass(frozen=True, slots=True)
class Forcing:
    """What one hour does to the ground. rain_mm None = no value; et0_mm None = nothing to dry it by."""

    rain_mm: float | None
    et0_mm: float | None
    carried_off_mm: float = 0.0  # what the air takes off a wet road whatever the sun does
