"""Where words for the ground begin: wet, muddy, dusty, frozen, dew, rain in earnest, light or heavy rain."""

from __future__ import annotations

from enum import StrEnum

WET_FROM = 0.45  # of water_weight: our choice of where "damp" becomes "wet"; 0.3-0.6
MUDDY_FROM = 0.5  # of mud_weight: what a rider calls mud
DUSTY_FROM = 0.5  # of dust_index: half of what a dry public gravel road gives at 20 km/h; our choice
WET_HOUR_MM = 0.254  # 0.01 inch: AP-42, section 13.2.2, counts an hour with that much rain as wet
# Gridded archives drizzle too often: under 0.1 mm in an hour counts as dry (0.1-0.2 is "maybe"). Our choice.
TRACE_MM = 0.1
FROZEN_FROM_MM = 0.1  # on paved road, more than this is snow or ice to ride on; our choice
SNOW_FROM_MM = 0.5  # on open ground, more than this is snow to ride on; our choice
DEW_FROM_PCT = 90.0  # drier air than this leaves no dew; our choice


class RainClass(StrEnum):
    """How hard it rained, in the words of the AMS Glossary of Meteorology."""

    NONE = "no"
    LIGHT = "light"
    MODERATE = "moderate"
    HEAVY = "heavy"


def rain_class(rain_mm: float) -> RainClass:
    """The class of one hour's rain.

    Source: AMS Glossary, "Rain", https://glossary.ametsoc.org/w/index.php?title=Rain: light to 2.5 mm/h,
    moderate 2.6 to 7.6, heavy over 7.6. WMO-No. 8 (from memory) draws its lines at 2.5, 10 and 50.
    """
    if rain_mm <= 0:
        return RainClass.NONE
    if rain_mm <= 2.5:
        return RainClass.LIGHT
    return RainClass.MODERATE if rain_mm <= 7.6 else RainClass.HEAVY
