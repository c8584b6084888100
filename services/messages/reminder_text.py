"""Reminders put into words for a rider: subject, text, page of mail, and data for programs."""

from __future__ import annotations

import hashlib
import json
import math
import re
import shlex
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from datetime import datetime, timedelta
from zoneinfo import ZoneInfo

from rules.cautions import caution, in_a_line
from rules.dates_and_numbers import day, listed, number
from rules.kinds_of_work import work
from rules.ledger import Ledger
from rules.outlook import Outlook
from rules.overlapping_reminders import spared
from rules.reminder import ASKED_AHEAD, RaisedReminder, Reminder, ReminderKind, Step
from rules.units import SI, Units, said
from rules.vocabulary import Condition, Regime, ReminderId, Rider
from services.answer_links import Address
from services.channels import one_line
from services.channels.calendar import Entry
from services.messages.html import Block, Link
from services.messages.message import AskedRide, Message, message_of
from services.messages.shortening import MOST_WORDS, words

WHY_COMMAND = "gritledger why {id}"
MEASURE_COMMAND = "gritledger measure {chain} --over STEP --under STEP"
REPLACE_COMMAND = "gritledger take-off {chain}"
PAGE_PATH = "/why/{id}"
PUT_OFF = "Put off"

WEEKS_AHEAD = 4

_WIDTH = 76
_SENTENCE_END = re.compile(r"(?<=[.]) (?=[A-Z])")
_ACTIONS = {
    (ReminderKind.DRIP, Regime.WAXED): "Drip",
    (ReminderKind.DRIP, Regime.WET_LUBE): "Oil",
    (ReminderKind.IMMERSION, Regime.WAXED): "Re-immerse",
    (ReminderKind.IMMERSION, Regime.WET_LUBE): "Clean",
    (ReminderKind.INSPECTION, Regime.WAXED): "Measure",
    (ReminderKind.INSPECTION, Regime.WET_LUBE): "Measure",
}
_KINDS = tuple(ReminderKind)


@dataclass(frozen=True, slots=True)
class ReminderText:
    """A reminder as one rider is told of it. worse: it was told before and has grown since."""

    id: ReminderId
    reminder: Reminder
    chain_name: str
    regime: Regime
    bike_name: str | None = None
    worse: bool = False


@dataclass(frozen=True, slots=True)
class Coming:
    """One limit on its way. on: its day at the recent pace; None = not in sight."""

    headline: str
    sentence: str
    on: datetime | None


def compose(
    texts: Sequence[ReminderText],
    rider: Rider,
    *,
    address: Address | None = None,
    attribution: Sequence[str] = (),
    asked: AskedRide | None = None,
    units: Units = SI,
    beside: Sequence[Reminder] = (),
) -> Message:
    """What is said to this rider about these reminders, all in one message?

    texts: at least one, the most pressing first.  beside: what else is asked for, and was told before.
    address: where this rider reaches the page, if anywhere.
    attribution: what the weather archives want said beside their data.
    """
    ordered = _ordered(texts)
    chains = len({t.reminder.chain for t in ordered})
    several = (
        f"{chains} chains want hands" if chains > 1 else "One chain, two jobs" if len(ordered) > 1 else ""
    )
    blocks = _blocks(ordered, address, beside)
    if several:  # without a page, each chain's command for its reasons would take another's place
        blocks = [replace(one, commands=one.commands[:1]) for one in blocks]
    message = message_of(
        _subject(ordered),
        blocks,
        address,
        attribution,
        heading=several,
        careful=in_a_line((t.reminder.kind, t.regime) for t in ordered),
        asked=asked,
        units=units,
    )
    return replace(
        message,
        short=said("\n".join(t.reminder.sentence for t in ordered), units),
        facts=said(_facts(ordered, rider, address, attribution), SI),
        reminders=tuple(t.id for t in ordered),
    )


def week_ahead(
    coming: Sequence[Coming],
    rider: Rider,
    *,
    now: datetime,
    waiting: Sequence[ReminderText] = (),
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
    ordered = _ordered(waiting)
    # A week's message leads to its reasons by the page.
    blocks = [
        replace(one, links=one.links[:2], commands=one.commands[:1]) for one in _blocks(ordered, address)
    ]
    blocks += [Block(supplies)] if supplies else []
    blocks += [Block(f"{c.headline}: about {day(c.on or now, zone)}") for c in in_sight]
    if waiting:
        subject = _due_already(ordered)
    elif soon:
        subject = f"The week ahead: {soon[0].headline[0].lower()}{soon[0].headline[1:]}" + _and_more(
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


def announcement(
    subject: str,
    told: str,
    rider: Rider,
    *,
    address: Address | None = None,
    careful: str = "",
    units: Units = SI,
) -> Message:
    """Something that every rider should hear once; what finds no room is told by the reminders themselves."""
    block = Block("", (told,))
    if words(told) > MOST_WORDS // 2:  # it will be cut: the rest stands with the reminders
        block = (
            replace(block, links=(Link("See all", address.page("/why")),))
            if address
            else replace(block, commands=(("See all", "gritledger due"),))
        )
    message = message_of(subject, [block], address, (), careful=careful, units=units)
    facts = {"rider": rider.name, "said": said(told, SI), "reminders": []}
    return replace(message, short=said(told, units), facts=json.dumps(facts, ensure_ascii=False))


def coming(limit: Outlook, ledger: Ledger) -> Coming:
    """A limit as rules.outlook.outlook reckoned it, as a line of the weekly message."""
    chain = next(c for c in ledger.chains if c.id == limit.chain)
    bike = next((b for b in ledger.bikes if b.id == limit.bike), None)
    place = f" on {bike.name}" if bike else ""
    return Coming(
        f"{_ACTIONS[limit.kind, chain.regime]} the chain {chain.name}{place}", limit.sentence, limit.by
    )


def message_id(
    rider: Rider,
    channel: str,
    texts: Iterable[ReminderText],
    *,
    household: str,
    occasion: str,
    domain: str = "gritledger.invalid",
) -> str:
    """The Message-ID of this telling: the same one however often it is worked out or sent.

    household: what is its own alone. Every ledger has a rider 1, and mail programs drop what they take for
    the same message twice (RFC 5322 §3.6.4: no two messages in the world share one).
    occasion: what makes a second telling of the same reminders another message (a day put off to, a week).
    The default domain is reserved for names that lead nowhere (RFC 2606 §2).
    """
    parts = sorted(f"{t.id}/{t.reminder.key}/{t.reminder.urgency}" for t in texts)
    whole = "\n".join([household, str(rider.id), channel, occasion, *parts])
    return f"<{hashlib.sha256(whole.encode()).hexdigest()[:32]}@{domain}>"


def calendar_entry(
    raised: RaisedReminder,
    rider: Rider,
    *,
    regime: Regime,
    page_url: str | None = None,
    units: Units = SI,
) -> Entry:
    """An open reminder as a line of the rider's calendar, on the day it asks for hands."""
    reminder, last = raised.reminder, raised.steps[-1]
    standing = next(s for s in reversed(raised.steps) if s.step is not Step.TOLD)
    on = standing.until if standing.step is Step.PUT_OFF and standing.until else raised.steps[0].at
    paragraphs = (reminder.sentence, f"Careful: {caution(reminder.kind, regime)}")
    return Entry(
        key=f"{reminder.key}#{raised.id}",
        day=on.astimezone(ZoneInfo(rider.time_zone)).date(),
        headline=reminder.headline,
        text=said("\n\n".join((*paragraphs, "Why: " + WHY_COMMAND.format(id=raised.id))), units),
        changed_at=last.at,
        revision=len(raised.steps) - 1,
        link=_link(page_url, raised.id),
    )


def _ordered(texts: Sequence[ReminderText]) -> list[ReminderText]:
    return sorted(texts, key=lambda t: (-t.reminder.urgency, _KINDS.index(t.reminder.kind), t.regime, t.id))


def _blocks(
    ordered: Sequence[ReminderText], address: Address | None, beside: Sequence[Reminder] = ()
) -> list[Block]:
    """One block each: what to do, why, and its answers."""
    instead = spared([*(t.reminder for t in ordered), *beside])
    return [
        Block(
            t.reminder.headline,
            _said(t, instead.get(t.reminder.key, ""), roomy=address is not None),
            _answers(t, address) if address else (),
            () if address else _commands(t),
        )
        for t in ordered
    ]


def _subject(ordered: Sequence[ReminderText]) -> str:
    first = ordered[0]
    opening = "Still waiting: " if first.worse else ""
    headlines = [t.reminder.headline for t in ordered]
    shared = headlines[0].split(" the chain ")[0]
    if len(ordered) > 1 and all(h.startswith(f"{shared} the chain ") for h in headlines):
        named = [h.removeprefix(f"{shared} the chain ") for h in headlines]
        together = f"{opening}{shared} the chains {listed(named)}"
        if len(together) <= _WIDTH:
            return together
    return f"{opening}{headlines[0]}" + _and_more(len(ordered) - 1)


def _due_already(waiting: Sequence[ReminderText]) -> str:
    """The subject when something is due already: on which bikes, where there is room to name them."""
    places = list(dict.fromkeys(one.bike_name or one.chain_name for one in waiting))
    named = f"The week ahead: due already on {listed(places)}"
    return named if len(named) <= _WIDTH else f"The week ahead: {_count(len(waiting), 'thing')} due already"


def _and_more(count: int) -> str:
    return f", and {count} more" if count else ""


def _count(number_of: int, noun: str) -> str:
    return f"{number_of} {noun}" + ("s" if number_of != 1 else "")


def _said(telling: ReminderText, instead: str, *, roomy: bool) -> tuple[str, ...]:
    """What is asked for the evenings to come, the fact that made it due, then what else there is room for.

    That a wet chain is not spoken of on those evenings rests on their being asked for here.
    roomy: no commands stand below, which leave no room for it; then the chain is spoken of again instead.
    """
    reminder = telling.reminder
    fact, *advice = _SENTENCE_END.split(reminder.sentence)
    asks = [instead] if instead else [one for one in advice if roomy and ASKED_AHEAD in one]
    advice = [one for one in advice if one not in asks]
    if not roomy:  # but salt goes before the rest of the facts
        salt = [one for one in advice if "road salt" in one]
        fact, advice = " ".join([fact, *(one for one in advice if one not in salt)]), salt
    unknown = f"No weather is known for {number(reminder.unknown_h)} drive hours of it."
    said = (
        *asks,
        fact,
        unknown if reminder.unknown_h > 0 else "",
        _shares(reminder),
        *([] if instead else advice),
    )
    return tuple(filter(None, said))


def _shares(reminder: Reminder) -> str:
    """'Of it 24.1 dusty, 12.3 dry and 4.6 wet', when the total is grit-hours of more than one kind."""
    if reminder.unit != "grit-hours":
        return ""
    by_condition: dict[Condition, float] = {}
    for reason in reminder.reasons:
        if reason.condition is not None and reason.grit_h:
            by_condition[reason.condition] = by_condition.get(reason.condition, 0.0) + reason.grit_h
    if len(by_condition) < 2:
        return ""
    largest_first = sorted(by_condition.items(), key=lambda item: -item[1])
    tenths = [round(10.0 * grit_h) for _, grit_h in largest_first]
    tenths[0] = round(10.0 * math.fsum(by_condition.values())) - sum(
        tenths[1:]
    )  # so that they add up as read
    shares = [f"{number(one / 10.0)} {kind}" for one, (kind, _) in zip(tenths, largest_first, strict=True)]
    return f"Of it {listed(shares)}."


def _answers(telling: ReminderText, address: Address) -> tuple[Link, ...]:
    """Each press is named by what it writes down; what needs a figure or a choice leads to its form."""
    reminder = telling.reminder
    hands = work(reminder.kind, telling.regime)
    if hands is not None:
        first = Link(hands.past, address.done(telling.id), writes=True, main=True)
    elif reminder.kind is ReminderKind.REPLACEMENT:
        form = address.page(f"/settings/chains?chain={reminder.chain}#fit")
        first = Link("Enter the new chain", form, writes=True)
    else:
        first = Link("Enter a reading", address.page(f"/care/reading?chain={reminder.chain}"), writes=True)
    later = Link(PUT_OFF, address.put_off(telling.id), writes=True)
    return first, later, Link("Why?", address.page(PAGE_PATH.format(id=telling.id)))


def done_words(texts: Iterable[ReminderText]) -> str:
    """What one press for all of these writes down; "" where one of them needs a figure or a choice."""
    pasts = {hands.past if (hands := work(t.reminder.kind, t.regime)) else "" for t in texts}
    return "" if "" in pasts else pasts.pop() if len(pasts) == 1 else "All done"


def _commands(telling: ReminderText) -> tuple[tuple[str, str], ...]:
    hands = work(telling.reminder.kind, telling.regime)
    if hands is not None:
        done = f"gritledger log {hands.answer} {{chain}}"
    else:
        worn = telling.reminder.kind is ReminderKind.REPLACEMENT
        done = REPLACE_COMMAND if worn else MEASURE_COMMAND
    return (
        (hands.past if hands else "Done", done.format(chain=shlex.quote(one_line(telling.chain_name)))),
        ("Why?", WHY_COMMAND.format(id=telling.id)),
    )


def _link(page_url: str | None, reminder_id: ReminderId) -> str | None:
    return page_url.rstrip("/") + PAGE_PATH.format(id=reminder_id) if page_url else None


def _facts(
    ordered: Sequence[ReminderText], rider: Rider, address: Address | None, attribution: Sequence[str]
) -> str:
    return json.dumps(
        {
            "rider": rider.name,
            "reminders": [
                {
                    "id": t.id,
                    "kind": t.reminder.kind,
                    "headline": t.reminder.headline,
                    "sentence": t.reminder.sentence,
                    "chain": t.chain_name,
                    "bike": t.bike_name,
                    "total": round(t.reminder.total, 3),
                    "limit": t.reminder.limit,
                    "unit": t.reminder.unit,
                    "hours_without_weather": round(t.reminder.unknown_h, 3),
                    "urgency": t.reminder.urgency,
                    "worse": t.worse,
                    "cause_at": t.reminder.cause_at.isoformat(),
                    "caution": caution(t.reminder.kind, t.regime),
                    "rulebook": t.reminder.rulebook_version,
                    "link": _link(address.url if address else None, t.id),
                    "done_link": address.done(t.id) if address and work(t.reminder.kind, t.regime) else None,
                    "put_off_link": address.put_off(t.id) if address else None,
                }
                for t in ordered
            ],
            "done": done_words(ordered),
            "put_off": PUT_OFF,
            "weather": list(attribution),
        },
        ensure_ascii=False,
    )
