"""A message of sixty words in every dress a channel may want: what is asked, why, what to press."""

from __future__ import annotations

import textwrap
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace

from rules.units import SI, Units, said
from rules.vocabulary import BikeId, ReminderId, RideId
from services.answer_links import Address
from services.messages.html import Block, Link, mail_page
from services.messages.shortening import MOST_WORDS, fitted, needed, words, words_of

CAREFUL_PATH = "/careful"
MOST_BIKES_NAMED = 4  # of a question; with more, one link leads to all of them
WIDTH = 76


@dataclass(frozen=True, slots=True)
class Message:
    """One message in every dress a channel may want. `short` is for a bubble: the facts without the rest."""

    subject: str
    text: str
    short: str
    html: str
    facts: str
    reminders: tuple[ReminderId, ...]


@dataclass(frozen=True, slots=True)
class AskedRide:
    """A ride whose bike is a question. bikes: that it may have been on.  more: how many others ask."""

    ride: RideId
    name: str
    bikes: tuple[tuple[BikeId, str], ...]
    more: int = 0


def message_of(
    subject: str,
    blocks: Sequence[Block],
    address: Address | None,
    attribution: Sequence[str],
    *,
    heading: str = "",
    careful: str,
    asked: AskedRide | None = None,
    further: Sequence[str] = (),
    advice: str = "",
    units: Units = SI,
) -> Message:
    """A message of at most so many words: what is asked first, reasons where there is room.

    heading: over all of it; "" = the subject.  careful: what can hurt, in a line.  further: what may be said
    below the blocks.  advice: on another way of caring.  attribution: what the weather archives want said;
    its first sentence stands here.  units: what amounts are said in.
    """
    heading = heading or subject
    thought = _thought(advice, address)
    whole = Link("All of it", address.page(CAREFUL_PATH)) if careful and address else None
    phone = "" if address is None or address.everywhere else "To answer by phone, set page.public_url."
    room = MOST_WORDS - words(f"Careful: {careful}" if careful else "", whole.label if whole else "", phone)
    room -= words_of(thought) if thought else 0
    room -= words(heading)
    if blocks and blocks[0].headline and heading.endswith(blocks[0].headline):
        room += words(blocks[0].headline)
    rest: Link | tuple[str, str] = (
        Link("See them", address.page("/")) if address else ("See", "gritledger due")
    )
    question = _question(asked, address) if asked else None
    if asked and question and room - words_of(question) < needed(blocks, rest):
        question = _question(asked, address, short=True)
    if phone and room - (words_of(question) if question else 0) < needed(blocks, rest):
        room, phone = room + words(phone), ""
    room -= words_of(question) if question else 0
    shown = fitted(blocks, room, rest=rest, further=further)
    shown += [block for block in (question, thought) if block]
    foot = [phone] if phone else []
    foot += [one.partition(". ")[0].rstrip(".") + "." for one in attribution]
    shown = [_said(block, units) for block in shown]
    opening = [] if shown and shown[0].headline else [Block(heading)]
    return Message(
        subject=subject,
        text=_as_text([*opening, *shown], careful, whole, foot),
        short="\n".join(block.headline or " ".join(block.said) for block in shown),
        html=mail_page(heading, shown, foot, careful=careful, whole=whole),
        facts="{}",
        reminders=(),
    )


def _said(block: Block, units: Units) -> Block:
    """A block as this household reads it."""
    return replace(
        block, headline=said(block.headline, units), said=tuple(said(one, units) for one in block.said)
    )


def _question(asked: AskedRide, address: Address | None, *, short: bool = False) -> Block:
    """Which bike was it? No answer stands before another but by its place in the household's list.

    short: the ride and its bikes stand behind the link, for there is no room here.
    """
    if address is None:
        answer = ("Answer", "gritledger rides --unsure" if short else f"gritledger assign {asked.ride} BIKE")
        more = [(f"{asked.more} more", "gritledger rides --unsure")] if asked.more and not short else []
        return Block(_headline(asked, short), commands=(answer, *more))
    if short or len(asked.bikes) > MOST_BIKES_NAMED:
        links = [Link("Say which", address.which(asked.ride), writes=True)]
    else:
        links = [Link(name, address.it_was(asked.ride, bike), writes=True) for bike, name in asked.bikes]
        links.append(Link("None of ours", address.it_was(asked.ride, None), writes=True))
    if asked.more and not short:
        links.append(Link(f"{asked.more} more", address.page("/rides/answer")))
    return Block(_headline(asked, short), links=tuple(links))


def _headline(asked: AskedRide, short: bool) -> str:
    return "One ride: which bike?" if short else f"Which bike was it: {asked.name}?"


def _thought(advice: str, address: Address | None) -> Block | None:
    """That another way of caring may be better: what and why stand where the year is compared."""
    if not advice:
        return None
    headline = "Another way looks better"
    if address is None:
        return Block(headline, commands=(("Which", "gritledger what-if --year"),))
    return Block(headline, links=(Link("Which", address.page("/year")),))


def _as_text(blocks: Sequence[Block], careful: str, whole: Link | None, foot: Sequence[str]) -> str:
    fill: Callable[[str], str] = lambda words: textwrap.fill(words, WIDTH, break_on_hyphens=False)  # noqa: E731
    parts = []
    for block in blocks:
        lines = [*block.commands, *((link.label, link.url) for link in block.links)]
        presses = [f"  {label}{'' if label.endswith('?') else ':'}  {there}" for label, there in lines]
        groups = ([block.headline] if block.headline else [], block.said)
        paragraphs = ["\n".join(fill(words) for words in group) for group in groups if group]
        parts.append("\n\n".join([*paragraphs, *(["\n".join(presses)] if presses else [])]))
    if careful:
        parts.append(fill(f"Careful: {careful}") + (f"\n  {whole.label}:  {whole.url}" if whole else ""))
    parts.append("\n".join(["-- ", *(fill(words) for words in foot)]))
    return "\n\n".join(parts) + "\n"
