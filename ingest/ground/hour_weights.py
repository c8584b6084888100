"""One archive's look at one hour: the weights of paved and unpaved ground, and what lies there."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime
from typing import Protocol

from ingest.ground.cell_ground import CellGround
from ingest.ground.dust import dust_index
from ingest.ground.forcing import Forcing
from ingest.ground.frozen_soil import is_frozen, is_hard
from ingest.ground.mud import mud_weight
from ingest.ground.paved_road import Road, Sky
from ingest.ground.road_salt import HOLDS_FROM_G_M2, HUMID_WITH_SALT_PCT
from ingest.ground.sentence import Lies, last_spell
from ingest.ground.snow import wet_bulb_c
from ingest.ground.thresholds import FROZEN_FROM_MM, SNOW_FROM_MM, WET_FROM
from ingest.ground.wetting_and_drying import (
    FILM_MM,
    SPIN_UP_H,
    UNPAVED_DRYING,
    mean_film_mm,
    paved_drying_mm,
    water_weight,
)
from ingest.weather.hourly import HourlyWeather

GAP_TELLS = 0.05  # a change of the water weight worth a doubt; our choice
WHOLE_HOUR = (0.0, 1.0)
SLUSH = WET_FROM  # at least as wet as the word 'wet' begins; our choice
SALT_COUNTS_FULL_G_M2 = 10.0  # one spreading; our choice
SNOW_REMEMBERED_H = 24 * 7
# A film of 0.1 mm, as salt holds: of the hours with salt and humid air in which no film was reckoned a road
# sensor found most wet (ground.confidence).
PROBABLY_DAMP = 0.09


class RiddenHour(Protocol):
    """The part of a ride inside one UTC hour, as far as the weather cares."""

    @property
    def hour_start(self) -> datetime: ...
    @property
    def mean_speed_mps(self) -> float | None: ...
    @property
    def latitude_deg(self) -> float | None: ...
    @property
    def longitude_deg(self) -> float | None: ...


@dataclass(frozen=True, slots=True)
class Look:
    """What one archive's weather made of an hour."""

    at: HourlyWeather
    paved: float
    unpaved: float
    mud: float
    dust: float
    salt: float
    lies: Lies
    forced: tuple[Forcing, ...]  # of the hours before that the sentence tells, and of this one
    wet_hours_before: int
    gaps_matter: bool


def look(
    hour: RiddenHour,
    ground: CellGround,
    n: int,
    at: HourlyWeather,
    salted_share: float,
    ridden: tuple[float, float],
    silt_pct: float,
) -> Look:
    """What this ground was like in hour `n` of its hours, which is `at`; see conditions.tag_and_witness."""
    sky = ground.skies[n]
    assert sky is not None  # its rain is known
    soil = ground.soil
    main = _road_weight(ground.main[n], ground.main[n + 1], sky, ridden)
    quiet = _road_weight(ground.quiet[n], ground.quiet[n + 1], sky, ridden)
    if main == 0 and ground.main[n + 1].salt_g_m2 >= HOLDS_FROM_G_M2 and _humid(sky):
        main = PROBABLY_DAMP
    paved = salted_share * main + (1 - salted_share) * quiet
    before, after = ground.open_ground[n], ground.open_ground[n + 1]
    loose_mm = mean_film_mm(
        before.loose_mm,
        after.loose_mm,
        loses_mm=_loses(after.loose_mm, UNPAVED_DRYING * sky.et0_mm, sky),
        ridden=ridden,
    )
    snow_lies = after.snow_mm > SNOW_FROM_MM
    snow_weight = 1.0 if sky.air_c >= 0 else 0.0
    first = max(0, n - SPIN_UP_H)
    air = [s.air_c for s in ground.skies[first : n + 1] if s is not None]
    hard = is_hard(air, snow_lies=snow_lies)
    unpaved = snow_weight if snow_lies else water_weight(loose_mm, rain_mm=sky.rain_mm)
    if hard and not sky.rain_mm:
        unpaved = 0.0
    forced = ground.forced[first : n + 1]
    gaps_matter = False
    if any(f.rain_mm is None for f in forced):
        road, wetted = ground.if_gaps_were_wet(first, n)
        if_wet = (
            water_weight(road.water_mm, rain_mm=sky.rain_mm),
            water_weight(wetted.loose_mm, rain_mm=sky.rain_mm),
        )
        gaps_matter = if_wet[0] - quiet > GAP_TELLS or if_wet[1] - unpaved > GAP_TELLS
    mud = 0.0 if hard or snow_lies else mud_weight(after.topmost_mm, soil=soil)
    dust = 0.0
    if not snow_lies and not mud:
        dust = dust_index(
            speed_mps=hour.mean_speed_mps,
            soil_moisture_m3m3=soil.moisture_m3m3(after.depletion_mm),
            rain_mm=sky.rain_mm,
            film_mm=after.loose_mm,
            dry_soil_m3m3=soil.air_dry_m3m3,
            silt_pct=silt_pct,
        )
    fell_first, fell_last = last_spell([f.rain_mm for f in forced[:-1]])
    lies = Lies(
        snowed_mm=sky.snow_mm,
        frozen_main_mm=ground.main[n + 1].frozen_mm,
        frozen_quiet_mm=ground.quiet[n + 1].frozen_mm,
        film_main_mm=max(ground.main[n].water_mm, ground.main[n + 1].water_mm),
        film_quiet_mm=max(ground.quiet[n].water_mm, ground.quiet[n + 1].water_mm),
        salt_g_m2=ground.main[n + 1].salt_g_m2,
        salted_share=salted_share,
        snow_mm=after.snow_mm,
        snowed_h_ago=next(
            (ago for ago in range(1, min(n, SNOW_REMEMBERED_H)) if _snowed(ground.skies[n - ago])), None
        ),
        spell_snow_mm=sum(s.snow_mm for s in ground.skies[first + fell_first : first + fell_last] if s),
        melted=any(road.frozen_mm > FROZEN_FROM_MM for road in ground.quiet[first : n + 1]),
        glazed=any(s is not None and s.air_c < 0 and s.rain_mm > s.snow_mm for s in ground.skies[first:n]),
        melted_beside=any(
            s is not None and s.air_c > 0 and ground.open_ground[k].snow_mm > SNOW_FROM_MM
            for k, s in enumerate(ground.skies[first:n], first)
        ),
        air_c=at.temperature_c,
        humidity_pct=at.humidity_pct,
        rain_on_frozen_ground=is_frozen(air)
        and sky.rain_mm > sky.snow_mm
        and _freezes_wet_things(sky),
        hard_ground=hard and after.loose_mm > FILM_MM,
    )  # fmt: skip
    wet_hours = 0
    for back in range(1, n - first + 1):
        rain_mm = ground.forced[n - back].rain_mm or 0.0
        if water_weight(ground.quiet[n - back + 1].water_mm, rain_mm=rain_mm) < WET_FROM:
            break
        wet_hours += 1
    salt = salted_share * min(1.0, lies.salt_g_m2 / SALT_COUNTS_FULL_G_M2) if main > 0 else 0.0
    return Look(at, paved, unpaved, mud, dust, salt, lies, forced, wet_hours, gaps_matter)


def _humid(sky: Sky) -> bool:
    return sky.humidity_pct is not None and sky.humidity_pct >= HUMID_WITH_SALT_PCT


def _freezes_wet_things(sky: Sky) -> bool:
    return sky.humidity_pct is not None and wet_bulb_c(sky.air_c, sky.humidity_pct) <= 0


def _snowed(sky: Sky | None) -> bool:
    return sky is not None and sky.snow_mm > sky.rain_mm


def _loses(left_mm: float, drying_mm: float, sky: Sky) -> float | None:
    """What the hour could have dried, where it dried all there was; None = it did not."""
    return drying_mm if left_mm == 0 and not sky.rain_mm else None


def _road_weight(before: Road, after: Road, sky: Sky, ridden: tuple[float, float]) -> float:
    loses = _loses(after.water_mm, paved_drying_mm(sky.et0_mm, sky.carried_off_mm), sky)
    film_mm = mean_film_mm(before.water_mm, after.water_mm, loses_mm=loses, ridden=ridden)
    weight = water_weight(film_mm, rain_mm=sky.rain_mm)
    slush = after.frozen_mm > FROZEN_FROM_MM and film_mm > FILM_MM
    return max(weight, SLUSH) if slush else weight
