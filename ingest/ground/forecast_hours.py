"""What the ground may be like in hours to come: marched from today's ground, with rain and without."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from datetime import date, datetime, timedelta

from ingest.ground.cell_ground import CARRIED, CARRIED_IN_WINTER, HOUR, cell_ground, march_begins
from ingest.ground.conditions import USUALLY_SALTED, tag_and_witness
from ingest.weather.hourly import HourlyWeather
from rules.vocabulary import HourAhead

RAINS_FROM = 0.1  # chance, from where on an hour has rain if it rains at all; our choice
LEAST_RAIN_MM = 0.5  # in such an hour, whatever the single forecast gives; our choice
LIES_H = 3  # so long may rain lie on a road: an hour is wet by what fell in these before it
# Where a forecast gives no chance, a single run's rain and its absence are worth this much; our choice.
WITHOUT_A_CHANCE = (0.8, 0.1)


def days_to_ask_for(now: datetime, latitude_deg: float) -> tuple[date, date]:
    """From which to which UTC day weather is wanted, so that today's ground and tomorrow's are known?"""
    winter = march_begins(now, latitude_deg) <= now - CARRIED_IN_WINTER
    return (now - (CARRIED_IN_WINTER if winter else CARRIED)).date(), (now + 2 * timedelta(days=1)).date()


@dataclass(frozen=True, slots=True)
class _Place:
    """An hour somewhere in the cell, at a usual speed."""

    hour_start: datetime
    latitude_deg: float | None
    longitude_deg: float | None
    mean_speed_mps: float | None = None


def hours_ahead(
    told: Sequence[HourlyWeather],
    first: datetime,
    last: datetime,
    *,
    now: datetime,
    salted_share: float = USUALLY_SALTED,
) -> tuple[HourAhead, ...]:
    """What may the ground be like in each hour from `first` up to but not at `last`?

    told: one cell's weather of the last weeks and of the hours to come, ascending.
    """
    if not told:
        return ()
    begin, end = told[0].hour_start, told[-1].hour_start + HOUR
    chances = {one.hour_start: _chance(one) for one in told if one.hour_start + HOUR > now}
    marched = []
    for rains in (True, False):
        weather = {one.hour_start: one for one in told}
        for at, chance in chances.items():
            wet = rains and chance >= RAINS_FROM
            fell = max(LEAST_RAIN_MM, weather[at].rain_mm or 0.0) if wet else 0.0
            snow = weather[at].snowfall_cm if wet else 0.0
            weather[at] = replace(weather[at], rain_mm=fell, snowfall_cm=snow)
        marched.append(cell_ground(weather, begin, end))
    found = []
    for number in range((last - first) // HOUR):
        at = first + HOUR * number
        place = _Place(at, told[0].cell.latitude_deg, told[0].cell.longitude_deg)
        rain, dry = (tag_and_witness(place, [one], salted_share=salted_share)[0] for one in marched)
        chance = max((chances.get(at - HOUR * back, 0.0) for back in range(LIES_H + 1)), default=0.0)
        found.append(HourAhead(at, chance, rain, dry))
    return tuple(found)


def _chance(hour: HourlyWeather) -> float:
    if hour.rain_chance is not None:
        return hour.rain_chance
    return WITHOUT_A_CHANCE[0 if (hour.rain_mm or 0.0) >= LEAST_RAIN_MM else 1]
