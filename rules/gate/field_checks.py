"""Names, numbers, texts and addresses as a person may give them; a mistake is told with what to write."""

from __future__ import annotations

import math
import re
from collections.abc import Callable, Iterable, Iterator
from datetime import datetime

from rules.dates_and_numbers import number
from rules.gate.verdicts import Hearing, Objection, Refused
from rules.vocabulary import Bike, Chain, Rider

LONGEST_NAME = 80  # characters: what still fits a line of a mail
LONGEST_NOTE = 1000
_ADDRESS = re.compile(r"[^@\s]+@[^@\s]+")


def tidy(name: str) -> str:
    """A name as it is kept: one space between words, none around them."""
    return " ".join(name.split())


def name(name: str, what: str, others: Iterable[Rider | Bike | Chain]) -> Iterator[Objection]:
    """A name is one printable line, not too long, and nobody else's."""
    name = tidy(name)
    if not name:
        yield Refused(f"A {what} needs a name.", "name")
    elif len(name) > LONGEST_NAME:
        yield Refused(
            f"That name has {len(name)} characters; {LONGEST_NAME} are the most a {what} may have.", "name"
        )
    elif not name.isprintable():
        yield Refused(f"The {what}'s name holds characters that cannot be shown; type it anew.", "name")
    for other in others:
        if other.name.casefold() == name.casefold():
            yield Refused(f"There is a {what} “{other.name}” already; give this one another name.", "name")


def line(text: str, what: str, such: str) -> Iterator[Objection]:
    if not text.strip():
        yield Refused(f"{what} is missing: write it {such}.")
    elif len(text) > LONGEST_NAME or not text.isprintable():
        yield Refused(f"{what} is one short line, {such}.")


def text(text: str, what: str) -> Iterator[Refused]:
    if len(text) > LONGEST_NOTE:
        yield Refused(f"{what} has {len(text)} characters; {LONGEST_NOTE} are the most that are kept.")


def address(email: str | None) -> Iterator[Objection]:
    if email is not None and (not _ADDRESS.fullmatch(email) or len(email) > 254 or not email.isprintable()):
        yield Refused(f"“{email[:60]}” is no mail address; write one such as iva@example.org.", "email")


def time_zone(name: str, hearing: Hearing) -> Iterator[Objection]:
    try:
        hearing.zone_of(name)
    except (KeyError, ValueError, OSError):
        yield Refused(
            f"There is no time zone “{name[:60]}”; give an IANA name, as Europe/Vienna or America/La_Paz.",
            "time_zone",
        )


def teeth_in(typed: str) -> tuple[int, ...] | None:
    """A list of teeth in any usual spelling, the fewest first; () = nothing typed, None = no list."""
    parts = [part for part in re.split("[-,/ ]", typed) if part]
    if typed and not parts:
        return None
    if not all(part.isascii() and part.isdigit() and len(part) < 4 for part in parts):
        return None
    return tuple(sorted(map(int, parts)))


def within(
    value: object,
    low: float,
    high: float,
    what: str,
    such: str = "a plain number",
    said: Callable[[float], str] = lambda bound: number(bound, 2),
) -> Iterator[Objection]:
    """A number that can be; None is not known, and fine."""
    if value is None:
        return
    assert isinstance(value, int | float)
    if not math.isfinite(value) or not low <= value <= high:
        yield Refused(f"{what} must be from {said(low)} to {said(high)}; write {such}.")


def unpaved_share(value: object) -> Iterator[Objection]:
    """A share of a ride, which people say in percent; None is not known, and fine."""
    if any(within(value, 0.0, 1.0, "The unpaved share")):
        yield Refused("The unpaved share must be from 0 % to 100 %.")


def span(from_at: datetime | None, until_at: datetime | None) -> Iterator[Objection]:
    if from_at is not None and until_at is not None and until_at < from_at:
        yield Refused("It went before it came: the end lies before the start.", "until_at")
