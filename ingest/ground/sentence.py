"""One sentence a rider follows: why this hour is called wet, damp, dry, dusty or muddy."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from ingest.ground.road_dust import WET_HOUR_MM
from ingest.ground.water import WET_FROM, RainClass, rain_class

MUDDY_FROM = 0.5  # as ingest.ground.water.mud_weight says
DUSTY_FROM = 0.5  # half of what a dry public gravel road gives at 20 km/h; our choice
NUMERALS = (
    "no",
    "one",
    "two",
    "three",
    "four",
    "five",
    "six",
    "seven",
    "eight",
    "nine",
    "ten",
    "eleven",
    "twelve",
)


@dataclass(frozen=True, slots=True)
class Second:
    """What another archive says of the same hour, where its word for it is not ours."""

    source: str
    rain_mm: float
    rain_before_mm: tuple[float | None, ...]  # as in Told
    wet: bool


@dataclass(frozen=True, slots=True)
class Told:
    """What the sentence is made of."""

    rain_mm: float
    rain_before_mm: tuple[float | None, ...]  # hour by hour, the hour just before last; None = no value
    wet_hours_before: int  # in a row, up to the ride hour
    paved_water: float
    unpaved_water: float
    mud: float
    dust: float
    frost: bool
    snow: bool  # some of it fell as snow
    second: Second | None = None


def sentence(told: Told) -> str:
    """Why this hour is called what it is called."""
    parts = [_rain(told) if told.rain_mm > 0 else _since_rain(told)]
    if told.mud > MUDDY_FROM:
        parts.append("unpaved ground was muddy")
    elif told.unpaved_water >= WET_FROM > told.paved_water:
        parts.append("unpaved ground still held water")
    elif told.dust >= DUSTY_FROM:
        parts.append("unpaved ground was dusty")
    if told.frost:
        parts.append("it froze, so ice and road salt are not known")
    elif told.snow:
        parts.append("some of it fell as snow, and when that melted is not known")
    gaps = sum(rain is None for rain in told.rain_before_mm)
    if gaps:
        have = "has" if gaps == 1 else "have"
        parts.append(f"{gaps} of the {len(told.rain_before_mm)} hours before {have} no value")
    if told.second is not None:
        parts.append(_disagrees(told.second))
    text = "; ".join(parts)
    return text[0].upper() + text[1:] + "."


def _rain(told: Told) -> str:
    kind = rain_class(told.rain_mm)
    hard = f" {kind}" if kind in (RainClass.MODERATE, RainClass.HEAVY) else ""
    only = "only " if told.rain_mm < WET_HOUR_MM else ""
    fell = f"{only}{told.rain_mm:.1f} mm of{hard} rain fell in this hour"
    if told.wet_hours_before:
        return f"{fell}; the road had been wet for {_hours(told.wet_hours_before)}"
    return f"{fell}, on a road that had not been wet before"


def _since_rain(told: Told) -> str:
    ago = _hours_since_rain(told.rain_before_mm)
    if ago is None:
        known = sum(rain is not None for rain in told.rain_before_mm)
        which = str(known) if known == len(told.rain_before_mm) else f"{known} known"
        return f"no rain in this hour nor in the {which} hours before; the road was dry"
    spell = _last_spell_mm(told.rain_before_mm)
    if ago == 1:
        ended = f"no rain in this hour, but {spell:.1f} mm fell until it began"
    else:
        ended = f"the last rain, {spell:.1f} mm, ended {_hours(ago - 1)} before"
    if told.paved_water >= WET_FROM:
        return f"{ended} and the road was still wet"
    if told.paved_water > 0:
        return f"{ended} and the road was still damp"
    return f"{ended} and the road had dried"


def _disagrees(second: Second) -> str:
    if second.wet and second.rain_mm > 0:
        saw = f"{second.rain_mm:.1f} mm in this hour"
    elif second.wet:
        ago = _hours_since_rain(second.rain_before_mm) or 1
        until = "until it began" if ago == 1 else f"until {_hours(ago - 1)} before"
        saw = f"{_last_spell_mm(second.rain_before_mm):.1f} mm {until}"
    elif second.rain_mm > 0:
        saw = f"only {second.rain_mm:.1f} mm in this hour"
    else:
        saw = "no rain in this hour, and a dry road"
    return f"another archive ({second.source}) saw {saw}, so this is less sure"


def _hours_since_rain(before: Sequence[float | None]) -> int | None:
    return next((ago for ago, rain in enumerate(reversed(before), start=1) if rain), None)


def _last_spell_mm(before: Sequence[float | None]) -> float:
    """The rain of the last unbroken run of wet hours."""
    total = 0.0
    for rain in reversed(before):
        if rain:
            total += rain
        elif total:
            break
    return total


def _hours(count: int) -> str:
    if count == 1:
        return "one hour"
    return f"{NUMERALS[count] if count < len(NUMERALS) else count} hours"
