"""Letters put in the outbox: what riders have not heard, the week ahead, swaps, and what is said once."""

from __future__ import annotations

import secrets
from collections.abc import Sequence
from datetime import datetime, timedelta

from rules.cautions import LINK_IN_A_LINE
from rules.contamination import exposures
from rules.ledger import Ledger
from rules.message_timing import MONTH, Bundle, Told, bundles, has_dried, outlook_due, unheard
from rules.outlook import outlook
from rules.overlapping_reminders import done_too
from rules.quiet_hours import may_speak
from rules.reminder import RaisedReminder, Reminder, ReminderKind, Step
from rules.ride_name import ride_name
from rules.supplies import running_out, stands
from rules.trial import turn
from rules.vocabulary import Rider
from services.app import App, quiet_hours_of, zone_of
from services.messages.message import AskedRide, Message
from services.messages.reminder_text import announcement, compose, message_id
from services.messages.told_reminder import ToldReminder, told_reminder
from services.messages.week_ahead import coming, week_ahead
from services.queued_letter import Letter
from services.store import Transaction
from services.store.bookkeeping import ADVISED, LETTERS_OF, SWAP_TOLD

SEASON = timedelta(days=91)
OUTLOOK_NOTE = "outlook told:"


def cancel_idle_letters(tx: Transaction, now: datetime) -> None:
    """A letter that waits to tell only of what is done or withdrawn is not sent."""
    waiting = tx.outbox.waiting()
    wanted = tx.reminders.open_numbers() if waiting else frozenset()
    for posted in waiting:
        if posted.letter.reminders and not wanted & set(posted.letter.reminders):
            tx.outbox.cancel(posted.letter.id, now, "what it tells is done or no longer so")


def announce(
    tx: Transaction, app: App, rider: Rider, subject: str, said: str, occasion: str, now: datetime
) -> int:
    """Tell a rider once what a new version of the program moved; returns how many letters wait for it."""
    message = announcement(subject, said, rider, address=app.address(now), units=app.units)
    return queue(tx, app, rider, message, (), occasion, now, now, tells=False)


def announce_swaps(tx: Transaction, app: App, now: datetime) -> int:
    """A turn of a trial is over: told once, to the bike's owner, outside the quiet hours."""
    queued = 0
    for trial in tx.care.trials():
        if trial.ended_at is not None:
            continue
        ledger = tx.ledger_of({trial.waxed, trial.control})
        rider = ledger.rider(ledger.bike(trial.bike).owner)
        local = now.astimezone(zone_of(rider.time_zone))
        if not may_speak(ReminderKind.DRIP, local, quiet_hours_of(app)):
            continue
        stands, told = turn(ledger, trial, now=now), f"{SWAP_TOLD}{trial.id}"
        if stands.swap_due and tx.notes.get(told) != stands.number:
            subject = f"Swap the chains on {ledger.bike(trial.bike).name}"
            message = announcement(
                subject,
                stands.sentence,
                rider,
                address=app.address(now),
                units=app.units,
                careful=LINK_IN_A_LINE,
            )
            occasion = f"trial {trial.id}, turn {stands.number}"
            queued += queue(tx, app, rider, message, (), occasion, now, now, tells=False)
            tx.notes.put(told, stands.number, at=now)
    return queued


def to_tell(tx: Transaction, app: App, now: datetime) -> tuple[Bundle, ...]:
    """What riders have not heard, as far as they may be told now; most of the time that is quickly seen."""
    if not tx.reminders.untold():
        return ()
    on_their_way = {
        (reminder, posted.letter.queued_at)
        for posted in (*tx.outbox.waiting(), *tx.outbox.refused())
        for reminder in posted.letter.reminders
    }
    news = [
        one
        for one in unheard(tx.reminders.standing())
        if not any(
            reminder == one.raised.id and queued_at is not None and queued_at >= _last_news(one.raised)
            for reminder, queued_at in on_their_way
        )
    ]
    riders = tx.equipment.riders()
    local = {rider.id: now.astimezone(zone_of(rider.time_zone)) for rider in riders}
    quiet_hours = {rider.id: quiet_hours_of(app) for rider in riders}
    told = tx.told_since(riders, now - MONTH)
    if app.address(now) is None:  # no room for the evenings to come between commands: nothing was asked ahead
        told = Told(told.messages)
    return tuple(bundles(news, local, quiet_hours, told))


def queue_unheard(tx: Transaction, app: App, now: datetime) -> int:
    """Letters for what riders have not heard and may be told now; how many were queued."""
    said = to_tell(tx, app, now)
    if not said:
        return 0
    ledger, standing = tx.garage(), tx.reminders.standing()
    told_of = {one.raised.id for bundle in said for one in bundle.unheard}
    beside = [one.reminder for one in standing if one.id not in told_of and one.state is not Step.PUT_OFF]
    return sum(_queue_bundle(tx, app, ledger, bundle, beside, now) for bundle in said)


def _last_news(raised: RaisedReminder) -> datetime:
    return next(step.at for step in reversed(raised.steps) if step.step in (Step.RAISED, Step.WORSE))


def _queue_bundle(
    tx: Transaction, app: App, ledger: Ledger, bundle: Bundle, beside: Sequence[Reminder], now: datetime
) -> int:
    rider = ledger.rider(bundle.rider)
    texts = [told_reminder(one.raised, ledger, worse=one.worse) for one in bundle.unheard]
    message = compose(
        texts,
        rider,
        address=app.address(now),
        units=app.units,
        attribution=app.attribution,
        asked=ride_to_ask_about(tx, app, rider, now),
        beside=beside,
    )
    occasion = max(_last_news(one.raised) for one in bundle.unheard).isoformat()
    due_at = min(one.raised.reminder.cause_at for one in bundle.unheard)
    return queue(tx, app, rider, message, texts, occasion, due_at, now)


def _advice(tx: Transaction, app: App, rider: Rider, now: datetime) -> str:
    """Another way of caring for this rider's bikes, if one is clearly better; once a season."""
    from rules.year.another_way import advice, another_way

    told_at = tx.notes.written_at(f"{ADVISED}{rider.id}")
    if told_at is not None and told_at <= now < told_at + SEASON:
        return ""
    ledger = tx.ledger()  # the whole year of all: once a season
    own = {bike.id for bike in ledger.bikes if bike.owner == rider.id}
    years = another_way(ledger, app.rulebook_for(ledger), now=now, zone_of=zone_of)
    said = advice([year for year in years if year.bike in own])
    if said:
        tx.notes.put(f"{ADVISED}{rider.id}", said, at=now)
    return said


def ride_to_ask_about(tx: Transaction, app: App, rider: Rider, now: datetime) -> AskedRide | None:
    """The newest ride of this rider whose bike is a question: what is asked by mail is still remembered."""
    ledger = tx.ledger_of((), rides=tx.rides.questions())
    asking = [ride for ride in ledger.rides if ride.rider == rider.id and ride.ended_at <= now]
    if not asking:
        return None
    ride = max(asking, key=lambda one: (one.started_at, one.id))
    by_grit = sorted(exposures(ledger, ride, app.rulebook_for(ledger)), key=lambda hour: -hour.grit_h)
    name = ride_name(ride, zone_of(rider.time_zone), now=now, like=(hour.condition for hour in by_grit))
    bikes = tuple((bike.id, bike.name) for bike in ledger.may_have_been(ride))
    return AskedRide(ride.id, name, bikes, more=len(asking) - 1)


def _supplies(tx: Transaction, app: App, now: datetime) -> str:
    """What runs out soon, so that it can be bought before."""
    if not tx.care.supplies():
        return ""
    ledger = tx.ledger()  # all that was done with them: once a week
    found = stands(ledger, app.rulebook_for(ledger), now=now, zone_of=zone_of)
    return running_out(found, zone_of(ledger.riders[0].time_zone))


def outlook_wanted(tx: Transaction, app: App, rider: Rider, now: datetime) -> bool:
    """Whether this rider's week ahead is to go out now?"""
    local = now.astimezone(zone_of(rider.time_zone))
    last = tx.notes.written_at(f"{OUTLOOK_NOTE}{rider.id}")
    return outlook_due(local, last and last.astimezone(local.tzinfo), quiet_hours_of(app))


def queue_outlooks(tx: Transaction, app: App, now: datetime) -> int:
    """The week ahead, for each rider whose day and hour it is; how many letters were queued."""
    queued = 0
    for rider in tx.equipment.riders():
        if not outlook_wanted(tx, app, rider, now):
            continue
        local = now.astimezone(zone_of(rider.time_zone))
        ledger, standing = tx.in_use(now), tx.reminders.standing()
        asked = {(one.reminder.chain, one.reminder.kind) for one in standing}
        for one in standing:  # what an asked-for job does as well is no other date
            if one.state is not Step.PUT_OFF:
                asked |= {(one.reminder.chain, kind) for kind in done_too(one.reminder.kind)}
        limits = [
            one
            for one in outlook(ledger, app.rulebook_in(tx), now=now, zone_of=zone_of)
            if (one.chain, one.kind) not in asked
        ]
        message = week_ahead(
            [coming(one, ledger) for one in limits if one.rider == rider.id and one.used < one.limit],
            rider,
            now=now,
            waiting=[
                told_reminder(one, ledger)
                for one in standing
                if one.reminder.rider == rider.id and not has_dried(one)
            ],
            address=app.address(now),
            units=app.units,
            attribution=app.attribution,
            asked=ride_to_ask_about(tx, app, rider, now),
            advice=_advice(tx, app, rider, now),
            supplies=_supplies(tx, app, now),
        )
        # what waited for the outlook, or found no room in the month's messages, is told by it
        news = any(one.raised.reminder.rider == rider.id for one in unheard(standing))
        queued += queue(tx, app, rider, message, (), f"week of {local:%G-%V}", now, now, tells=news)
        tx.notes.put(f"{OUTLOOK_NOTE}{rider.id}", f"{local:%G-%V}", at=now)
    return queued


def queue(
    tx: Transaction,
    app: App,
    rider: Rider,
    message: Message,
    texts: Sequence[ToldReminder],
    occasion: str,
    due_at: datetime,
    now: datetime,
    *,
    tells: bool = True,
) -> int:
    """One letter a channel. tells: whether the reminders in it count as told; how many were queued."""
    queued = 0
    for name in app.channels:
        if name == "email" and not rider.email:
            continue
        letter = Letter(
            id=0,
            rider=rider.id,
            channel=name,
            to=rider.email or "",
            subject=message.subject,
            text=message.short if name == "desktop" else message.text,
            html=message.html,
            message_id=message_id(rider, name, texts, household=_letters_of(tx, now), occasion=occasion),
            reminders=message.reminders if tells else (),
            facts=message.facts,
            due_at=due_at,
        )
        tx.outbox.queue(letter, at=now)
        queued += 1
    return queued


def _letters_of(tx: Transaction, now: datetime) -> str:
    """What sets this household's letters apart from those of all others."""
    drawn: str | None = tx.notes.get(LETTERS_OF)
    if drawn is None:
        drawn = secrets.token_hex(16)
        tx.notes.put(LETTERS_OF, drawn, at=now)
    return drawn
