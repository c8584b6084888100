"""Reminders put into words for a rider: subject, text, page of mail; and what is announced to all."""

from __future__ import annotations

import hashlib
import json
import math
import re
from collections.abc import Iterable, Sequence
from dataclasses import replace

from rules.cautions import in_a_line
from rules.dates_and_numbers import listed, number
from rules.overlapping_reminders import spared
from rules.reminder import ASKED_AHEAD, Reminder, ReminderKind
from rules.units import SI, Units, said
from rules.vocabulary import Condition, Rider
from services.answer_links import Address
from services.messages.buttons import answers_of, commands_of
from services.messages.for_programs import facts_for_programs
from services.messages.html import Block, Link
from services.messages.message import WIDTH, AskedRide, Message, message_of
from services.messages.shortening import MOST_WORDS, words
from services.messages.told_reminder import ToldReminder

_SENTENCE_END = re.compile(r"(?<=[.]) (?=[A-Z])")
_KINDS = tuple(ReminderKind)


def compose(
    texts: Sequence[ToldReminder],
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
    ordered = most_pressing_first(texts)
    chains = len({t.reminder.chain for t in ordered})
    several = (
        f"{chains} chains want hands" if chains > 1 else "One chain, two jobs" if len(ordered) > 1 else ""
    )
    blocks = blocks_of(ordered, address, beside)
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
        facts=said(facts_for_programs(ordered, rider, address, attribution), SI),
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


def message_id(
    rider: Rider, channel: str, texts: Iterable[ToldReminder], *, household: str, occasion: str
) -> str:
    """The Message-ID of this telling: the same one however often it is worked out or sent.

    household: what is its own alone. Every ledger has a rider 1, and mail programs drop what they take for
    the same message twice (RFC 5322 §3.6.4: no two messages in the world share one).
    occasion: what makes a second telling of the same reminders another message (a day put off to, a week).
    Its domain is reserved for names that lead nowhere (RFC 2606 §2).
    """
    parts = sorted(f"{t.id}/{t.reminder.key}/{t.reminder.urgency}" for t in texts)
    whole = "\n".join([household, str(rider.id), channel, occasion, *parts])
    return f"<{hashlib.sha256(whole.encode()).hexdigest()[:32]}@gritledger.invalid>"


def most_pressing_first(texts: Sequence[ToldReminder]) -> list[ToldReminder]:
    return sorted(texts, key=lambda t: (-t.reminder.urgency, _KINDS.index(t.reminder.kind), t.regime, t.id))


def blocks_of(
    ordered: Sequence[ToldReminder], address: Address | None, beside: Sequence[Reminder] = ()
) -> list[Block]:
    """One block each: what to do, why, and its answers."""
    instead = spared([*(t.reminder for t in ordered), *beside])
    return [
        Block(
            t.reminder.headline,
            _said(t, instead.get(t.reminder.key, ""), roomy=address is not None),
            answers_of(t, address) if address else (),
            () if address else commands_of(t),
        )
        for t in ordered
    ]


def _subject(ordered: Sequence[ToldReminder]) -> str:
    first = ordered[0]
    opening = "Still waiting: " if first.worse else ""
    headlines = [t.reminder.headline for t in ordered]
    shared = headlines[0].split(" the chain ")[0]
    if len(ordered) > 1 and all(h.startswith(f"{shared} the chain ") for h in headlines):
        named = [h.removeprefix(f"{shared} the chain ") for h in headlines]
        together = f"{opening}{shared} the chains {listed(named)}"
        if len(together) <= WIDTH:
            return together
    return f"{opening}{headlines[0]}" + and_more(len(ordered) - 1)


def and_more(count: int) -> str:
    return f", and {count} more" if count else ""


def _said(telling: ToldReminder, instead: str, *, roomy: bool) -> tuple[str, ...]:
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
    # So that they add up as read.
    tenths[0] = round(10.0 * math.fsum(by_condition.values())) - sum(tenths[1:])
    shares = [f"{number(one / 10.0)} {kind}" for one, (kind, _) in zip(tenths, largest_first, strict=True)]
    return f"Of it {listed(shares)}."
