"""What lies on paved road from hour to hour: water, snow or ice, and salt.

Two kinds: a main road is ploughed and salted, a quiet one is neither. In warm months both hold exactly the
film of ingest.ground.wetting_and_drying. Air temperature stands for the road's. Each constant has its source
beside it; "our choice" marks an assumption, with the range it could as well have.
"""

from __future__ import annotations

from typing import NamedTuple

from ingest.ground.road_salt import (
    DAMP_MM,
    DAMP_MM_PER_G,
    DELIQUESCENT_PCT,
    HOLDS_FROM_G_M2,
    MELTS_TO_C,
    MOST_G_M2,
    SPREAD_G_M2,
    brine_mm,
    left_after_run_off_g_m2,
    washed_g_m2,
)
from ingest.ground.snow import PLOUGH_FROM_MM, PLOUGH_LEAVES, TOWN_MELT_MM, melt_mm
from ingest.ground.thresholds import DEW_FROM_PCT, FROZEN_FROM_MM
from ingest.ground.wetting_and_drying import PAVED_CAP_MM, paved_after

SUBLIMES = 0.5  # of the reference evapotranspiration; our choice: 0.25-0.67 mm a day, Svoma 2016 table 1
# Penman-Monteith overstates dew (Water 2017 9:607: conductances × 0.33 to agree); our choice, 0.33-1.
DEW_SHARE = 0.5
MOST_DEW_MM = 0.06  # an hour: the highest usual dewfall, Garratt & Segal 1988
FOG_PCT = 98.0  # nothing dries; our choice


class Sky(NamedTuple):
    """What one hour brings to the ground. Missing values are those that change nothing."""

    rain_mm: float
    snow_mm: float  # as water
    air_c: float
    humidity_pct: float | None
    et0_mm: float  # negative = dew
    carried_off_mm: float = 0.0  # what the air takes off a wet road without any sun


class Road(NamedTuple):
    """What an hour leaves on paved road. [mm, mm, g/m²]"""

    water_mm: float = 0.0
    frozen_mm: float = 0.0
    salt_g_m2: float = 0.0


BARE = Road()


def dew_mm(sky: Sky) -> float:
    """The dew of an hour. [mm]"""
    if sky.et0_mm >= 0 or sky.air_c <= 0 or sky.humidity_pct is None or sky.humidity_pct < DEW_FROM_PCT:
        return 0.0
    return min(MOST_DEW_MM, DEW_SHARE * -sky.et0_mm)


def road_after(road: Road, sky: Sky, *, main: bool, salted_now: bool = False) -> Road:
    """The road after one hour: salt, precipitation, freeze or melt, plough, run-off, drying, wash.

    main: ploughed, and salted where `salted_now` says so.
    """
    water, frozen, salt = road
    rain, snow, air, humidity, et0, carried_off = sky
    if main and salted_now:
        salt = min(MOST_G_M2, salt + SPREAD_G_M2)
    came = rain
    if frozen or snow or (air < 0 and (water or rain)):
        water, frozen, came = _frozen_or_melted(water + rain, frozen + snow, salt, air, rain)
        if main and frozen > PLOUGH_FROM_MM:
            frozen *= PLOUGH_LEAVES
    else:
        water += rain
    water += dew_mm(sky)
    if salt:
        salt = left_after_run_off_g_m2(salt, water - PAVED_CAP_MM)
    holds = salt >= HOLDS_FROM_G_M2 and humidity is not None and humidity >= DELIQUESCENT_PCT
    fog = humidity is not None and humidity >= FOG_PCT
    dries = frozen <= FROZEN_FROM_MM and not holds and not fog
    # what came is in the water already; told again it keeps the slow drainage of dry hours away
    if not dries:
        et0 = carried_off = 0.0
    water = paved_after(max(0.0, water - came), rain_mm=came, et0_mm=et0, carried_off_mm=carried_off)
    if frozen > FROZEN_FROM_MM and air < 0:
        frozen = max(0.0, frozen - SUBLIMES * max(0.0, sky.et0_mm))
    if holds and frozen <= FROZEN_FROM_MM:
        water = max(water, min(DAMP_MM, DAMP_MM_PER_G * salt))
    return Road(water, frozen, washed_g_m2(salt, water) if salt else 0.0)


def _frozen_or_melted(
    water: float, frozen: float, salt: float, air: float, rain: float
) -> tuple[float, float, float]:
    """Water and ice of the hour, and how much of the water came in it, with what melted."""
    whole = water + frozen
    if air < 0:
        liquid = min(whole, brine_mm(salt, air))
        return liquid, whole - liquid, min(rain, liquid)
    melted = melt_mm(frozen, a_day_mm_per_c=TOWN_MELT_MM, air_c=air, rain_mm=rain)
    liquid = water + melted
    if salt:
        liquid = max(liquid, min(whole, brine_mm(salt, MELTS_TO_C)))
    return liquid, max(0.0, whole - liquid), rain + liquid - water
