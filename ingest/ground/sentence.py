"""One sentence a rider follows: why this hour is called wet, damp, dry, dusty or muddy."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from ingest.ground.road_salt import HOLDS_FROM_G_M2, HUMID_WITH_SALT_PCT
from ingest.ground.snow import CM_OF_SNOWFALL_PER_MM
from ingest.ground.thresholds import (
    DEW_FROM_PCT,
    DUSTY_FROM,
    FROZEN_FROM_MM,
    MUDDY_FROM,
    SNOW_FROM_MM,
    WET_FROM,
    WET_HOUR_MM,
    RainClass,
    rain_class,
)
from ingest.ground.wetting_and_drying import FILM_MM
from rules.units import rain_in_an_hour, snow_depth

FRESH_H, LAST_DAY_H = 12, 24
SLEET_SHARE, SNOW_SHARE = 0.3, 0.7  # the Finnish road weather model's limits
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
    damp: bool = False


@dataclass(frozen=True, slots=True)
class Lies:
    """What else lies on the ground: snow, ice and road salt. Amounts as water [mm]."""

    snowed_mm: float = 0.0  # in this hour
    frozen_main_mm: float = 0.0  # on ploughed and salted road
    frozen_quiet_mm: float = 0.0
    film_main_mm: float = 0.0
    film_quiet_mm: float = 0.0
    salt_g_m2: float = 0.0  # on main road
    salted_share: float = 0.0  # how much of the paved way is main road
    snow_mm: float = 0.0  # on open ground
    snowed_h_ago: int | None = None
    spell_snow_mm: float = 0.0  # how much of the last rain or snow before this hour fell as snow
    air_c: float | None = None
    humidity_pct: float | None = None
    melted: bool = False  # snow or ice lay on quiet road in the hours before
    glazed: bool = False  # rain fell in frost in the hours before: what lies is ice as well
    melted_beside: bool = False  # snow on open ground thawed in the hours before
    rain_on_frozen_ground: bool = False  # in air in which a wet thing is at freezing or below
    hard_ground: bool = False  # unpaved ground that held water is frozen

    @property
    def frozen_mm(self) -> float:
        """Snow or ice on the kind of road that was ridden; the worse of the two where it is not known."""
        if self.salted_share == 1:
            return self.frozen_main_mm
        return max(self.frozen_quiet_mm, self.frozen_main_mm if self.salted_share else 0.0)

    @property
    def has_film(self) -> bool:
        """Whether water or brine lies on the kind of road ridden; on either where that is not known."""
        main = self.film_main_mm > FILM_MM and self.salted_share > 0
        return main or (self.film_quiet_mm > FILM_MM and self.salted_share < 1)

    @property
    def only_brine(self) -> bool:
        """Whether what is wet is wet with salt: that keeps liquid where water freezes."""
        return self.salt_holds_water and (self.salted_share == 1 or self.film_quiet_mm <= FILM_MM)

    @property
    def salt_holds_water(self) -> bool:
        """Whether road salt has water in it on the roads that may have been ridden."""
        damp = self.film_main_mm > FILM_MM or (self.humidity_pct or 0.0) >= HUMID_WITH_SALT_PCT
        return self.salted_share > 0 and self.salt_g_m2 >= HOLDS_FROM_G_M2 and damp


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
    lies: Lies = Lies()
    second: Second | None = None


def sentence(told: Told) -> str:
    """Why this hour is called what it is called."""
    parts = [_rain(told) if told.rain_mm > 0 else _since_rain(told)]
    if told.mud > MUDDY_FROM:
        parts.append("unpaved ground was muddy")
    elif told.lies.snow_mm > SNOW_FROM_MM:
        parts.append("snow lay on unpaved ground" + (" and was melting" if told.unpaved_water else ""))
    elif told.unpaved_water >= WET_FROM > told.paved_water:
        parts.append("unpaved ground still held water")
    elif told.lies.hard_ground and not told.unpaved_water:
        parts.append("unpaved ground was frozen hard")
    elif told.dust >= DUSTY_FROM:
        parts.append("unpaved ground was dusty")
    parts += _winter(told)
    gaps = sum(rain is None for rain in told.rain_before_mm)
    if gaps:
        have = "has" if gaps == 1 else "have"
        parts.append(f"{gaps} of the {len(told.rain_before_mm)} hours before {have} no value")
    if told.second is not None:
        parts.append(_disagrees(told.second))
        parts[0] = f"by one archive, {parts[0]}"
    text = "; ".join(parts)
    return text[0].upper() + text[1:] + "."


def _winter(told: Told) -> list[str]:
    """Snow, ice and salt on the road, where they are."""
    lies, said = told.lies, []
    raining = told.rain_mm > 0 and lies.snowed_mm <= SLEET_SHARE * told.rain_mm
    if raining and told.frost and lies.frozen_mm > FROZEN_FROM_MM:
        said.append("the rain froze as it fell: there was ice on the road, and water on the ice")
    elif lies.frozen_mm > FROZEN_FROM_MM:
        return [_frozen(lies)]
    elif raining and told.frost:
        said.append("it may have frozen as it fell")
    elif lies.rain_on_frozen_ground:
        said.append("it fell on frozen ground, so there may have been ice")
    elif told.frost and told.paved_water > 0 and not lies.only_brine:
        said.append("it froze, so there may have been ice")
    elif told.frost and lies.melted_beside and lies.salted_share < 1:
        said.append("melt water from beside the road may have frozen on it: ice")
    if lies.salt_holds_water:
        sure = "" if lies.salted_share == 1 else ", if this road was salted"
        if lies.film_main_mm <= FILM_MM:
            said.append(f"road salt probably kept the road damp{sure} (inferred from weather)")
        elif told.paved_water >= WET_FROM:
            said.append(f"there was road salt in the water{sure} (inferred from weather)")
        else:
            said.append(f"road salt kept the road damp{sure} (inferred from weather)")
    return said


def _frozen(lies: Lies) -> str:
    """What lies frozen on the road, and what is between."""
    if lies.snowed_mm:
        what = "snow of this hour"
    elif lies.snowed_h_ago is not None and (lies.snowed_h_ago < FRESH_H or lies.snow_mm > SNOW_FROM_MM):
        what = _snow_of(lies.snowed_h_ago)
    else:  # what thawed away beside the road thawed on it, and froze again
        what = "old snow or ice" if lies.snow_mm > SNOW_FROM_MM else "ice"
    if lies.glazed and "ice" not in what:
        what = f"{what} and ice"
    salt, inferred = lies.salt_holds_water, " (inferred from weather)"
    sure = "" if lies.salted_share == 1 else " if this road was salted"
    if lies.air_c is not None and lies.air_c >= 0:
        between = f", with road salt in it{sure}{inferred}" if salt else ""
        was = "were" if lies.glazed and "snow" in what else "was"
        return f"{what} {was} melting on the road: slush{between}"
    if not lies.has_film:
        between = f", or damp with road salt{sure}{inferred}" if salt else ""
        return f"{what} lay on the road, frozen dry{between}"
    if not salt:
        return f"{what} lay on the road, with water in it"
    water = "water in it, and brine" if lies.film_quiet_mm > FILM_MM and sure else "brine in it"
    return f"{what} lay on the road, with {water}{sure}{inferred}"


def _snow_of(hours_ago: int) -> str:
    if hours_ago < FRESH_H:
        return "fresh snow"
    if hours_ago < LAST_DAY_H:
        return "snow of the last 24 hours"
    days = round(hours_ago / 24)
    return "snow of the day before" if days <= 1 else f"snow of {NUMERALS[days]} days ago"


def _rain(told: Told) -> str:
    if told.lies.snowed_mm > SNOW_SHARE * told.rain_mm:
        snow_cm = told.lies.snowed_mm * CM_OF_SNOWFALL_PER_MM
        return f"{rain_in_an_hour(told.rain_mm)} fell as snow in this hour (about {snow_depth(snow_cm)})"
    if told.lies.snowed_mm > SLEET_SHARE * told.rain_mm:
        return f"{rain_in_an_hour(told.rain_mm)} of sleet fell in this hour"
    kind = rain_class(told.rain_mm)
    hard = f" {kind}" if kind in (RainClass.MODERATE, RainClass.HEAVY) else ""
    only = "only " if told.rain_mm < WET_HOUR_MM else ""
    fell = f"{only}{rain_in_an_hour(told.rain_mm)} of{hard} rain fell in this hour"
    if told.wet_hours_before:
        return f"{fell}; the road had been wet for {_hours(told.wet_hours_before)}"
    return f"{fell}, on a road that had not been wet before"


def _since_rain(told: Told) -> str:
    ago = _hours_since_rain(told.rain_before_mm)
    if ago is None:
        known = sum(rain is not None for rain in told.rain_before_mm)
        which = str(known) if known == len(told.rain_before_mm) else f"{known} known"
        what = "rain or snow" if _white(told.lies) else "rain"
        fell = f"no {what} in this hour nor in the {which} hours before"
        if told.lies.frozen_mm > FROZEN_FROM_MM:
            return fell
        if told.lies.melted and told.lies.film_quiet_mm > FILM_MM:
            return f"{fell}; the road was {'wet' if told.paved_water >= WET_FROM else 'damp'} with melt water"
        if told.lies.salt_holds_water:
            return fell
        if told.paved_water > 0:
            return f"{fell}; the road was damp{' with dew or fog' if _humid(told) else ''}"
        return f"{fell}; the road was dry"
    ended = _ended(told, ago)
    if told.lies.frozen_mm > FROZEN_FROM_MM:
        return ended
    if told.paved_water >= WET_FROM:
        return f"{ended} and the road was still wet"
    if told.paved_water > 0:
        return f"{ended} and the road was still damp"
    return f"{ended} and the road had dried"


def _white(lies: Lies) -> bool:
    return lies.frozen_mm > FROZEN_FROM_MM or lies.snow_mm > SNOW_FROM_MM


def _ended(told: Told, ago: int) -> str:
    """What fell last and when it ended, where it did not rain in the hour."""
    spell, whole = _last_spell_mm(told.rain_before_mm)
    snow = told.lies.spell_snow_mm
    what, amount = "rain", rain_in_an_hour(spell)
    if snow > SNOW_SHARE * spell:
        what, amount = "snow", f"about {snow_depth(snow * CM_OF_SNOWFALL_PER_MM)}"
    elif snow > SLEET_SHARE * spell:
        what, amount = "sleet", f"{amount} of it"
    if ago > 1:
        # of a spell that began before the hours that are told, the rest is not all
        return f"the last {what}{f', {amount},' if whole else ''} ended {_hours(ago - 1)} before"
    return f"no {what} in this hour, but {amount if whole else f'over {amount}'} fell until it began"


def _humid(told: Told) -> bool:
    return told.lies.humidity_pct is not None and told.lies.humidity_pct >= DEW_FROM_PCT


def _disagrees(second: Second) -> str:
    if second.wet and second.rain_mm > 0:
        saw = f"{rain_in_an_hour(second.rain_mm)} in this hour"
    elif second.wet:
        ago = _hours_since_rain(second.rain_before_mm) or 1
        until = "until it began" if ago == 1 else f"until {_hours(ago - 1)} before"
        saw = f"{rain_in_an_hour(_last_spell_mm(second.rain_before_mm)[0])} {until}"
    elif second.rain_mm > 0:
        saw = f"only {rain_in_an_hour(second.rain_mm)} in this hour"
    else:
        saw = f"no rain in this hour, and a {'damp' if second.damp else 'dry'} road"
    return f"another archive ({second.source}) saw {saw}, so this is less sure"


def _hours_since_rain(before: Sequence[float | None]) -> int | None:
    return next((ago for ago, rain in enumerate(reversed(before), start=1) if rain), None)


def last_spell(before: Sequence[float | None]) -> tuple[int, int]:
    """The last unbroken run of wet hours among these: its first, and the one after its last."""
    last = next((n for n in range(len(before), 0, -1) if before[n - 1]), 0)
    first = next((n for n in range(last, 0, -1) if not before[n - 1]), 0)
    return first, last


def _last_spell_mm(before: Sequence[float | None]) -> tuple[float, bool]:
    """What fell in that run, and whether it is all of it: one that was falling at the start began earlier."""
    first, last = last_spell(before)
    return sum(rain or 0.0 for rain in before[first:last]), first > 0


def _hours(count: int) -> str:
    if count == 1:
        return "one hour"
    return f"{NUMERALS[count] if count < len(NUMERALS) else count} hours"
