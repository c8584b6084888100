"""What wheels raise from roads, as US EPA AP-42 publishes it: the equations behind our dust index.

Source: AP-42 section 13.2.2 "Unpaved Roads" (11/2006),
https://www.epa.gov/sites/default/files/2020-10/documents/13.2.2_unpaved_roads.pdf, and section 13.2.1 "Paved
Roads" (01/2011). Fitted to cars and lorries: the index takes only ratios from here.
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum
from itertools import pairwise

GRAMS_PER_KM_IN_LB_MILE = 281.9  # AP-42 13.2.2, p. 13.2.2-4; the exact arithmetic gives 281.849
GRAVEL_SILT_PCT = 6.4  # table 13.2.2-1, public gravel roads, mean (0.1-15); from memory
DIRT_SILT_PCT = 11.0  # the same table, public dirt roads, mean (0.83-68); from memory
DRY_MOISTURE_PCT = 0.5  # the default moisture of a dry road surface
WET_HOUR_MM = 0.254  # 0.01 inch: AP-42 counts an hour, or a day, with that much rain as wet
WATERING_CURVE = ((0.0, 0.0), (1.0, 0.0), (2.0, 75.0), (5.0, 95.0))  # figure 13.2.2-2, vertices
DRYING_CREDIT_H = 12  # 13.2.1: at most this long; EPA: "not verified in any rigorous manner"


@dataclass(frozen=True, slots=True)
class UnpavedConstants:
    """Constants of equations 1a (industrial) and 1b (public) for one particle size; tables 13.2.2-2, -4."""

    k_industrial: float  # lb per vehicle mile
    silt_power_industrial: float
    weight_power_industrial: float
    k_public: float  # lb per vehicle mile
    silt_power_public: float
    moisture_power_public: float
    speed_power_public: float
    tailpipe_lb_mile: float


PM2_5 = UnpavedConstants(0.15, 0.9, 0.45, 0.18, 1.0, 0.2, 0.5, 0.00036)
PM10 = UnpavedConstants(1.5, 0.9, 0.45, 1.8, 1.0, 0.2, 0.5, 0.00047)
PM30 = UnpavedConstants(4.9, 0.7, 0.45, 6.0, 1.0, 0.3, 0.3, 0.00047)

# 13.2.1, equation 1: grams per vehicle kilometre by size of particle [µm].
PAVED_K_G_KM = {2.5: 0.15, 10.0: 0.62, 15.0: 0.77, 30.0: 3.23}


class Traffic(StrEnum):
    """How busy a paved road is, in vehicles a day."""

    UNDER_500 = "under 500"
    UNDER_5000 = "500 to 5 000"
    UNDER_10000 = "5 000 to 10 000"
    OVER_10000 = "over 10 000"
    LIMITED_ACCESS = "limited access"


# Table 13.2.1-2, g/m²: what lies on a paved road for the tyres to lift.
SILT_LOAD_G_M2 = {
    Traffic.UNDER_500: 0.6,
    Traffic.UNDER_5000: 0.2,
    Traffic.UNDER_10000: 0.06,
    Traffic.OVER_10000: 0.03,
    Traffic.LIMITED_ACCESS: 0.015,
}


def industrial_unpaved_lb_mile(size: UnpavedConstants, *, silt_pct: float, weight_tons: float) -> float:
    """What one vehicle raises on an industrial unpaved road. [lb/mile] Equation 1a; silt 1.8-25.2 %."""
    silt = (silt_pct / 12) ** size.silt_power_industrial
    return float(size.k_industrial * silt * (weight_tons / 3) ** size.weight_power_industrial)


def public_unpaved_lb_mile(
    size: UnpavedConstants, *, silt_pct: float, speed_mph: float, moisture_pct: float
) -> float:
    """What one light vehicle raises on a public unpaved road. [lb/mile] Equation 1b.

    Fitted over silt 1.8-35 %, 10-55 mph, moisture 0.03-13 %.
    """
    raised = size.k_public * (silt_pct / 12) ** size.silt_power_public
    raised *= (speed_mph / 30) ** size.speed_power_public
    raised /= (moisture_pct / DRY_MOISTURE_PCT) ** size.moisture_power_public
    return float(raised - size.tailpipe_lb_mile)


def with_wet_days(factor: float, *, wet_days: int, days: int = 365) -> float:
    """The same over a year in which dust lay still on the wet days. 13.2.2 equation 2."""
    return factor * (days - wet_days) / days


def watering_efficiency_pct(moisture_ratio: float) -> float:
    """How much dust watering holds down, by surface moisture over its dry value. [%] Figure 13.2.2-2."""
    for (x0, y0), (x1, y1) in pairwise(WATERING_CURVE):
        if moisture_ratio <= x1:
            return y0 + (y1 - y0) * (max(moisture_ratio, x0) - x0) / (x1 - x0)
    return WATERING_CURVE[-1][1]


def paved_g_km(*, silt_load_g_m2: float, weight_tons: float, size_um: float = 10.0) -> float:
    """What one vehicle raises on a dry paved road. [g/km] 13.2.1 equation 1."""
    return float(PAVED_K_G_KM[size_um] * silt_load_g_m2**0.91 * weight_tons**1.02)


def paved_hour_factor(*, rain_mm: float, wet_hours_before: int, hours_since_rain: int) -> float:
    """The share of dry paved dust left in an hour after rain. 13.2.1, hourly rule.

    None in a wet hour; then a fifth is credited for as many hours as were wet, at most twelve.
    """
    if rain_mm >= WET_HOUR_MM:
        return 0.0
    return 0.8 if 0 < hours_since_rain <= min(wet_hours_before, DRYING_CREDIT_H) else 1.0
