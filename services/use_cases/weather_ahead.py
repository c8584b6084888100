"""Tomorrow's weather: asked for once an evening where the settings want it, and kept.

    evening | one question for the cell ridden in most | ingest.ground.forecast_hours | hours and P(wet) kept
    telling | services.use_cases.tell_tomorrow

The network is never inside a transaction.
"""

from __future__ import annotations

import time as clock_time
from collections import Counter
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from datetime import UTC, date, datetime, time, timedelta, tzinfo

from ingest.weather.hourly import ArchiveUnavailable, Cell, Span
from rules.forecast_score import score, scored_rides
from rules.ledger import Ledger
from rules.vocabulary import ConditionTag, HourAhead, Tier
from services.app import App, zone_of
from services.store import Transaction
from services.store.bookkeeping import AHEAD, AHEAD_WAITS, FORECAST_SCORE, WET_CHANCES

EVENING = 17  # o'clock, by the first rider's clock
NOON = time(12, 0)
LATELY = timedelta(weeks=8)  # where tomorrow's weather is asked for: the cell ridden most
AFTER_A_FAILURE = timedelta(hours=1)
DAY, HOUR = timedelta(days=1), timedelta(hours=1)
_GROUND = ("paved_water", "unpaved_water", "mud", "dust", "salt")


@dataclass(frozen=True, slots=True)
class Ahead:
    """The weather of one day to come, as it was forecast."""

    on: date
    asked_at: datetime
    hours: tuple[HourAhead, ...]
    score: str  # how good the forecasts have been
    speaks: bool


def ask_ahead(
    app: App,
    *,
    now: datetime,
    patience: timedelta = timedelta(minutes=2),
    sleep: Callable[[float], None] = clock_time.sleep,
) -> str:
    """Ask for tomorrow's weather, if it is wanted, it is evening, and it was not asked yet.

    What is in the way, in a sentence; empty = nothing.
    """
    with app.store.reading() as tx:
        zone = zone_to_ask_for(tx, app, now)
        if zone is None:
            return ""
        on = now.astimezone(zone).date() + DAY
        ledger = tx.ledger()
        chances = {at: p for month in _months(now) for at, p in _chances(tx, month).items()}
    cell = _cell_ridden_most(app, ledger, now)
    if cell is None:
        return ""
    from ingest.ground.forecast_hours import hours_ahead
    from ingest.weather.pacing import deliveries

    begins = datetime(on.year, on.month, on.day, tzinfo=zone)
    try:
        span = _span(cell, now)
        (answer,) = deliveries(app.ahead, [span], clock=lambda: now, sleep=sleep, patience=patience)
        if answer.refused:
            raise ArchiveUnavailable(answer.refused, now + DAY)
    except ArchiveUnavailable as error:
        with app.store.writing() as tx:
            tx.notes.put(AHEAD_WAITS, (error.retry_at or now + AFTER_A_FAILURE).isoformat(), at=now)
        return f"Tomorrow's weather is waiting: {error.why}."
    ends = datetime(on.year, on.month, on.day, tzinfo=zone) + DAY
    hours = hours_ahead(answer.hours, _utc(begins), _utc(ends), now=now, salted_share=app.salted_share)
    stands = score(scored_rides(ledger, app.rulebook_for(ledger), chances))
    wet_from = app.rulebook_for(ledger).weights.wet_from
    with app.store.writing() as tx:
        tx.notes.put(AHEAD, {"on": on.isoformat(), "hours": [_row(one) for one in hours]}, at=now)
        tx.notes.put(FORECAST_SCORE, {"said": stands.sentence, "speaks": stands.speaks}, at=now)
        for one in hours:
            month = f"{WET_CHANCES}{one.hour_start:%Y-%m}"
            kept = tx.notes.get(month, {})
            kept[one.hour_start.isoformat()] = round(one.wet_chance(wet_from), 3)
            tx.notes.put(month, kept, at=now)
    return ""


def zone_to_ask_for(tx: Transaction, app: App, now: datetime) -> tzinfo | None:
    """By whose clock tomorrow's weather is asked for; None = it is not, by now."""
    if not app.settings.tomorrow.forecast:
        return None
    riders = tx.equipment.riders()
    if not riders:
        return None
    zone = zone_of(riders[0].time_zone)
    local = now.astimezone(zone)
    known, waits = tx.notes.get(AHEAD), tx.notes.get(AHEAD_WAITS)
    if local.hour < EVENING or (known and known["on"] == (local.date() + DAY).isoformat()):
        return None
    waiting = waits and timedelta(0) < datetime.fromisoformat(waits) - now <= DAY
    return None if waiting else zone


def kept_ahead(tx: Transaction) -> Ahead | None:
    """The weather that was last asked for; None = never."""
    known, asked_at = tx.notes.get(AHEAD), tx.notes.written_at(AHEAD)
    if known is None or asked_at is None:
        return None
    stands = tx.notes.get(FORECAST_SCORE, {"said": score(()).sentence, "speaks": True})
    hours = tuple(_hour(row) for row in known["hours"])
    return Ahead(date.fromisoformat(known["on"]), asked_at, hours, stands["said"], stands["speaks"])


def _cell_ridden_most(app: App, ledger: Ledger, now: datetime) -> Cell | None:
    cells: Counter[Cell] = Counter()
    for ride in ledger.rides:
        if now - LATELY <= ride.started_at <= now:
            for hour in ride.hours:
                if hour.latitude_deg is not None and hour.longitude_deg is not None:
                    cells[app.ahead.cell_of(hour.latitude_deg, hour.longitude_deg)] += 1
    if not cells:
        return None
    return max(cells, key=lambda one: (cells[one], one.latitude_deg, one.longitude_deg))


def _span(cell: Cell, now: datetime) -> Span:
    from ingest.ground.forecast_hours import days_to_ask_for

    return Span(cell, *days_to_ask_for(now, cell.latitude_deg))


def _months(now: datetime) -> Iterator[str]:
    """The last year's months, oldest first."""
    for back in range(12, -1, -1):
        year, month = divmod(now.year * 12 + now.month - 1 - back, 12)
        yield f"{year}-{month + 1:02}"


def _chances(tx: Transaction, month: str) -> dict[datetime, float]:
    kept = tx.notes.get(f"{WET_CHANCES}{month}", {})
    return {datetime.fromisoformat(at): chance for at, chance in kept.items()}


def _row(one: HourAhead) -> list[object]:
    grounds = [[getattr(tag, part) for part in _GROUND] for tag in (one.if_rain, one.if_dry)]
    return [one.hour_start.isoformat(), one.rain_chance, *grounds]


def _hour(row: list[object]) -> HourAhead:
    at, chance, rain, dry = row
    return HourAhead(datetime.fromisoformat(str(at)), float(str(chance)), _ground(rain), _ground(dry))


def _ground(values: object) -> ConditionTag:
    parts = dict(zip(_GROUND, values, strict=True))  # type: ignore[call-overload]
    return ConditionTag(
        **parts,
        confidence=0.0,
        tier=Tier.PRELIMINARY,
        rain_mm=None,
        rain_before_mm=None,
        source="forecast",
        fetched_at=None,
        because="forecast",
    )


def _utc(at: datetime) -> datetime:
    return at.astimezone(UTC)
