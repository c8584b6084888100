"""Reminders put into words for a rider: subject, text, page of mail, and data for programs."""

from __future__ import annotations

import hashlib
import json
import shlex
import textwrap
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from itertools import groupby
from zoneinfo import ZoneInfo

from rules.cautions import caution
from rules.ledger import Ledger
from rules.one_a_chain import spared
from rules.outlook import Outlook
from rules.reminder import RaisedReminder, Reminder, ReminderKind, Step
from rules.vocabulary import Condition, Regime, ReminderId, Rider
from rules.wording import clock, day, listed, number
from services.channels import one_line
from services.channels.calendar import Entry
from services.messages.html import Block, Link, mail_page

WHY_COMMAND = "gritledger why {id}"
DONE_COMMANDS = {
    (ReminderKind.WIPE_AND_DRIP, Regime.WAXED): "gritledger drip {chain}",
    (ReminderKind.WIPE_AND_DRIP, Regime.WET_LUBE): "gritledger oil {chain}",
    (ReminderKind.DRIP, Regime.WAXED): "gritledger drip {chain}",
    (ReminderKind.DRIP, Regime.WET_LUBE): "gritledger oil {chain}",
    (ReminderKind.IMMERSION, Regime.WAXED): "gritledger immerse {chain}",
    (ReminderKind.IMMERSION, Regime.WET_LUBE): "gritledger clean {chain}",
    (ReminderKind.INSPECTION, Regime.WAXED): "gritledger reading {chain} --over STEP --under STEP",
    (ReminderKind.INSPECTION, Regime.WET_LUBE): "gritledger reading {chain} --over STEP --under STEP",
    (ReminderKind.REPLACEMENT, Regime.WAXED): "gritledger take-off {chain}",
    (ReminderKind.REPLACEMENT, Regime.WET_LUBE): "gritledger take-off {chain}",
}
PAGE_PATH = "/why/{id}"

WEEKS_AHEAD = 4

_WIDTH = 76
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


@dataclass(frozen=True, slots=True)
class Message:
    """One message in every dress a channel may want. `short` is for a bubble: the facts without the rest."""

    subject: str
    text: str
    short: str
    html: str
    facts: str
    reminders: tuple[ReminderId, ...]


def compose(
    texts: Sequence[ReminderText],
    rider: Rider,
    *,
    now: datetime,
    page_url: str | None = None,
    attribution: Sequence[str] = (),
    asking: int = 0,
) -> Message:
    """What is said to this rider about these reminders, all in one message?

    texts: at least one, the most pressing first. page_url: where this rider reaches the page, if anywhere.
    asking: how many rides of this rider have no bike yet.
    attribution: what the weather archives want said beside their data.
    """
    ordered = _ordered(texts)
    blocks = _blocks(ordered, page_url)
    subject = _subject(ordered)
    foot = [*_asked(asking, page_url), *_judged(ordered, rider, now), *attribution]
    return Message(
        subject=subject,
        text=_as_text(blocks, foot),
        short="\n".join(t.reminder.sentence for t in ordered),
        html=mail_page(subject, _greeting(len(blocks)), blocks, foot),
        facts=_facts(ordered, rider, page_url, attribution),
        reminders=tuple(t.id for t in ordered),
    )


def week_ahead(
    coming: Sequence[Coming],
    rider: Rider,
    *,
    now: datetime,
    waiting: Sequence[ReminderText] = (),
    page_url: str | None = None,
    attribution: Sequence[str] = (),
    asking: int = 0,
    advice: str = "",
) -> Message:
    """What will be wanted of this rider's hands, at the recent pace? waiting: what is due already."""
    zone = ZoneInfo(rider.time_zone)
    in_sight = sorted(
        (c for c in coming if c.on is not None and now < c.on <= now + timedelta(weeks=WEEKS_AHEAD)),
        key=lambda c: c.on or now,
    )
    soon = [c for c in in_sight if c.on is not None and c.on <= now + timedelta(weeks=1)]
    blocks = _blocks(_ordered(waiting), page_url, opening="Due now. ")
    blocks += [Block(c.headline, (c.sentence,), "", (), ()) for c in in_sight]
    if waiting:
        subject = f"The week ahead: {_count(len(waiting), 'thing')} due already"
    elif soon:
        subject = f"The week ahead: {soon[0].headline[0].lower()}{soon[0].headline[1:]}" + _and_more(
            len(soon) - 1
        )
    else:
        subject = "The week ahead: nothing for your hands"
    said = (
        "At the pace of your recent riding; more rain or dust brings it forward. "
        f"Every other limit is more than {WEEKS_AHEAD} weeks away or not in sight."
    )
    if advice:
        said += f" {advice}"
    foot = [*_asked(asking, page_url), f"Reckoned on {day(now, zone)} at {clock(now, zone)}.", *attribution]
    links = (Link("Open the page", page_url),) if page_url else ()
    return Message(
        subject=subject,
        text=_as_text([Block(subject, (said,), "", (), ()), *blocks], foot),
        short="\n".join(block.headline for block in blocks) or said,
        html=mail_page(subject, "The week ahead", blocks, foot, opening=said, links=links),
        facts=json.dumps(
            {
                "rider": rider.name,
                "outlook": [
                    {"headline": c.headline, "sentence": c.sentence, "on": c.on.isoformat() if c.on else None}
                    for c in coming
                ],
                "reminders": [],
            },
            ensure_ascii=False,
        ),
        reminders=tuple(t.id for t in waiting),
    )


def announcement(subject: str, said: str, rider: Rider, *, now: datetime) -> Message:
    """Something that every rider should hear once, and that asks for no hands."""
    foot = [f"Told on {day(now, ZoneInfo(rider.time_zone))}."]
    return Message(
        subject=subject,
        text=_as_text([Block(subject, (said,), "", (), ())], foot),
        short=said,
        html=mail_page(subject, subject, [], foot, opening=said),
        facts=json.dumps({"rider": rider.name, "said": said, "reminders": []}, ensure_ascii=False),
        reminders=(),
    )


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
    occasion: str,
    domain: str = "gritledger.invalid",
) -> str:
    """The Message-ID of this telling: the same one however often it is worked out or sent.

    occasion: what makes a second telling of the same reminders another message (a day put off to, a week).
    The default domain is reserved for names that lead nowhere (RFC 2606 §2).
    """
    parts = sorted(f"{t.id}/{t.reminder.key}/{t.reminder.urgency}" for t in texts)
    whole = "\n".join([str(rider.id), channel, occasion, *parts])
    return f"<{hashlib.sha256(whole.encode()).hexdigest()[:32]}@{domain}>"


def calendar_entry(
    raised: RaisedReminder, rider: Rider, *, regime: Regime, page_url: str | None = None
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
        text="\n\n".join((*paragraphs, "Why: " + WHY_COMMAND.format(id=raised.id))),
        changed_at=last.at,
        revision=len(raised.steps) - 1,
        link=_link(page_url, raised.id),
    )


def _ordered(texts: Sequence[ReminderText]) -> list[ReminderText]:
    return sorted(texts, key=lambda t: (-t.reminder.urgency, _KINDS.index(t.reminder.kind), t.regime, t.id))


def _blocks(ordered: Sequence[ReminderText], page_url: str | None, *, opening: str = "") -> list[Block]:
    """One block each; the same caution is written out where it is first needed."""
    instead = spared([t.reminder for t in ordered])
    blocks = []
    for careful, alike in groupby(ordered, key=lambda t: caution(t.reminder.kind, t.regime)):
        for position, telling in enumerate(alike):
            caution_here = careful if position == 0 else "The same as above."
            said = _said(telling, opening, instead.get(telling.reminder.key, ""))
            link = _link(page_url, telling.id)
            links = (Link("Done, put off, or why", link),) if link else ()
            blocks.append(Block(telling.reminder.headline, said, caution_here, _commands(telling), links))
    return blocks


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


def _and_more(count: int) -> str:
    return f", and {count} more" if count else ""


def _count(number_of: int, noun: str) -> str:
    return f"{number_of} {noun}" + ("s" if number_of != 1 else "")


def _greeting(count: int) -> str:
    return "For your hands" if count == 1 else f"{count} things for your hands"


def _said(telling: ReminderText, opening: str, instead: str) -> tuple[str, ...]:
    reminder = telling.reminder
    said = [opening + reminder.sentence]
    if shares := _shares(reminder):
        said.append(shares)
    if reminder.unknown_h > 0:
        hours = f"{number(reminder.unknown_h)} drive hours"
        said.append(f"No weather is known for {hours} of it; they count as plain hours.")
    if instead:
        said.append(instead)
    if telling.worse:
        said.append("You were told before; it has grown since.")
    return tuple(said)


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
    return f"Of it {listed([f'{number(grit_h)} {condition}' for condition, grit_h in largest_first])}."


def _commands(telling: ReminderText) -> tuple[tuple[str, str], ...]:
    done = DONE_COMMANDS[telling.reminder.kind, telling.regime]
    return (
        ("When it is done", done.format(chain=shlex.quote(one_line(telling.chain_name)))),
        ("Why", WHY_COMMAND.format(id=telling.id)),
    )


def _link(page_url: str | None, reminder_id: ReminderId) -> str | None:
    return page_url.rstrip("/") + PAGE_PATH.format(id=reminder_id) if page_url else None


def _judged(ordered: Sequence[ReminderText], rider: Rider, now: datetime) -> list[str]:
    zone = ZoneInfo(rider.time_zone)
    versions = sorted({t.reminder.rulebook_version for t in ordered})
    return [
        f"Judged on {day(now, zone)} at {clock(now, zone)} by rulebook {listed(versions)}. "
        "A wrong bike or condition? Correct it, and this is judged anew."
    ]


def _asked(asking: int, page_url: str | None) -> list[str]:
    """That rides wait for their bike: until it is said they count on no chain."""
    if not asking:
        return []
    rides = "1 ride asks" if asking == 1 else f"{asking} rides ask"
    where = f"{page_url.rstrip('/')}/rides/answer" if page_url else "gritledger rides --unsure"
    counts = "counts" if asking == 1 else "count"
    return [f"{rides} which bike it was, and {counts} on no chain until you say: {where}"]


def _as_text(blocks: Sequence[Block], foot: Sequence[str]) -> str:
    fill: Callable[[str], str] = lambda words: textwrap.fill(words, _WIDTH, break_on_hyphens=False)  # noqa: E731
    parts = []
    for block in blocks:
        lines = [fill(block.headline), "", *(fill(words) for words in block.said)]
        if block.careful:
            lines += ["", fill(f"Careful: {block.careful}")]
        if block.commands or block.links:
            lines.append("")
        lines += [f"  {label}:  {command}" for label, command in block.commands]
        lines += [f"  {link.label}:  {link.url}" for link in block.links]
        parts.append("\n".join(lines))
    parts.append("\n".join(["-- ", *(fill(words) for words in foot)]))
    return "\n\n\n".join(parts) + "\n"


def _facts(
    ordered: Sequence[ReminderText], rider: Rider, page_url: str | None, attribution: Sequence[str]
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
                    "link": _link(page_url, t.id),
                }
                for t in ordered
            ],
            "weather": list(attribution),
        },
        ensure_ascii=False,
    )
