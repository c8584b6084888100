"""Names, numbers, texts and addresses as a person may give them; a mistake is told with what to write."""

from __future__ import annotations

import math
import re
from collections.abc import Callable, Iterable, Iterator
from datetime import datetime

from rules.dates_and_numbers import number
from rules.gate.verdicts import Hearing, Objection, Refused
from rules.same_names import as_read, tidy
from rules.vocabulary import Bike, Chain, Rider

LONGEST_NAME = 80  # characters: what still fits a line of a mail
LONGEST_NOTE = 1000
# A dot-atom on both sides (RFC 5322, 3.2.3 and 3.4.1): what needs quotes or brackets is none for us.
_ATOM = r'[^\s@()<>\[\]:;,\\".]+'
_ADDRESS = re.compile(rf"{_ATOM}(?:\.{_ATOM})*@{_ATOM}(?:\.{_ATOM})*")
# What zone files there are beside the IANA names: the machine's own, and such as count leap seconds.
_NO_ZONES = re.compile(r"localtime|posixrules|Factory|(?:posix|right)/.*")


def name(name: str, what: str, others: Iterable[Rider | Bike | Chain]) -> Iterator[Objection]:
    """A name is one printable line, not too long, and nobody else's."""
    name = tidy(name)
    if not name:
        yield Refused(f"A {what} needs a name.", "name")
    elif len(name) > LONGEST_NAME:
        yield Refused(
            f"That name has {len(name)} characters; {LONGEST_NAME} are the most a {what} may have.", "name"
        )
    elif not name.isprintable() or not as_read(name):
        yield Refused(f"The {what}'s name holds characters that cannot be shown; type it anew.", "name")
    for other in others:
        if name and as_read(other.name) == as_read(name):
            yield Refused(f"There is a {what} “{other.name}” already; give this one another name.", "name")


def line(text: str, what: str, such: str) -> Iterator[Objection]:
    if not text.strip():
        yield Refused(f"{what} is missing: write it {such}.")
    elif len(text) > LONGEST_NAME or not tidy(text).isprintable():
        yield Refused(f"{what} is one short line, {such}.")


def text(text: str, what: str) -> Iterator[Refused]:
    if not tidy(text).isprintable():
        yield Refused(f"{what} holds characters that cannot be shown; type it anew.")
    if len(text) > LONGEST_NOTE:
        yield Refused(f"{what} has {len(text)} characters; {LONGEST_NOTE} are the most that are kept.")


def is_address(email: str) -> bool:
    """Whether a mail can be addressed so."""
    return bool(_ADDRESS.fullmatch(email)) and len(email) <= 254 and email.isprintable()


def address(email: str | None) -> Iterator[Objection]:
    if email is not None and not is_address(email):
        yield Refused(f"“{tidy(email)[:60]}” is no mail address; write one such as iva@example.org.", "email")


def time_zone(name: str, hearing: Hearing) -> Iterator[Objection]:
    try:
        hearing.zone_of(name if not _NO_ZONES.fullmatch(name) else "")
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
