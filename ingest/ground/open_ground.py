"""What lies on unpaved ground from hour to hour: snow, water in the loose layer, water missing below it.

Without snow or frost it is exactly the loose layer and the soil of ingest.ground.water.
"""

from __future__ import annotations

from typing import NamedTuple

from ingest.ground.road import SUBLIMES, Sky
from ingest.ground.snow_or_rain import melt_mm
from ingest.ground.topsoil import LOAM, Soil
from ingest.ground.water import depletion_after, loose_after

# A day and °C. Kuusisto 1980, 96 000 snow depths: open land 3.51; 1.6-6.0 elsewhere (from memory).
OPEN_MELT_MM = 3.5
SNOW_FROM_MM = 0.5  # more than this is snow to ride on; our choice


class OpenGround(NamedTuple):
    """What an hour leaves on unpaved ground. [mm]"""

    snow_mm: float  # as water
    loose_mm: float  # in the loose layer
    depletion_mm: float  # missing from the top 10 cm
    soaked_mm: float = 0.0  # rain and melt of this hour that reached the ground


def start(soil: Soil = LOAM) -> OpenGround:
    """Where a march starts: no snow, and soil that is neither muddy nor dusty (our choice)."""
    return OpenGround(0.0, 0.0, soil.readily_evaporable_mm)


def open_ground_after(ground: OpenGround, sky: Sky, *, soil: Soil = LOAM) -> OpenGround:
    """The ground after one hour. While snow lies, or in frost, nothing dries."""
    snow = ground.snow_mm + sky.snow_mm
    melted = melt_mm(snow, a_day_mm_per_c=OPEN_MELT_MM, air_c=sky.air_c, rain_mm=sky.rain_mm) if snow else 0.0
    snow -= melted
    if snow > 0 and sky.air_c < 0:
        snow = max(0.0, snow - SUBLIMES * max(0.0, sky.et0_mm))
    soaked = sky.rain_mm + melted
    et0 = 0.0 if snow > 0 or sky.air_c <= 0 else sky.et0_mm
    return OpenGround(
        snow,
        loose_after(ground.loose_mm, rain_mm=soaked, et0_mm=et0),
        depletion_after(ground.depletion_mm, rain_mm=soaked, et0_mm=et0, soil=soil),
        soaked,
    )
