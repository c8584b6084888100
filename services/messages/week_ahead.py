"""The weekly message: what is due already, what comes within weeks, and what runs out."""

from __future__ import annotations

import json
from collections.abc import Sequence
from dataclasses import dataclass, replace
from datetime import datetime, timedelta
from zoneinfo import ZoneInfo

from rules.cautions import in_a_line
from rules.dates_and_numbers import day, listed
from rules.ledger import Ledger
from rules.outlook import WEEKS_AHEAD, Outlook
from rules.reminder import ReminderKind
from rules.units import SI, Units, said
from rules.vocabulary import Regime, Rider
from services.answer_links import Address
from services.messages.html import Block
from services.messages.message import WIDTH, AskedRide, Message, message_of
from services.messages.reminder_text import and_more, blocks_of, most_pressing_first
from services.messages.told_reminder import ToldReminder

_ACTIONS = {
    (ReminderKind.DRIP, Regime.WAXED): "Drip",
    (ReminderKind.DRIP, Regime.WET_LUBE): "Oil",
    (ReminderKind.IMMERSION, Regime.WAXED): "Re-immerse",
    (ReminderKind.IMMERSION, Regime.WET_LUBE): "Clean",
    (ReminderKind.INSPECTION, Regime.WAXED): "Measure",
    (ReminderKind.INSPECTION, Regime.WET_LUBE): "Measure",
}


@dataclass(frozen=True, slots=True)
class Coming:
    """One limit on its way. on: its day at the recent pace; None = not in sight."""

    headline: str
    sentence: str
    on: datetime | None


def week_ahead(
    coming: Sequence[Coming],
    rider: Rider,
    *,
    now: datetime,
    waiting: Sequence[ToldReminder] = (),
    address: Address | None = None,
    attribution: Sequence[str] = (),
    asked: AskedRide | None = None,
    advice: str = "",
    supplies: str = "",
    units: Units = SI,
) -> Message:
    """What will be wanted of this rider's hands, at the recent pace?

    waiting: what is due already. supplies: what runs out soon, in a line.
    """
    zone = ZoneInfo(rider.time_zone)
    in_sight = sorted(
        (c for c in coming if c.on is not None and now < c.on <= now + timedelta(weeks=WEEKS_AHEAD)),
        key=lambda c: c.on or now,
    )
    soon = [c for c in in_sight if c.on is not None and c.on <= now + timedelta(weeks=1)]
    ordered = most_pressing_first(waiting)
    # A week's message leads to its reasons by the page.
    blocks = [
        replace(one, links=one.links[:2], commands=one.commands[:1]) for one in blocks_of(ordered, address)
    ]
    blocks += [Block(supplies)] if supplies else []
    blocks += [Block(f"{c.headline}: about {day(c.on or now, zone)}") for c in in_sight]
    if waiting:
        subject = _due_already(ordered)
    elif soon:
        subject = f"The week ahead: {soon[0].headline[0].lower()}{soon[0].headline[1:]}" + and_more(
            len(soon) - 1
        )
    else:
        subject = "The week ahead: nothing for your hands"
    further = ["More rain or dust brings it forward."] if in_sight else []
    others = "Every other limit" if blocks else "Every limit"
    further.append(f"{others} is more than {WEEKS_AHEAD} weeks away or not in sight.")
    message = message_of(
        subject,
        blocks,
        address,
        attribution,
        heading="The week ahead",
        careful=in_a_line((t.reminder.kind, t.regime) for t in ordered),
        asked=asked,
        further=further,
        advice=advice,
        units=units,
    )
    outlook = [
        {"headline": c.headline, "sentence": c.sentence, "on": c.on.isoformat() if c.on else None}
        for c in coming
    ]
    return replace(
        message,
        facts=said(
            json.dumps({"rider": rider.name, "outlook": outlook, "reminders": []}, ensure_ascii=False), SI
        ),
        reminders=tuple(t.id for t in ordered),
    )


def coming(limit: Outlook, ledger: Ledger) -> Coming:
    """A limit as rules.outlook.outlook reckoned it, as a line of the weekly message."""
    chain = next(c for c in ledger.chains if c.id == limit.chain)
    bike = next((b for b in ledger.bikes if b.id == limit.bike), None)
    place = f" on {bike.name}" if bike else ""
    return Coming(
        f"{_ACTIONS[limit.kind, chain.regime]} the chain {chain.name}{place}", limit.sentence, limit.by
    )


def _due_already(waiting: Sequence[ToldReminder]) -> str:
    """The subject when something is due already: on which bikes, where there is room to name them."""
    places = list(dict.fromkeys(one.bike_name or one.chain_name for one in waiting))
    named = f"The week ahead: due already on {listed(places)}"
    return named if len(named) <= WIDTH else f"The week ahead: {_count(len(waiting), 'thing')} due already"


def _count(number_of: int, noun: str) -> str:
    return f"{number_of} {noun}" + ("s" if number_of != 1 else "")
