"""What the ground was like in one hour of a ride: weather in, condition tag out. Pure.

No value for the ride hour means unknown, never dry. A missing hour before it holds the ground as
it was and lowers the confidence by what it may have hidden.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from datetime import date, datetime, timedelta
from typing import Protocol

from ingest.ground.cell_ground import HOUR, CellGround, cell_ground, march_begins
from ingest.ground.confidence import Witness, confidence, wetter_is_right
from ingest.ground.dust import GRAVEL_SILT_PCT
from ingest.ground.hour_weights import WHOLE_HOUR, Look, RiddenHour, look
from ingest.ground.sentence import Second, Told, sentence
from ingest.ground.thresholds import TRACE_MM, WET_FROM
from ingest.ground.topsoil import LOAM, Soil
from ingest.ground.wetting_and_drying import SPIN_UP_H
from ingest.weather.hourly import Cell, HourlyWeather, Span
from rules.vocabulary import ConditionTag, Tier

BAND = HOUR  # rain on a grid is as likely an hour out: the neighbouring hours are read too
SPREADER_SEES = HOUR * 12  # of the weather after the hour: road salt is put down before the frost
USUALLY_SALTED = 0.5  # our choice, 0-1: which roads were ridden is not known
# The way in which tags are made: another name, and every ledger's hours are tagged anew, once.
WAY_OF_TAGGING = "2026-11 mud drains and dries, hard frost, dew, freezing rain, roads dry by night"
STATION_KM = 3.0  # a station of one's own no farther than this saw the same rain; our choice
LEAST_KNOWN_H = 12  # of the 24 hours before; with fewer, rain may have gone unseen; our choice
# Which value stands where several sources have one: nearest the rider first.
SOURCE_ORDER = ("local file", "open-meteo archive", "open-meteo forecast", "nasa power")


class Grid(Protocol):
    """Anything that knows which of its cells holds a place: every weather provider."""

    def cell_of(self, latitude_deg: float, longitude_deg: float) -> Cell: ...


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


def grounds(
    weather: Iterable[HourlyWeather],
    begin: datetime,
    end: datetime,
    *,
    soil: Soil = LOAM,
) -> tuple[CellGround, ...]:
    """The ground of one cell from `begin` up to but not at `end`: by the settled hours, then by each archive.

    weather: of one archive or several, any order. An archive's own ground has the settled hours where it has
    none itself; one that never differs from the settled ones has no ground of its own.
    """
    told = [hour for hour in weather if begin <= hour.hour_start < end]
    first = settled(told)
    found = [cell_ground(first, begin, end, soil=soil)]
    sources = {hour.source for hour in told if hour.rain_mm is not None}
    for source in sorted(sources, key=_place):
        own = {
            at: h for at, h in settled(h for h in told if h.source == source).items() if h.rain_mm is not None
        }
        if any(first[at].source != source for at in own):
            found.append(cell_ground({**first, **own}, begin, end, soil=soil))
    return tuple(found)


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
    first = look(hour, ground, n, at, salted_share, ridden, silt_pct)
    known_before = [f.rain_mm for f in first.forced[-25:-1] if f.rain_mm is not None]
    if first.gaps_matter and first.paved < WET_FROM and len(known_before) < LEAST_KNOWN_H:
        return _unknown(
            at, "Too few of the hours before have a rain value to call this one dry: unknown."
        ), None
    rivals = ((g, g.hours[n]) for g in stands[1:])
    other = next(
        (
            look(hour, g, n, rival, salted_share, ridden, silt_pct)
            for g, rival in rivals
            if rival is not None and rival.source != at.source
        ),
        None,
    )
    disputed = other is not None and _word(first.paved) != _word(other.paved)
    paved, unpaved, mud, dust = first.paved, first.unpaved, first.mud, first.dust
    salt = first.salt
    share = None
    if other is not None and disputed:
        wetter = first if first.paved >= other.paved else other
        share = wetter_is_right(wetter.forced[-1].rain_mm or 0.0)
        p = share if wetter is first else 1 - share
        paved, unpaved = p * paved + (1 - p) * other.paved, p * unpaved + (1 - p) * other.unpaved
        salt = p * salt + (1 - p) * other.salt
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
        on_the_spot=at.source == "local file" and _beside(hour, at.cell),
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
        salt=salt,
        snow_mm=first.lies.snowed_mm,
    )
    return found, witness


def _beside(hour: RiddenHour, cell: Cell) -> bool:
    if hour.latitude_deg is None or hour.longitude_deg is None:
        return False
    return cell.away_km(hour.latitude_deg, hour.longitude_deg) <= STATION_KM


def _word(paved: float) -> str:
    return "wet" if paved >= WET_FROM else "damp" if paved > 0 else "dry"


def _second(look: Look) -> Second:
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
