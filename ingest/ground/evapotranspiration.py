"""How fast water leaves a surface: FAO-56 Penman-Monteith, for a day and for an hour.

Source throughout: Allen, Pereira, Raes, Smith: Crop evapotranspiration, FAO Irrigation and Drainage Paper 56
(1998), https://www.fao.org/3/x0490e/x0490e00.htm, cited here by equation number.
Energies are in MJ/m² over the step, water in mm over the step.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime, timedelta
from math import acos, cos, exp, log, pi, sin, sqrt, tan

SOLAR_CONSTANT_MJ_M2_MIN = 0.0820  # eq. 28
GRASS_ALBEDO = 0.23  # eq. 38
STEFAN_BOLTZMANN_MJ_K4_M2_H = 2.043e-10  # text at eq. 53: the daily 4.903e-9 divided by 24
# The share of clear-sky sun carried into a night whose day before is not known; FAO-56, hourly net longwave:
# 0.4-0.6 humid, 0.7-0.8 arid.
UNKNOWN_CLEARNESS = 0.8
# ASCE-EWRI 2005 keeps the share of clear-sky sun at or above this; FAO-56 gives only the upper limit, 1.
LEAST_CLEARNESS = 0.3
USUAL_WIND_2M_MPS = 2.0  # ch. 3: where nobody measured wind
VON_KARMAN = 0.41  # eq. 4
# Bare level ground; our choice, 0.001 to grass's 0.015: Davenport's classes have 0.0002 and 0.005 for ground
# without plants (WMO-No. 8; from memory).
ROAD_ROUGHNESS_M = 0.005
VAPOUR_KJ_KG_K = 0.4615  # gas constant of water vapour: physics
ADJUSTMENT_INLAND = 0.16  # eq. 50, per √°C; 0.19 near coasts


@dataclass(frozen=True, slots=True)
class ReferenceCrop:
    """The two constants by which variants of the one equation differ."""

    numerator: float
    wind_factor: float


FAO_DAY = ReferenceCrop(900, 0.34)  # eq. 6
FAO_HOUR = ReferenceCrop(37, 0.34)  # eq. 53
ASCE_SHORT_SUNLIT_HOUR = ReferenceCrop(37, 0.24)  # ASCE-EWRI 2005, from memory
ASCE_SHORT_NIGHT_HOUR = ReferenceCrop(37, 0.96)  # ASCE-EWRI 2005, from memory


def saturation_vapour_pressure_kpa(air_c: float) -> float:
    """How much water vapour air of this temperature can hold. [kPa] Source: eq. 11."""
    return 0.6108 * exp(17.27 * air_c / (air_c + 237.3))


def slope_kpa_per_c(air_c: float) -> float:
    """How fast that capacity grows with temperature. [kPa/°C] Source: eq. 13."""
    return 4098 * saturation_vapour_pressure_kpa(air_c) / (air_c + 237.3) ** 2


def pressure_at_kpa(altitude_m: float) -> float:
    """The usual air pressure at this height above the sea. [kPa] Source: eq. 7."""
    return 101.3 * float(((293 - 0.0065 * altitude_m) / 293) ** 5.26)


def psychrometric_kpa_per_c(pressure_kpa: float) -> float:
    """What a degree of wet-bulb depression is worth in vapour pressure. [kPa/°C] Source: eq. 8."""
    return 0.665e-3 * pressure_kpa


def wind_at_2m_mps(wind_10m_mps: float) -> float:
    """The wind two metres above ground, from wind at ten. [m/s] Source: eq. 47."""
    return wind_10m_mps * 4.87 / log(67.8 * 10.0 - 5.42)


def ground_heat_mj_m2(net_radiation_mj_m2: float) -> float:
    """How much of an hour's net radiation goes into the ground. [MJ/m²] Source: eqs 45 and 46."""
    return (0.1 if net_radiation_mj_m2 > 0 else 0.5) * net_radiation_mj_m2


def penman_monteith_mm(
    *,
    net_radiation_mj_m2: float,
    ground_heat_mj_m2: float,
    air_c: float,
    wind_2m_mps: float,
    saturation_kpa: float,
    vapour_kpa: float,
    slope: float,
    psychrometric: float,
    crop: ReferenceCrop,
) -> float:
    """How much water a well-watered grass gives to the air in one step. [mm]

    A negative value is dew. slope, psychrometric: [kPa/°C].  Source: eq. 6 (day) and eq. 53 (hour).
    """
    radiation = 0.408 * slope * (net_radiation_mj_m2 - ground_heat_mj_m2)
    drying_air = psychrometric * crop.numerator / (air_c + 273) * wind_2m_mps * (saturation_kpa - vapour_kpa)
    return (radiation + drying_air) / (slope + psychrometric * (1 + crop.wind_factor * wind_2m_mps))


def resistance_s_m(wind_2m_mps: float, *, roughness_m: float, lifted_m: float = 0.0) -> float:
    """How hard the air two metres up gets at vapour from a surface. [s/m] Source: eq. 4.

    lifted_m: how far above the ground that surface lies for the wind; two thirds of the height of grass.
    """
    height_m = 2.0 - lifted_m
    return log(height_m / roughness_m) * log(height_m / (0.1 * roughness_m)) / (VON_KARMAN**2 * wind_2m_mps)


def carried_off_mm(
    air_c: float, humidity_pct: float, wind_10m_mps: float | None, *, surface_c: float
) -> float:
    """How much water air takes in an hour from a wet surface of this temperature. [mm] Negative is dew.

    wind_10m_mps: None = the usual 2 m/s at 2 m.  Source: eq. 4, with the gas law for water vapour.
    """
    wind_2m = USUAL_WIND_2M_MPS if wind_10m_mps is None else wind_at_2m_mps(wind_10m_mps)
    if wind_2m <= 0:
        return 0.0
    vapour_kpa = saturation_vapour_pressure_kpa(air_c) * min(100.0, humidity_pct) / 100
    lacking_kpa = saturation_vapour_pressure_kpa(surface_c) - vapour_kpa
    resistance = resistance_s_m(wind_2m, roughness_m=ROAD_ROUGHNESS_M)
    return 3600 * lacking_kpa / (VAPOUR_KJ_KG_K * (surface_c + 273.16)) / resistance


@dataclass(frozen=True, slots=True)
class Sun:
    """Where the sun stood in one hour, and what it would bring with no air in the way."""

    outside_air_mj_m2: float  # eq. 28, sunlit part of the hour only
    hour_angle: float  # at the hour's middle, eq. 31 [rad]
    sunset_angle: float  # eq. 25 [rad]

    @property
    def late_afternoon(self) -> bool:
        """Whether this is two to three hours before sunset: the time whose clearness stands for the night."""
        return self.sunset_angle - 0.79 <= self.hour_angle <= self.sunset_angle - 0.52


def sun(hour_start: datetime, latitude_deg: float, longitude_deg: float) -> Sun:
    """Where the sun stands in the hour from `hour_start` (aware UTC) at a place (longitude east positive).

    Source: eqs 23 to 33; an hour with a sunrise or sunset counts its sunlit part (ASCE-EWRI 2005).
    """
    middle = hour_start + timedelta(minutes=30)
    day = middle.timetuple().tm_yday
    season = 2 * pi * (day - 81) / 364
    correction_h = 0.1645 * sin(2 * season) - 0.1255 * cos(season) - 0.025 * sin(season)
    east_deg = (longitude_deg + 180) % 360 - 180
    solar_h = middle.hour + middle.minute / 60 + 0.06667 * east_deg + correction_h
    day += int(solar_h // 24)
    hour_angle = pi / 12 * (solar_h % 24 - 12)
    latitude = latitude_deg * pi / 180
    declination = 0.409 * sin(2 * pi * day / 365 - 1.39)
    distance = 1 + 0.033 * cos(2 * pi * day / 365)
    sunset = acos(min(1.0, max(-1.0, -tan(latitude) * tan(declination))))
    begin = min(sunset, max(-sunset, hour_angle - pi / 24))
    end = min(sunset, max(-sunset, hour_angle + pi / 24))
    beam = (end - begin) * sin(latitude) * sin(declination)
    beam += cos(latitude) * cos(declination) * (sin(end) - sin(begin))
    return Sun(max(0.0, 12 * 60 / pi * SOLAR_CONSTANT_MJ_M2_MIN * distance * beam), hour_angle, sunset)


def clear_sky_mj_m2(outside_air_mj_m2: float, altitude_m: float) -> float:
    """What the sun brings through a cloudless sky. [MJ/m²] Source: eq. 37."""
    return (0.75 + 2e-5 * altitude_m) * outside_air_mj_m2


def sunshine_from_warmth_mj_m2(outside_air_mj_m2: float, day_range_c: float) -> float:
    """An estimate of the sun's share where nobody measured it: clear days have warm noons and cold nights.

    day_range_c: highest less lowest temperature of the day around.  Source: eq. 50, made for days; spreading
    it over hours by the sun's height is our assumption.
    """
    return min(0.75, ADJUSTMENT_INLAND * sqrt(max(0.0, day_range_c))) * outside_air_mj_m2


@dataclass(frozen=True, slots=True)
class HourlyEvapotranspiration:
    """An hour's reference evapotranspiration, and the clearness of sky to carry into the night after it."""

    et0_mm: float  # negative is dew
    clearness: float


def hourly_reference_mm(
    *,
    hour_start: datetime,
    latitude_deg: float,
    longitude_deg: float,
    altitude_m: float,
    air_c: float,
    humidity_pct: float,
    wind_10m_mps: float | None,
    shortwave_mj_m2: float,
    pressure_kpa: float | None = None,
    clearness_before: float = UNKNOWN_CLEARNESS,
    crop: ReferenceCrop = FAO_HOUR,
) -> HourlyEvapotranspiration:
    """FAO-56 hourly reference evapotranspiration from what a weather archive has. [mm]

    shortwave_mj_m2: sun on level ground over the hour (mean W/m² × 0.0036).
    clearness_before: what the hour before returned.  wind_10m_mps: None = the usual 2 m/s at 2 m.  Source:
    eq. 53 with eqs 37 to 40, 45 to 47.
    """
    here = sun(hour_start, latitude_deg, longitude_deg)
    clear = clear_sky_mj_m2(here.outside_air_mj_m2, altitude_m)
    now = min(1.0, max(LEAST_CLEARNESS, shortwave_mj_m2 / clear)) if clear > 0 else clearness_before
    saturation = saturation_vapour_pressure_kpa(air_c)
    vapour = saturation * humidity_pct / 100
    longwave = STEFAN_BOLTZMANN_MJ_K4_M2_H * (air_c + 273.16) ** 4
    longwave *= (0.34 - 0.14 * sqrt(vapour)) * (1.35 * now - 0.35)
    net = (1 - GRASS_ALBEDO) * shortwave_mj_m2 - longwave
    et0 = penman_monteith_mm(
        net_radiation_mj_m2=net,
        ground_heat_mj_m2=ground_heat_mj_m2(net),
        air_c=air_c,
        wind_2m_mps=USUAL_WIND_2M_MPS if wind_10m_mps is None else wind_at_2m_mps(wind_10m_mps),
        saturation_kpa=saturation,
        vapour_kpa=vapour,
        slope=slope_kpa_per_c(air_c),
        psychrometric=psychrometric_kpa_per_c(
            pressure_at_kpa(altitude_m) if pressure_kpa is None else pressure_kpa
        ),
        crop=crop,
    )
    return HourlyEvapotranspiration(et0, now if here.late_afternoon and clear > 0 else clearness_before)
