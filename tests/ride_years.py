"""Ride hours of several years in three regions, for the cost of their weather. Invented, repeatable."""

from __future__ import annotations

import random
from collections.abc import Sequence
from datetime import UTC, datetime, timedelta
from math import cos, pi, radians, sin

from rules.vocabulary import RideHour

KM_PER_DEGREE = 111.2
HOME = (-23.42, 16.58)
AWAY = ((-22.60, 14.55), (-28.10, 20.30))
FIRST_DAY = datetime(2020, 7, 1, tzinfo=UTC)


def ride_years(rides: int = 2_000, years: int = 5, *, seed: int = 7) -> list[list[RideHour]]:
    """The hours of each ride, in order of time: three in five from home, the others from two more places."""
    dice = random.Random(seed)
    days = years * 365
    outings = []
    for number in range(rides):
        day = number * days // rides
        base = dice.choices([HOME, *AWAY], weights=[60, 20, 20])[0]
        start = FIRST_DAY + timedelta(days=day, hours=dice.choice([4, 5, 5, 6, 14, 15]))
        outings.append(_outing(dice, base, start))
    return outings


def _outing(dice: random.Random, base: tuple[float, float], start: datetime) -> list[RideHour]:
    hours, bearing = dice.choice([1, 2, 2, 3, 3, 5]), dice.uniform(0, 2 * pi)
    speed_kmh = dice.uniform(16, 28)
    places: Sequence[float] = [speed_kmh * (n + 0.5) for n in range(hours)]
    out_and_back = [min(far, speed_kmh * hours - far) for far in places]
    result = []
    for n, far_km in enumerate(out_and_back):
        latitude = base[0] + far_km * cos(bearing) / KM_PER_DEGREE
        longitude = base[1] + far_km * sin(bearing) / KM_PER_DEGREE / cos(radians(base[0]))
        metres = speed_kmh * 1000
        result.append(
            RideHour(start + timedelta(hours=n), 3000, metres, 3600, metres / 3600, latitude, longitude, 150)
        )
    return result
