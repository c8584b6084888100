"""The ground of one archive cell, hour by hour, under one series of weather: marched once, read many times.

What lies on the ground in January may have fallen in December: the march begins a month before the first hour
that is asked for, two weeks in summer, and carries what it has from hour to hour. A half-month is always
marched from the same border, so the same weather gives the same tags whichever rides are tagged together.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta

from ingest.ground.forcing import Forcing, forcings
from ingest.ground.paved_road import BARE, Road, Sky, road_after
from ingest.ground.road_salt import LEAST_HOURS_APART, LOOKS_H, SPREADING_HOURS, spreading_likely
from ingest.ground.snow import snow_mm
from ingest.ground.topsoil import LOAM, Soil
from ingest.ground.unpaved_ground import OpenGround, open_ground_after
from ingest.ground.unpaved_ground import start as open_start
from ingest.ground.wetting_and_drying import GAP_FILL_MM
from ingest.weather.hourly import HourlyWeather

HOUR = timedelta(hours=1)
# A march begun with bare ground is right again after two weeks without frost, after 30 to 60 days with snow:
# of 300 winter hours of one street the word of the road differed in 1.3 % after 14 days, in none after 30.
CARRIED, CARRIED_IN_WINTER = timedelta(days=14), timedelta(days=30)
NORTHERN_WINTER = frozenset({10, 11, 12, 1, 2, 3, 4})
TROPICS_DEG = 25.0
MILD_C = 10.0  # stands for an air temperature that is not known: neither freezes nor salts


@dataclass(frozen=True, slots=True, eq=False)
class CellGround:
    """What every hour left behind. The lists of states have one entry more than hours: [0] is the start."""

    begin: datetime
    hours: tuple[HourlyWeather | None, ...]
    forced: tuple[Forcing, ...]
    skies: tuple[Sky | None, ...]  # None = no rain value: the ground is held as it was
    main: tuple[Road, ...]
    quiet: tuple[Road, ...]
    open_ground: tuple[OpenGround, ...]
    soil: Soil

    def index(self, hour_start: datetime) -> int:
        """Which of the hours this is; it may lie outside them."""
        return (hour_start - self.begin) // HOUR

    def if_gaps_were_wet(self, first: int, last: int) -> tuple[Road, OpenGround]:
        """Quiet road and open ground after `last`, had the hours without value since `first` poured."""
        road, ground = self.quiet[first], self.open_ground[first]
        for sky in self.skies[first : last + 1]:
            poured = sky or Sky(GAP_FILL_MM, 0.0, MILD_C, None, 0.0)
            road = road_after(road, poured, main=False)
            ground = open_ground_after(ground, poured, soil=self.soil)
        return road, ground


def half_month(hour_start: datetime) -> datetime:
    """The border at or before this hour: the 1st or the 16th, midnight UTC."""
    return datetime(hour_start.year, hour_start.month, 1 if hour_start.day < 16 else 16, tzinfo=UTC)


def march_begins(hour_start: datetime, latitude_deg: float) -> datetime:
    """Where the march begins that this hour's tag is read from: two weeks or a month before its border."""
    border = half_month(hour_start)
    month = border.month if latitude_deg > 0 else (border.month + 5) % 12 + 1
    winter = month in NORTHERN_WINTER and abs(latitude_deg) > TROPICS_DEG
    return border - (CARRIED_IN_WINTER if winter else CARRIED)


def after_half_month(border: datetime) -> datetime:
    """The border after this one."""
    return half_month(border + timedelta(days=17))


def cell_ground(
    weather: Mapping[datetime, HourlyWeather],
    begin: datetime,
    end: datetime,
    *,
    soil: Soil = LOAM,
) -> CellGround:
    """The ground of the hours from `begin` up to but not at `end`, begun bare.

    weather: one value an hour; hours that it lacks hold the ground as it was.
    """
    hours = tuple(weather.get(begin + HOUR * n) for n in range((end - begin) // HOUR))
    forced = tuple(forcings(hours))
    skies = tuple(_sky(hour, forcing) for hour, forcing in zip(hours, forced, strict=True))
    main, quiet, ground = [BARE], [BARE], [open_start(soil)]
    salted_at = -LEAST_HOURS_APART
    for n, sky in enumerate(skies):
        if sky is None:
            main.append(main[-1])
            quiet.append(quiet[-1])
            ground.append(ground[-1])
            continue
        salted = n - salted_at >= LEAST_HOURS_APART and _salted(begin, hours, forced, n, main[-1])
        if salted:
            salted_at = n
        before = main[-1]
        after = road_after(quiet[-1], sky, main=False)
        # without salt or much snow the two kinds of road are one
        same = before == quiet[-1] and not salted and after.frozen_mm == 0
        quiet.append(after)
        main.append(after if same else road_after(before, sky, main=True, salted_now=salted))
        ground.append(open_ground_after(ground[-1], sky, soil=soil))
    return CellGround(begin, hours, forced, skies, tuple(main), tuple(quiet), tuple(ground), soil)


def _sky(hour: HourlyWeather | None, forcing: Forcing) -> Sky | None:
    if hour is None or forcing.rain_mm is None:
        return None
    fell = forcing.rain_mm
    snow = 0.0
    if fell:
        snow = snow_mm(
            fell, snowfall_cm=hour.snowfall_cm, air_c=hour.temperature_c, humidity_pct=hour.humidity_pct
        )
    air = MILD_C if hour.temperature_c is None else hour.temperature_c
    et0_mm = forcing.et0_mm or 0.0
    return Sky(fell - snow, snow, air, hour.humidity_pct, et0_mm, forcing.carried_off_mm)


def _salted(
    begin: datetime,
    hours: Sequence[HourlyWeather | None],
    forced: Sequence[Forcing],
    n: int,
    road: Road,
) -> bool:
    here = hours[n]
    if here is None or (begin + HOUR * (n + round(here.cell.longitude_deg / 15))).hour not in SPREADING_HOURS:
        return False
    ahead = [hour for hour in hours[n : n + LOOKS_H] if hour is not None]
    return spreading_likely(
        air_ahead_c=[hour.temperature_c for hour in ahead],
        humidity_ahead_pct=[hour.humidity_pct for hour in ahead],
        precipitation_around_mm=[f.rain_mm for f in forced[max(0, n - LOOKS_H) : n + LOOKS_H + 1]],
        on_road_mm=road.water_mm + road.frozen_mm,
    )
