"""A word in the evening on which bike to take tomorrow, where the usual one is not the best.

rules.tomorrow for each rider | a letter, if another bike is worth it and the score of forecasts allows
"""

from __future__ import annotations

from collections.abc import Mapping
from datetime import date, datetime

from rules.ledger import Ledger
from rules.quiet_hours import may_speak
from rules.reminder import ReminderKind
from rules.tomorrow import Price, Tomorrow, tomorrow
from rules.usual_day import usual_day
from rules.vocabulary import ChainId, Rider
from services.app import App, quiet_hours_of, zone_of
from services.messages.reminder_text import announcement
from services.store import Transaction
from services.store.bookkeeping import TOMORROW_TOLD
from services.use_cases.queue_letters import queue
from services.use_cases.weather_ahead import DAY, EVENING, HOUR, NOON, Ahead, kept_ahead, zone_to_ask_for

MOST_A_WEEK = 2


def whom_to_tell(tx: Transaction, app: App, now: datetime) -> tuple[Ahead | None, list[Rider]]:
    """The weather that was asked for, and who may be told of it now."""
    when = app.settings.tomorrow.tell
    if not app.settings.tomorrow.forecast or when == "page only":
        return None, []
    ahead = kept_ahead(tx)
    if ahead is None or not ahead.speaks:
        return ahead, []
    return ahead, [one for one in tx.equipment.riders() if _may_be_told(tx, app, one, ahead, when, now)]


def tell_tomorrow(app: App, *, now: datetime) -> int:
    """Queue a word on which bike to take where the usual one is not the best; at most twice a week.

    Nothing is written where nothing is said. How many letters were queued.
    """
    when = app.settings.tomorrow.tell
    with app.store.reading() as tx:
        ahead, to_tell = whom_to_tell(tx, app, now)
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


def anything_ahead(tx: Transaction, app: App, now: datetime) -> bool:
    """Whether tomorrow's weather is to be asked for, or somebody may be told of it; quick."""
    return zone_to_ask_for(tx, app, now) is not None or bool(whom_to_tell(tx, app, now)[1])


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
