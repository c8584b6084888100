"""How days, times and numbers are written in a sentence for a rider."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from datetime import UTC, datetime, tzinfo

ZoneOf = Callable[
    [str], tzinfo
]  # an IANA name to its rules, e.g. zoneinfo.ZoneInfo; passed in: rules read no disk

_MONTHS = (
    *("January", "February", "March", "April", "May", "June"),
    *("July", "August", "September", "October", "November", "December"),
)

_COUNTS = (
    *("No", "One", "Two", "Three", "Four", "Five", "Six"),
    *("Seven", "Eight", "Nine", "Ten", "Eleven", "Twelve"),
)


def utc(_name: str) -> tzinfo:
    """The zone of a caller who has none to offer."""
    return UTC


def day(at: datetime, zone: tzinfo) -> str:
    """The local date: '4 June 2025'."""
    local = at.astimezone(zone)
    return f"{local.day} {_MONTHS[local.month - 1]} {local.year}"


def clock(at: datetime, zone: tzinfo) -> str:
    """The local time of day: '18:52'."""
    return at.astimezone(zone).strftime("%H:%M")


def local_stamp(at: datetime, zone: tzinfo) -> str:
    """An instant as that wall clock shows it, in figures: '2025-06-04 18:52'."""
    return f"{at.astimezone(zone):%Y-%m-%d %H:%M}"


def hours(seconds: float) -> str:
    """'1 h 35 min', '12 min'."""
    minutes = round(seconds / 60)
    return f"{minutes // 60} h {minutes % 60:02d} min" if minutes >= 60 else f"{minutes} min"


def number(value: float, digits: int = 1) -> str:
    """A number without a tail of zeros: '9', '9.6'."""
    text = f"{round(value, digits) + 0.0:.{digits}f}"  # + 0.0 turns minus nought into nought
    return text.rstrip("0").rstrip(".") if "." in text else text


def in_words(count: int) -> str:
    """'Three', to begin a sentence with."""
    return _COUNTS[count] if count < len(_COUNTS) else str(count)


def listed(words: Sequence[str]) -> str:
    """'a', 'a and b', 'a, b and c'."""
    if len(words) < 2:
        return "".join(words)
    return f"{', '.join(words[:-1])} and {words[-1]}"
