"""One hour tagged alone: tests ask so, where the program marches a cell's ground once for all its hours."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from datetime import datetime

from ingest.ground.cell_ground import HOUR, march_begins
from ingest.ground.conditions import SPREADER_SEES, USUALLY_SALTED, grounds, tag_and_witness
from ingest.ground.dust import GRAVEL_SILT_PCT
from ingest.ground.hour_weights import WHOLE_HOUR, RiddenHour
from ingest.weather.hourly import HourlyWeather
from rules.vocabulary import ConditionTag


def window(hour_start: datetime, latitude_deg: float) -> tuple[datetime, datetime]:
    """The first and the last hour_start of weather that the tag of this hour reads, where there is some."""
    return march_begins(hour_start, latitude_deg), hour_start + SPREADER_SEES


def tag(
    hour: RiddenHour,
    weather: Iterable[HourlyWeather] | Mapping[datetime, HourlyWeather],
    *,
    salted_share: float = USUALLY_SALTED,
    ridden: tuple[float, float] = WHOLE_HOUR,
    silt_pct: float = GRAVEL_SILT_PCT,
) -> ConditionTag:
    """What the ground was like in this hour; see tag_and_witness, for many hours of one cell.

    weather: hours of the cell it was ridden in, of one archive or several, any order, more than needed does
    no harm; a mapping is taken as already settled.
    """
    told: Sequence[HourlyWeather]
    if isinstance(weather, Mapping):
        here = next(iter(weather.values()), None)
        begin, last = window(hour.hour_start, here.cell.latitude_deg if here else 0.0)
        count = (last - begin) // HOUR + 1
        told = [weather[at] for at in (begin + HOUR * n for n in range(count)) if at in weather]
    else:
        told = tuple(weather)
        begin, last = window(hour.hour_start, told[0].cell.latitude_deg if told else 0.0)
    stands = grounds(told, begin, last + HOUR)
    return tag_and_witness(hour, stands, salted_share=salted_share, ridden=ridden, silt_pct=silt_pct)[0]
