"""Road salt: when it is likely put down, how much water it keeps liquid, how it leaves again.

No log of spreading is known for a rider's roads. What is here is inferred from weather: good for whether
there is salt on a main road, poor for the night it came. tests/benchmarks/street.py holds it against one
street's own log.
"""

from __future__ import annotations

from collections.abc import Sequence
from itertools import pairwise
from math import exp

from ingest.ground.wetting_and_drying import FILM_MM, PAVED_CAP_MM

# NaCl by mass [%] and the temperature at which such a brine freezes [°C]: CRC Handbook of Chemistry and
# Physics, 56th ed.; 0, 1, 2, 3 and 23.3 % from memory.
BRINE = (
    (0.0, 0.0), (1.0, -0.59), (2.0, -1.19), (3.0, -1.79), (5.0, -3.05), (10.0, -6.56), (15.0, -10.9),
    (20.0, -16.5), (23.3, -21.1),
)  # fmt: skip
SPREAD_G_M2 = 10.0  # our choice: 5-20; the street's log has 11.7 on average
MOST_G_M2 = 30.0  # our choice
TRACE_G_M2 = 0.05
HUMID_WITH_SALT_PCT = 60.0  # from here on a salted road that seems dry was mostly damp (ground.confidence)
HOLDS_FROM_G_M2 = 1.0  # our choice: less is not felt
SPREADING_HOURS = (2, 14, 20)  # by the sun's clock; our choice, near the rule table of NORTRIP
LEAST_HOURS_APART = 11
LOOKS_H = 12  # the spreader has a forecast
SPREAD_BETWEEN_C = (-8.0, 1.0)
WET_MM = 0.2
HUMID_PCT = 90.0
DELIQUESCENT_PCT = 75.0  # above it NaCl draws water from the air; NORTRIP parameter table: 75; 70-80
DAMP_MM_PER_G = 0.01  # our choice
DAMP_MM = 0.1  # our choice
WASH_PER_WET_HOUR = 0.99  # traffic throws brine off; our choice, 0.97-1. A dry road keeps its salt
MELTS_TO_C = -0.5  # warm salted ice melts until what is liquid would freeze here; our choice


def brine_pct(air_c: float) -> float:
    """How salty water must be to stay liquid at this temperature. [% NaCl by mass]"""
    for (weak, warm), (strong, cold) in pairwise(BRINE):
        if air_c >= cold:
            return weak + (strong - weak) * max(0.0, warm - air_c) / (warm - cold)
    return BRINE[-1][0]


def brine_mm(salt_g_m2: float, air_c: float) -> float:
    """How much water this salt keeps liquid. [mm] None without salt nor under -21.1 °C."""
    if salt_g_m2 <= 0 or air_c <= BRINE[-1][1]:
        return 0.0
    strength = brine_pct(air_c)
    return float("inf") if strength <= 0 else salt_g_m2 * (100 / strength - 1) / 1000


def left_after_run_off_g_m2(salt_g_m2: float, run_off_mm: float) -> float:
    """The salt that stays when water runs off a full road, mixing all the time. [g/m²] NORTRIP."""
    return salt_g_m2 * exp(-max(0.0, run_off_mm) / PAVED_CAP_MM)


def washed_g_m2(salt_g_m2: float, film_mm: float) -> float:
    """The salt that is left after an hour of traffic. [g/m²]"""
    left = salt_g_m2 * (WASH_PER_WET_HOUR if film_mm > FILM_MM else 1.0)
    return left if left >= TRACE_G_M2 else 0.0


def spreading_likely(
    *,
    air_ahead_c: Sequence[float | None],
    humidity_ahead_pct: Sequence[float | None],
    precipitation_around_mm: Sequence[float | None],
    on_road_mm: float,
) -> bool:
    """Whether a main road is likely salted now: frost in sight, and something that could freeze.

    air_ahead_c, humidity_ahead_pct: of the next twelve hours.
    precipitation_around_mm: of twelve hours each way.
    """
    low, high = SPREAD_BETWEEN_C
    if not any(air is not None and low < air < high for air in air_ahead_c):
        return False
    return (
        on_road_mm > WET_MM
        or any(fell is not None and fell > WET_MM for fell in precipitation_around_mm)
        or any(humidity is not None and humidity > HUMID_PCT for humidity in humidity_ahead_pct)
    )
