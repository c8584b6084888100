"""What the ground was like in one hour of a ride: weather in, condition tag out. Pure.

No value for the ride hour means unknown, never dry. A missing hour in the two days before holds the ground as
it was and lowers the confidence by what it may have hidden.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from datetime import date, datetime, timedelta
from typing import Protocol

from ingest.ground.confidence import Witness, confidence
from ingest.ground.drying import TRACE_MM, forcings
from ingest.ground.dust import dust_index
from ingest.ground.road_dust import GRAVEL_SILT_PCT
from ingest.ground.sentence import Second, Told, sentence
from ingest.ground.topsoil import LOAM, Soil
from ingest.ground.water import SPIN_UP_H, WET_FROM, Forcing, Ground, march, mud_weight, water_weight
from ingest.weather.hourly import Cell, HourlyWeather, Span
from rules.vocabulary import ConditionTag, Tier

HOUR = timedelta(hours=1)
LEAD_IN = timedelta(hours=SPIN_UP_H)
BAND = HOUR  # rain on a grid is as likely an hour out: the neighbouring hours are read too
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


def window(hour_start: datetime) -> tuple[datetime, datetime]:
    """The first and the last hour_start of weather that the tag of this hour reads."""
    return hour_start - LEAD_IN, hour_start + BAND


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
        first, last = window(hour.hour_start)
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


def settled(weather: Iterable[HourlyWeather]) -> dict[datetime, HourlyWeather]:
    """One value per hour where several were kept: known before null, final first, then the newest."""

    def rank(hour: HourlyWeather) -> tuple[bool, bool, int, datetime]:
        place = SOURCE_ORDER.index(hour.source) if hour.source in SOURCE_ORDER else len(SOURCE_ORDER)
        return hour.rain_mm is not None, hour.tier is Tier.FINAL, -place, hour.fetched_at

    best: dict[datetime, HourlyWeather] = {}
    for hour in weather:
        standing = best.get(hour.hour_start)
        if standing is None or rank(hour) > rank(standing):
            best[hour.hour_start] = hour
    return best


def tag(
    hour: RiddenHour,
    weather: Iterable[HourlyWeather] | Mapping[datetime, HourlyWeather],
    *,
    dry_soil_m3m3: float | None = None,
    silt_pct: float = GRAVEL_SILT_PCT,
    soil: Soil = LOAM,
    altitude_m: float = 0.0,
) -> ConditionTag:
    """What the ground was like in this hour.

    weather: hours of the cell it was ridden in, of one archive or several, any order, more than needed does
    no harm; a mapping is taken as already settled. Where another archive has the hour too and gives the other
    word, wet or dry, the tag says so and is less sure.
    dry_soil_m3m3: dust.driest_soil of that cell, None = not known.  Dust is the value were the hour
    wholly unpaved.
    """
    told = () if isinstance(weather, Mapping) else tuple(weather)
    by_start = weather if isinstance(weather, Mapping) else settled(told)
    at = by_start.get(hour.hour_start)
    if at is None:
        return _unknown(at, "No weather is known for this hour yet, so it stays unknown, not dry.")
    if at.rain_mm is None:
        return _unknown(at, "The archive has no rain value for this hour, so it stays unknown, not dry.")
    lead = [by_start.get(hour.hour_start - HOUR * ago) for ago in range(SPIN_UP_H, 0, -1)]
    forced = forcings([*lead, at], altitude_m=altitude_m)
    start = Ground.dry(soil, soil_moisture_m3m3=_first_soil([*lead, at]))
    grounds = march(start, forced, soil=soil)
    rain_mm, ground = forced[-1].rain_mm or 0.0, grounds[-1]

    known_before = [f.rain_mm for f in forced[-25:-1] if f.rain_mm is not None]
    rain_24h_mm = sum(f.rain_mm or 0.0 for f in forced[-24:])
    paved = water_weight(ground.paved_mm, rain_mm=rain_mm)
    unpaved = water_weight(ground.loose_mm, rain_mm=rain_mm)
    holes = any(f.rain_mm is None for f in forced)
    soaked = march(start, forced, soil=soil, gaps_wet=True)[-1] if holes else ground
    paved_if_wet = water_weight(soaked.paved_mm, rain_mm=rain_mm)
    unpaved_if_wet = water_weight(soaked.loose_mm, rain_mm=rain_mm)
    gaps_matter = unpaved_if_wet - unpaved > GAP_TELLS or paved_if_wet - paved > GAP_TELLS
    if gaps_matter and paved < WET_FROM and len(known_before) < LEAST_KNOWN_H:
        return _unknown(at, "Too few of the hours before have a rain value to call this one dry: unknown.")
    mud = mud_weight(ground.depletion_mm, rain_24h_mm=rain_24h_mm, soil=soil)
    moisture = at.soil_moisture_m3m3
    dust = dust_index(
        speed_mps=hour.mean_speed_mps,
        soil_moisture_m3m3=ground.soil_moisture_m3m3(soil) if moisture is None else moisture,
        rain_mm=rain_mm,
        film_mm=ground.loose_mm,
        dry_soil_m3m3=dry_soil_m3m3 if moisture is not None else None,
        silt_pct=silt_pct,
    )
    used = [h for h in [*lead, at] if h is not None]
    preliminary = any(h.tier is not Tier.FINAL for h in used)
    frost = at.temperature_c is not None and at.temperature_c <= 0
    second = second_opinion(hour.hour_start, by_start, told, soil=soil, altitude_m=altitude_m)
    disputed = second is not None and second.wet != (paved >= WET_FROM)
    return ConditionTag(
        paved_water=paved,
        unpaved_water=unpaved,
        mud=mud,
        dust=dust,
        confidence=confidence(
            Witness(
                water=paved,
                rain_mm=rain_mm,
                rain_next_mm=_rain_of(by_start.get(hour.hour_start + HOUR)),
                forced_before=tuple(forced[:-1]),
                gaps_matter=gaps_matter,
                frost=frost or any((h.snowfall_cm or 0) > 0 for h in used),
                preliminary=preliminary,
                disputed=disputed,
            )
        ),
        tier=Tier.PRELIMINARY if preliminary else Tier.FINAL,
        rain_mm=at.rain_mm,
        rain_before_mm=sum(known_before) if known_before else None,
        source=f"{at.source} ({at.model})",
        fetched_at=max(h.fetched_at for h in used),
        because=sentence(
            Told(
                rain_mm=rain_mm,
                rain_before_mm=tuple(f.rain_mm for f in forced[:-1]),
                wet_hours_before=_wet_hours(grounds[:-1], forced[:-1]),
                paved_water=paved,
                unpaved_water=unpaved,
                mud=mud,
                dust=dust,
                frost=frost,
                snow=any((h.snowfall_cm or 0) > 0 for h in used),
                second=second if disputed else None,
            )
        ),
        frost=frost,
    )


def second_opinion(
    hour_start: datetime,
    by_start: Mapping[datetime, HourlyWeather],
    told: Iterable[HourlyWeather],
    *,
    soil: Soil = LOAM,
    altitude_m: float = 0.0,
) -> Second | None:
    """What another archive makes of this hour; None unless one has its rain.

    by_start: the settled hours.  told: the hours of all archives, in any order. The same march over the other
    archive's hours, by SOURCE_ORDER where several are held; the settled ones fill those it does not have.
    """
    first = by_start.get(hour_start)
    rivals = [h for h in told if h.rain_mm is not None and (first is None or h.source != first.source)]
    other = settled(rivals)
    at = other.get(hour_start)
    if at is None or at.rain_mm is None:
        return None
    other = {**by_start, **settled(h for h in rivals if h.source == at.source)}
    lead = [other.get(hour_start - HOUR * ago) for ago in range(SPIN_UP_H, -1, -1)]
    forced = forcings(lead, altitude_m=altitude_m)
    ground = march(Ground.dry(soil), forced, soil=soil)[-1]
    rain_mm = forced[-1].rain_mm or 0.0
    return Second(
        source=at.source,
        rain_mm=rain_mm,
        rain_before_mm=tuple(f.rain_mm for f in forced[:-1]),
        wet=water_weight(ground.paved_mm, rain_mm=rain_mm) >= WET_FROM,
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


def _first_soil(hours: Iterable[HourlyWeather | None]) -> float | None:
    return next((h.soil_moisture_m3m3 for h in hours if h and h.soil_moisture_m3m3 is not None), None)


def _rain_of(hour: HourlyWeather | None) -> float | None:
    if hour is None or hour.rain_mm is None:
        return None
    return hour.rain_mm if hour.rain_mm >= TRACE_MM else 0.0


def _wet_hours(grounds: Sequence[Ground], forced: Sequence[Forcing]) -> int:
    count = 0
    for ground, forcing in zip(reversed(grounds), reversed(forced), strict=True):
        if water_weight(ground.paved_mm, rain_mm=forcing.rain_mm or 0.0) < WET_FROM:
            break
        count += 1
    return count
