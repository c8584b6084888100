"""Whether what fell was snow, and how much of what lies frozen an hour melts or a plough leaves."""

from __future__ import annotations

from math import atan, exp, sqrt

CM_OF_SNOWFALL_PER_MM = 0.7  # the open archive's own rule: 7 cm of its snowfall are 10 mm of water
# Without humidity: Jennings et al. 2018, Nat. Commun. 9:1148, mean of 17.8 million reports.
HALF_SNOW_AIR_C = 1.0
SURELY_RAIN_WET_BULB_C = 4.0  # our choice: forecast models have reported snowfall at 10 °C
# A day and °C, in a town and on open land.
TOWN_MELT_MM = 6.0  # our choice, 3-11: Bengtsson & Westerström 1992, town snow melts faster
OPEN_MELT_MM = 3.5  # Kuusisto 1980, 96 000 snow depths: open land 3.51; 1.6-6.0 elsewhere (from memory)
PLOUGH_FROM_MM, PLOUGH_LEAVES = 3.0, 0.2  # as water: NORTRIP parameter table v12
MELT_BY_RAIN = 4.19 / 334  # heat of a mm of water for 1 °C over the heat that melts a mm of ice: physics
STULL_HUMIDITY_PCT = (5.0, 99.0)  # the range the formula was fitted to


def wet_bulb_c(air_c: float, humidity_pct: float) -> float:
    """How cold evaporation can make a wet thing in this air, never over the air itself. [°C]

    Source: Stull 2011, J. Appl. Meteorol. Climatol. 50:2267, at sea-level pressure.
    """
    humidity = min(STULL_HUMIDITY_PCT[1], max(STULL_HUMIDITY_PCT[0], humidity_pct))
    found: float = air_c * atan(0.151977 * sqrt(humidity + 8.313659)) + atan(air_c + humidity)
    found += 0.00391838 * humidity**1.5 * atan(0.023101 * humidity) - atan(humidity - 1.676331) - 4.686035
    return float(min(found, air_c))


def snow_share_at(wet_bulb: float) -> float:
    """The share of precipitation that falls as snow at this wet-bulb temperature, 0 to 1.

    Source: Wang et al. 2019, Geophys. Res. Lett. 46:13825, eq. 1.
    """
    return float(1 / (1 + 6.99e-5 * exp(2 * (min(wet_bulb, 60.0) + 3.97))))


def snow_mm(
    precipitation_mm: float, *, snowfall_cm: float | None, air_c: float | None, humidity_pct: float | None
) -> float:
    """How much of an hour's precipitation fell as snow, as water. [mm]

    snowfall_cm: the archive's own word, taken where it has one, except in air too warm for it.  With nothing
    known of the air it is rain.
    """
    wet_bulb = None if air_c is None else air_c
    if air_c is not None and humidity_pct is not None:
        wet_bulb = wet_bulb_c(air_c, humidity_pct)
    if wet_bulb is not None and wet_bulb >= SURELY_RAIN_WET_BULB_C:
        return 0.0
    if snowfall_cm is not None:
        return min(precipitation_mm, snowfall_cm / CM_OF_SNOWFALL_PER_MM)
    if air_c is None or wet_bulb is None:
        return 0.0
    if humidity_pct is None:
        return precipitation_mm if air_c < HALF_SNOW_AIR_C else 0.0
    return precipitation_mm * snow_share_at(wet_bulb)


def melt_mm(frozen_mm: float, *, a_day_mm_per_c: float, air_c: float, rain_mm: float) -> float:
    """How much of what lies frozen melts in an hour. [mm]

    a_day_mm_per_c: the degree-day factor of the place, as TOWN_MELT_MM.  Rain brings its own warmth.
    """
    warmth_c = max(0.0, air_c)
    return min(frozen_mm, a_day_mm_per_c * warmth_c / 24 + rain_mm * warmth_c * MELT_BY_RAIN)
