"""What lies on unpaved ground from hour to hour: snow, water in the loose layer and in the soil.

Without snow, frost or dew it is exactly the loose layer and the soil of ingest.ground.wetting_and_drying.
"""

from __future__ import annotations

from typing import NamedTuple

from ingest.ground.paved_road import SUBLIMES, Sky, dew_mm
from ingest.ground.snow import OPEN_MELT_MM, melt_mm
from ingest.ground.topsoil import EVAPORATING_DEPTH_M, LOAM, Soil
from ingest.ground.wetting_and_drying import TOPMOST_M, depletion_after, loose_after, topmost_after

DEW_AT_MOST_MM = 0.2  # a night: Richards 2005, Vancouver, 0.07-0.12 on average. Dew damps, it never wets


class OpenGround(NamedTuple):
    """What an hour leaves on unpaved ground. [mm]"""

    snow_mm: float  # as water
    loose_mm: float  # in the loose layer
    depletion_mm: float  # missing from the top 10 cm
    topmost_mm: float  # over field capacity in what tyres work; negative = missing


def start(soil: Soil = LOAM) -> OpenGround:
    """Where a march starts: no snow, and soil that is neither muddy nor dusty (our choice)."""
    missing_mm = soil.readily_evaporable_mm
    return OpenGround(0.0, 0.0, missing_mm, -missing_mm * TOPMOST_M / EVAPORATING_DEPTH_M)


def open_ground_after(ground: OpenGround, sky: Sky, *, soil: Soil = LOAM) -> OpenGround:
    """The ground after one hour. While snow lies, or in frost, nothing dries."""
    snow = ground.snow_mm + sky.snow_mm
    melted = melt_mm(snow, a_day_mm_per_c=OPEN_MELT_MM, air_c=sky.air_c, rain_mm=sky.rain_mm) if snow else 0.0
    snow -= melted
    if snow > 0 and sky.air_c < 0:
        snow = max(0.0, snow - SUBLIMES * max(0.0, sky.et0_mm))
    soaked = sky.rain_mm + melted
    et0 = 0.0 if snow > 0 or sky.air_c <= 0 else sky.et0_mm
    loose = loose_after(ground.loose_mm, rain_mm=soaked, et0_mm=et0)
    if snow == 0:
        loose = max(loose, min(DEW_AT_MOST_MM, loose + dew_mm(sky)))
    return OpenGround(
        snow,
        loose,
        depletion_after(ground.depletion_mm, rain_mm=soaked, et0_mm=et0, soil=soil),
        topmost_after(ground.topmost_mm, rain_mm=soaked, et0_mm=et0, drains=sky.air_c > 0, soil=soil),
    )
