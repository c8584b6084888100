"""What the ground was like in one hour of a ride: weather in, condition tag out. Pure.

No value for the ride hour means unknown, never dry. A missing hour in the two days before holds the ground as
it was and lowers the confidence by what it may have hidden.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import date, datetime, timedelta
from typing import Any, Protocol

from ingest.ground.cell_ground import (
    HOUR,
    MILD_C,
    CellGround,
    cell_ground,
    march_begins,
)
from ingest.ground.confidence import HUMID_WITH_SALT_PCT, Witness, confidence, wetter_is_right
from ingest.ground.drying import TRACE_MM
from ingest.ground.dust import dust_index
from ingest.ground.open_ground import SNOW_FROM_MM
from ingest.ground.road import FROZEN_FROM_MM, Road, Sky
from ingest.ground.road_dust import GRAVEL_SILT_PCT
from ingest.ground.road_salt import HOLDS_FROM_G_M2
from ingest.ground.sentence import Lies, Second, Told, sentence
from ingest.ground.topsoil import LOAM, Soil
from ingest.ground.water import (
    FILM_MM,
    PAVED_DRYING,
    SPIN_UP_H,
    UNPAVED_DRYING,
    WET_FROM,
    Forcing,
    mean_film_mm,
    mud_weight,
    water_weight,
)
from ingest.weather.hourly import Cell, HourlyWeather, Span
from rules.vocabulary import ConditionTag, Tier

BAND = HOUR  # rain on a grid is as likely an hour out: the neighbouring hours are read too
SPREADER_SEES = HOUR * 12  # of the weather after the hour: road salt is put down before the frost
WHOLE_HOUR = (0.0, 1.0)
USUALLY_SALTED = 0.5  # our choice, 0-1: which roads were ridden is not known
SLUSH = 0.45  # at least as wet as the word 'wet' begins; our choice
# A film of 0.1 mm, as salt holds: of the hours with salt and humid air in which no film was reckoned a road
# sensor found most wet (ground.confidence).
PROBABLY_DAMP = 0.09
SOIL_FREEZES_C = -1.0  # mean air of the last 48 h; our choice
SNOW_REMEMBERED_H = 24 * 7
# The way in which tags are made: another name, and every ledger's hours are tagged anew, once.
WAY_OF_TAGGING = "2026-11 winter"
GAP_TELLS = 0.05  # a change of the water weight worth a doubt; our choice
LEAST_KNOWN_H = 12  # of the 24 hours before; with fewer, rain may have gone unseen; our choice
# Which value stands where several sources have one: nearest the rider first.
SOURCE_ORDER = ("local file", "open-meteo archive", "open-meteo forecast", "nasa power")


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


class Grid(Protocol):
    """Anything that knows which of its cells holds a place: every weather provider."""

    def cell_of(self, latitude_deg: float, longitude_deg: float) -> Cell: ...


def window(hour_start: datetime, latitude_deg: float) -> tuple[datetime, datetime]:
    """The first and the last hour_start of weather that the tag of this hour reads, where there is some."""
    return march_begins(hour_start, latitude_deg), hour_start + SPREADER_SEES


def needed(hours: Iterable[RiddenHour], grid: Grid) -> tuple[Span, ...]:
    """Which days of which cells these hours need, lead-in included, touching days merged, in order.

    Each hour asks for the cell it was ridden in, so a ride over 90 km asks for several. An hour without a
    place (indoors) needs none.
    """
    days: dict[Cell, set[date]] = {}
    for hour in hours:
        if hour.latitude_deg is None or hour.longitude_deg is None:
            continue
        cell = grid.cell_of(hour.latitude_deg, hour.longitude_deg)
        first, last = march_begins(hour.hour_start, cell.latitude_deg), hour.hour_start + BAND
        count = (last.date() - first.date()).days + 1
        days.setdefault(cell, set()).update(first.date() + timedelta(days=n) for n in range(count))
    spans = [span for cell, wanted in days.items() for span in _merged(cell, sorted(wanted))]
    return tuple(sorted(spans, key=lambda s: (s.cell.latitude_deg, s.cell.longitude_deg, s.first)))


def _merged(cell: Cell, days: Sequence[date]) -> list[Span]:
    spans: list[Span] = []
    for day in days:
        if spans and day - spans[-1].last == timedelta(days=1):
            spans[-1] = Span(cell, spans[-1].first, day)
        else:
            spans.append(Span(cell, day, day))
    return spans


def _place(source: str) -> int:
    return SOURCE_ORDER.index(source) if source in SOURCE_ORDER else len(SOURCE_ORDER)


def settled(weather: Iterable[HourlyWeather]) -> dict[datetime, HourlyWeather]:
    """One value per hour where several were kept: known before null, final first, then the newest."""

    def rank(hour: HourlyWeather) -> tuple[bool, bool, int, datetime]:
        return hour.rain_mm is not None, hour.tier is Tier.FINAL, -_place(hour.source), hour.fetched_at

    best: dict[datetime, HourlyWeather] = {}
    for hour in weather:
        standing = best.get(hour.hour_start)
        if standing is None or rank(hour) > rank(standing):
            best[hour.hour_start] = hour
    return best


@dataclass(frozen=True, slots=True)
class _Look:
    """What one archive's weather made of an hour."""

    at: HourlyWeather
    paved: float
    unpaved: float
    mud: float
    dust: float
    lies: Lies
    forced: tuple[Forcing, ...]  # of the hours before that the sentence tells, and of this one
    wet_hours_before: int
    gaps_matter: bool


def grounds(
    weather: Iterable[HourlyWeather], begin: datetime, end: datetime, **of_ground: Any
) -> tuple[CellGround, ...]:
    """The ground of one cell from `begin` up to but not at `end`: by the settled hours, then by each archive.

    weather: of one archive or several, any order. An archive's own ground has the settled hours where it has
    none itself; one that never differs from the settled ones has no ground of its own.
    """
    told = [hour for hour in weather if begin <= hour.hour_start < end]
    first = settled(told)
    found = [cell_ground(first, begin, end, **of_ground)]
    sources = {hour.source for hour in told if hour.rain_mm is not None}
    for source in sorted(sources, key=_place):
        own = {
            at: h for at, h in settled(h for h in told if h.source == source).items() if h.rain_mm is not None
        }
        if any(first[at].source != source for at in own):
            found.append(cell_ground({**first, **own}, begin, end, **of_ground))
    return tuple(found)


def tag(
    hour: RiddenHour,
    weather: Iterable[HourlyWeather] | Mapping[datetime, HourlyWeather],
    *,
    salted_share: float = USUALLY_SALTED,
    ridden: tuple[float, float] = WHOLE_HOUR,
    silt_pct: float = GRAVEL_SILT_PCT,
    soil: Soil = LOAM,
    altitude_m: float = 0.0,
) -> ConditionTag:
    """What the ground was like in this hour; see tag_on, which many hours of one cell share.

    weather: hours of the cell it was ridden in, of one archive or several, any order, more than needed does
    no harm; a mapping is taken as already settled.
    """
    told = tuple(weather.values() if isinstance(weather, Mapping) else weather)
    latitude_deg = next((h.cell.latitude_deg for h in told), 0.0)
    begin, last = window(hour.hour_start, latitude_deg)
    stands = grounds(told, begin, last + HOUR, soil=soil, altitude_m=altitude_m)
    return tag_on(hour, stands, salted_share=salted_share, ridden=ridden, silt_pct=silt_pct)


def tag_on(
    hour: RiddenHour,
    stands: Sequence[CellGround],
    *,
    salted_share: float = USUALLY_SALTED,
    ridden: tuple[float, float] = WHOLE_HOUR,
    silt_pct: float = GRAVEL_SILT_PCT,
) -> ConditionTag:
    """What the ground was like in this hour; see tag_and_witness."""
    found, _ = tag_and_witness(hour, stands, salted_share=salted_share, ridden=ridden, silt_pct=silt_pct)
    return found


def tag_and_witness(
    hour: RiddenHour,
    stands: Sequence[CellGround],
    *,
    salted_share: float = USUALLY_SALTED,
    ridden: tuple[float, float] = WHOLE_HOUR,
    silt_pct: float = GRAVEL_SILT_PCT,
) -> tuple[ConditionTag, Witness | None]:
    """What the ground was like in this hour, on ground that was marched before; and what speaks for the word.

    stands: from `grounds`; where another archive has the hour too, the two are mixed by how often the wetter
    of two that differ is right, and the tag says who saw what.
    salted_share: how much of the paved way is main road, which is ploughed and salted; 0 to 1.
    ridden: from which to which part of the hour it was ridden, as fractions of it.
    Dust is the value were the hour wholly unpaved.
    """
    ground = stands[0]
    n = ground.index(hour.hour_start)
    at = ground.hours[n] if 0 <= n < len(ground.hours) else None
    if at is None:
        return _unknown(at, "No weather is known for this hour yet, so it stays unknown, not dry."), None
    if at.rain_mm is None:
        return _unknown(
            at, "The archive has no rain value for this hour, so it stays unknown, not dry."
        ), None
    first = _look(hour, ground, n, at, salted_share, ridden, silt_pct)
    known_before = [f.rain_mm for f in first.forced[-25:-1] if f.rain_mm is not None]
    if first.gaps_matter and first.paved < WET_FROM and len(known_before) < LEAST_KNOWN_H:
        return _unknown(
            at, "Too few of the hours before have a rain value to call this one dry: unknown."
        ), None
    rivals = ((g, g.hours[n]) for g in stands[1:])
    other = next(
        (
            _look(hour, g, n, rival, salted_share, ridden, silt_pct)
            for g, rival in rivals
            if rival is not None and rival.source != at.source
        ),
        None,
    )
    disputed = other is not None and _word(first.paved) != _word(other.paved)
    paved, unpaved, mud, dust = first.paved, first.unpaved, first.mud, first.dust
    share = None
    if other is not None and disputed:
        wetter = first if first.paved >= other.paved else other
        share = wetter_is_right(wetter.forced[-1].rain_mm or 0.0)
        p = share if wetter is first else 1 - share
        paved, unpaved = p * paved + (1 - p) * other.paved, p * unpaved + (1 - p) * other.unpaved
        mud, dust = p * mud + (1 - p) * other.mud, p * dust + (1 - p) * other.dust
    used = [h for h in ground.hours[max(0, n - SPIN_UP_H) : n + 1] if h is not None]
    preliminary = any(h.tier is not Tier.FINAL for h in used)
    frost = at.temperature_c is not None and at.temperature_c <= 0
    after = ground.hours[n + 1] if n + 1 < len(ground.hours) else None
    witness = Witness(
        water=paved,
        rain_mm=first.forced[-1].rain_mm or 0.0,
        rain_next_mm=_rain_of(after),
        forced_before=first.forced[:-1],
        gaps_matter=first.gaps_matter,
        lies=first.lies,
        preliminary=preliminary,
        on_the_spot=at.source == "local file",
        wetter_share=share,
    )
    found = ConditionTag(
        paved_water=paved,
        unpaved_water=unpaved,
        mud=mud,
        dust=dust,
        confidence=confidence(witness),
        tier=Tier.PRELIMINARY if preliminary else Tier.FINAL,
        rain_mm=at.rain_mm,
        rain_before_mm=sum(known_before) if known_before else None,
        source=f"{at.source} ({at.model})",
        fetched_at=max(h.fetched_at for h in used),
        because=sentence(
            Told(
                rain_mm=first.forced[-1].rain_mm or 0.0,
                rain_before_mm=tuple(f.rain_mm for f in first.forced[:-1]),
                wet_hours_before=first.wet_hours_before,
                paved_water=first.paved,
                unpaved_water=first.unpaved,
                mud=first.mud,
                dust=first.dust,
                frost=frost,
                lies=first.lies,
                second=_second(other) if other is not None and disputed else None,
            )
        ),
        frost=frost,
    )
    return found, witness


def _look(
    hour: RiddenHour,
    ground: CellGround,
    n: int,
    at: HourlyWeather,
    salted_share: float,
    ridden: tuple[float, float],
    silt_pct: float,
) -> _Look:
    sky = ground.skies[n] or Sky(0.0, 0.0, MILD_C, None, 0.0)
    soil = ground.soil
    main = _road_weight(ground.main[n], ground.main[n + 1], sky, ridden)
    quiet = _road_weight(ground.quiet[n], ground.quiet[n + 1], sky, ridden)
    if main == 0 and ground.main[n + 1].salt_g_m2 >= HOLDS_FROM_G_M2 and _humid(sky):
        main = PROBABLY_DAMP
    paved = salted_share * main + (1 - salted_share) * quiet
    before, after = ground.open_ground[n], ground.open_ground[n + 1]
    loose_mm = mean_film_mm(
        before.loose_mm, after.loose_mm, loses_mm=_loses(after.loose_mm, UNPAVED_DRYING, sky), ridden=ridden
    )
    snow_lies = after.snow_mm > SNOW_FROM_MM
    snow_weight = 1.0 if sky.air_c >= 0 else 0.0
    unpaved = snow_weight if snow_lies else water_weight(loose_mm, rain_mm=sky.rain_mm)
    first = max(0, n - SPIN_UP_H)
    forced = ground.forced[first : n + 1]
    gaps_matter = False
    if any(f.rain_mm is None for f in forced):
        road, wetted = ground.if_gaps_were_wet(first, n)
        if_wet = (
            water_weight(road.water_mm, rain_mm=sky.rain_mm),
            water_weight(wetted.loose_mm, rain_mm=sky.rain_mm),
        )
        gaps_matter = if_wet[0] - quiet > GAP_TELLS or if_wet[1] - unpaved > GAP_TELLS
    air = [s.air_c for s in ground.skies[first : n + 1] if s is not None]
    soil_frozen = sum(air) / len(air) < SOIL_FREEZES_C
    soaked_24h_mm = sum(g.soaked_mm for g in ground.open_ground[max(0, n - 23) + 1 : n + 2])
    mud = 0.0
    if not soil_frozen and not snow_lies:
        mud = mud_weight(after.depletion_mm, rain_24h_mm=soaked_24h_mm, soil=soil)
    dust = 0.0
    if not snow_lies:
        dust = dust_index(
            speed_mps=hour.mean_speed_mps,
            soil_moisture_m3m3=soil.moisture_m3m3(after.depletion_mm),
            rain_mm=sky.rain_mm,
            film_mm=after.loose_mm,
            dry_soil_m3m3=soil.air_dry_m3m3,
            silt_pct=silt_pct,
        )
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
        air_c=at.temperature_c,
        humidity_pct=at.humidity_pct,
    )  # fmt: skip
    wet_hours = 0
    for back in range(1, n - first + 1):
        rain_mm = ground.forced[n - back].rain_mm or 0.0
        if water_weight(ground.quiet[n - back + 1].water_mm, rain_mm=rain_mm) < WET_FROM:
            break
        wet_hours += 1
    return _Look(at, paved, unpaved, mud, dust, lies, forced, wet_hours, gaps_matter)


def _humid(sky: Sky) -> bool:
    return sky.humidity_pct is not None and sky.humidity_pct >= HUMID_WITH_SALT_PCT


def _snowed(sky: Sky | None) -> bool:
    return sky is not None and sky.snow_mm > TRACE_MM


def _loses(left_mm: float, drying: float, sky: Sky) -> float | None:
    """What the hour could have dried, where it dried all there was; None = it did not."""
    return drying * sky.et0_mm if left_mm == 0 and not sky.rain_mm else None


def _road_weight(before: Road, after: Road, sky: Sky, ridden: tuple[float, float]) -> float:
    loses = _loses(after.water_mm, PAVED_DRYING, sky)
    film_mm = mean_film_mm(before.water_mm, after.water_mm, loses_mm=loses, ridden=ridden)
    weight = water_weight(film_mm, rain_mm=sky.rain_mm)
    slush = after.frozen_mm > FROZEN_FROM_MM and film_mm > FILM_MM
    return max(weight, SLUSH) if slush else weight


def _word(paved: float) -> str:
    return "wet" if paved >= WET_FROM else "damp" if paved > 0 else "dry"


def _second(look: _Look) -> Second:
    return Second(
        source=look.at.source,
        rain_mm=look.forced[-1].rain_mm or 0.0,
        rain_before_mm=tuple(f.rain_mm for f in look.forced[:-1]),
        wet=look.paved >= WET_FROM,
        damp=look.paved > 0,
    )


def _unknown(at: HourlyWeather | None, because: str) -> ConditionTag:
    return ConditionTag(
        paved_water=None,
        unpaved_water=None,
        mud=None,
        dust=None,
        confidence=0.0,
        tier=Tier.PRELIMINARY,
        rain_mm=None if at is None else at.rain_mm,
        rain_before_mm=None,
        source="" if at is None else f"{at.source} ({at.model})",
        fetched_at=None if at is None else at.fetched_at,
        because=because,
    )


def _rain_of(hour: HourlyWeather | None) -> float | None:
    if hour is None or hour.rain_mm is None:
        return None
    return hour.rain_mm if hour.rain_mm >= TRACE_MM else 0.0
