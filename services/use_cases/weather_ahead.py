"""Tomorrow's weather: asked for once an evening where the settings want it, and what it says of the bikes.

    evening | one question for the cell ridden in most | ingest.ground.forecast_hours | hours and P(wet) kept
    telling | rules.tomorrow for each rider | a letter, if another bike is worth it and the score allows

The network is never inside a transaction.
"""

from __future__ import annotations

import time as clock_time
from collections import Counter
from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass
from datetime import UTC, date, datetime, time, timedelta, tzinfo

from ingest.weather.hourly import ArchiveUnavailable, Cell, Span
from rules.forecast_score import score, scored_rides
from rules.ledger import Ledger
from rules.quiet_hours import may_speak
from rules.reminder import ReminderKind
from rules.tomorrow import Price, Tomorrow, tomorrow
from rules.usual_day import usual_day
from rules.vocabulary import ChainId, ConditionTag, HourAhead, Rider, Tier
from services.app import App, quiet_hours_of, zone_of
from services.messages.reminder_text import announcement
from services.store import Transaction
from services.store.bookkeeping import AHEAD, AHEAD_WAITS, FORECAST_SCORE, TOMORROW_TOLD, WET_CHANCES
from services.use_cases.update_reminders import queue

EVENING = 17  # o'clock, by the first rider's clock
NOON = time(12, 0)
LATELY = timedelta(weeks=8)  # where tomorrow's weather is asked for: the cell ridden most
AFTER_A_FAILURE = timedelta(hours=1)
MOST_A_WEEK = 2
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
        zone = _zone_to_ask_for(tx, app, now)
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


def anything_ahead(tx: Transaction, app: App, now: datetime) -> bool:
    """Whether tomorrow's weather is to be asked for, or somebody may be told of it; quick."""
    return _zone_to_ask_for(tx, app, now) is not None or bool(_to_tell(tx, app, now)[1])


def _zone_to_ask_for(tx: Transaction, app: App, now: datetime) -> tzinfo | None:
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


def _to_tell(tx: Transaction, app: App, now: datetime) -> tuple[Ahead | None, list[Rider]]:
    """The weather that was asked for, and who may be told of it now."""
    when = app.settings.tomorrow.tell
    if not app.settings.tomorrow.forecast or when == "page only":
        return None, []
    ahead = kept_ahead(tx)
    if ahead is None or not ahead.speaks:
        return ahead, []
    return ahead, [one for one in tx.equipment.riders() if _may_be_told(tx, app, one, ahead, when, now)]


def kept_ahead(tx: Transaction) -> Ahead | None:
    """The weather that was last asked for; None = never."""
    known, asked_at = tx.notes.get(AHEAD), tx.notes.written_at(AHEAD)
    if known is None or asked_at is None:
        return None
    stands = tx.notes.get(FORECAST_SCORE, {"said": score(()).sentence, "speaks": True})
    hours = tuple(_hour(row) for row in known["hours"])
    return Ahead(date.fromisoformat(known["on"]), asked_at, hours, stands["said"], stands["speaks"])


def tell_tomorrow(app: App, *, now: datetime) -> int:
    """Queue a word on which bike to take where the usual one is not the best; at most twice a week.

    Nothing is written where nothing is said. How many letters were queued.
    """
    when = app.settings.tomorrow.tell
    with app.store.reading() as tx:
        ahead, to_tell = _to_tell(tx, app, now)
        if ahead is None or not to_tell:
            return 0
        ledger = tx.ledger()
    found = [(rider, _worth_telling(app, ledger, rider, ahead, now)) for rider in to_tell]
    told = [(rider, said) for rider, said in found if said is not None]
    if not told:
        return 0
    queued = 0
    with app.store.writing() as tx:
        for rider, said in told:
            subject = f"{'Today' if when == 'morning' else 'Tomorrow'}: take {said.choices[0].name}"
            message = announcement(subject, said.brief, rider, address=app.address(now), units=app.units)
            occasion = f"tomorrow {ahead.on.isoformat()}"
            queued += queue(tx, app, rider, message, (), occasion, now, now, tells=False)
            on = [*_told_lately(tx, rider, ahead), ahead.on.isoformat()]
            tx.notes.put(f"{TOMORROW_TOLD}{rider.id}", on, at=now)
    return queued


def _may_be_told(tx: Transaction, app: App, rider: Rider, ahead: Ahead, when: str, now: datetime) -> bool:
    """Whether it is this rider's time, outside the quiet hours, and no word too many."""
    local = now.astimezone(zone_of(rider.time_zone))
    evening = when == "evening" and local.hour >= EVENING and local.date() + DAY == ahead.on
    morning = when == "morning" and local.time() < NOON and local.date() == ahead.on
    told = _told_lately(tx, rider, ahead)
    once = ahead.on.isoformat() not in told and len(told) < MOST_A_WEEK
    return (evening or morning) and once and may_speak(ReminderKind.DRIP, local, quiet_hours_of(app))


def _told_lately(tx: Transaction, rider: Rider, ahead: Ahead) -> list[str]:
    """For which days of the last week another bike was advised."""
    told = tx.notes.get(f"{TOMORROW_TOLD}{rider.id}", [])
    return [one for one in told if date.fromisoformat(one) > ahead.on - 7 * DAY]


def _worth_telling(app: App, ledger: Ledger, rider: Rider, ahead: Ahead, now: datetime) -> Tomorrow | None:
    """What is said of the day, if it matters and the rider is not on the way already."""
    zone = zone_of(rider.time_zone)
    plan = usual_day(ledger, rider, ahead.on, zone, now=now)
    if plan is None or plan.hours[0][0] + HOUR <= now.astimezone(zone):
        return None
    prices = prices_of(app, ledger)
    found = tomorrow(ledger, app.rulebook_for(ledger), plan, ahead.hours, now=now, prices=prices)
    return found if found is not None and found.matters else None


def prices_of(
    app: App, ledger: Ledger, lives_grit_h: Mapping[ChainId, float] | None = None
) -> dict[ChainId, Price]:
    """What a grit-hour of each chain costs. lives_grit_h: of chains whose life is known."""
    lives, cassette = lives_grit_h or {}, app.settings.money.cassette or 0.0
    return {
        chain.id: Price(chain.price or 0.0, cassette, lives[chain.id])
        if chain.id in lives
        else Price(chain.price or 0.0, cassette)
        for chain in ledger.chains
    }


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
