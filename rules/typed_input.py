"""Numbers and times as a person types them, read alike on the command line and in every form."""

from __future__ import annotations

import re
from dataclasses import dataclass
from datetime import UTC, date, datetime, time, timedelta, tzinfo

YEARS = range(1000, 9000)  # whatever is reckoned from a time stays in the calendar
CAME_TWICE = "came twice"  # so a sentence says that asks for an offset
SHOWN = 40  # characters of what was typed that a sentence repeats
_NUMBER = re.compile(r"[+-]?(?:\d+[.,]?\d*|[.,]\d+)(?:e[+-]?\d+)?|[+-]?(?:inf|infinity|nan)", re.ASCII)
_WHOLE = re.compile(r"[+-]?\d+(?:\.0*)?", re.ASCII)
_IN_THOUSANDS = re.compile(r"[+-]?[1-9]\d{0,2}(?:,\d{3})+", re.ASCII)
_WITH_OFFSET = re.compile(r"\d{4}-\d{2}-\d{2}[ t]\d{2}:\d{2}(:\d{2})?\s?(z|[+-]\d{2}:\d{2})", re.ASCII)
_TIME = re.compile(
    r"(?:(?P<day>\d{4}-\d{2}-\d{2}|today|yesterday|(?P<ago>\d+) days? ago))?"
    r"[ t]*(?P<time>\d{1,2}:\d{2}(?::\d{2})?)?",
    re.ASCII,
)


class Mistyped(ValueError):  # noqa: N818 - it says what happened
    """What was typed cannot be read; the message says why, and what to write."""


@dataclass(frozen=True, slots=True)
class TypedTime:
    """What a person typed: an instant, or only a day (then `at` is its noon)."""

    at: datetime
    day: date | None = None


def number_in(typed: str, *, percent: bool = False) -> float:
    """A number; a comma stands for the point. percent: a sign of it may follow. Raises Mistyped."""
    text = typed.strip().lower()
    text = text.removesuffix("%").rstrip() if percent else text
    if _IN_THOUSANDS.fullmatch(text):
        plain, point = text.replace(",", ""), text.replace(",", ".", 1)
        raise Mistyped(
            f"“{typed[:SHOWN]}” can be read in two ways; write {plain}"
            + f" or {point}" * (text.count(",") == 1)
        )
    if not _NUMBER.fullmatch(text):
        raise Mistyped(f"“{typed[:SHOWN]}” is no number; write it as 6 or 6.5")
    return float(text.replace(",", ".")) + 0.0  # + 0.0 turns minus nought into nought


def whole_in(typed: str) -> int:
    """A whole number. Raises Mistyped."""
    text = typed.strip()
    if not _WHOLE.fullmatch(text) or len(text) > SHOWN:
        raise Mistyped(f"“{typed[:SHOWN]}” is no whole number; write it as 12")
    return int(text.partition(".")[0])


def time_in(typed: str, *, now: datetime, zone: tzinfo) -> TypedTime:
    """An instant, or a day alone, by that clock: '2026-05-01 18:00', 'yesterday 18:00', '14:30'.

    A time with an offset ('2026-05-01 18:00+02:00', '…Z') is read as it stands. Raises Mistyped, also when no
    clock ever showed that time, or when it came twice.
    """
    text = " ".join(typed.lower().split())
    if text == "now":
        return TypedTime(now)
    try:
        if _WITH_OFFSET.fullmatch(text):
            at = datetime.fromisoformat(text.upper().replace(" +", "+"))
            if at.year not in YEARS:
                raise ValueError(at)
            return TypedTime(at.astimezone(UTC))
        found = _TIME.fullmatch(text)
        if found is None or not (found["day"] or found["time"]):
            raise Mistyped(
                f"“{typed[:SHOWN]}” is no time I understand; "
                "write '2026-05-01 18:00', 'yesterday 18:00', '3 days ago' or '14:30'"
            )
        day = _day(found["day"], found["ago"], now.astimezone(zone).date())
        shown = found["time"] or "12:00"
        clock = time.fromisoformat(f"0{shown}" if shown[1] == ":" else shown)
        if day.year not in YEARS:
            raise ValueError(day)
        at = _instant(datetime.combine(day, clock), zone)
    except Mistyped:
        raise
    except (ValueError, OverflowError) as error:
        raise Mistyped(
            f"“{typed[:SHOWN]}” is not in the calendar or on the clock; write it like '2026-05-01 18:00'"
        ) from error
    return TypedTime(at, None if found["time"] else day)


def _day(said: str | None, ago: str | None, today: date) -> date:
    if said in (None, "today"):
        return today
    if said == "yesterday":
        return today - timedelta(days=1)
    return today - timedelta(days=int(ago)) if ago else date.fromisoformat(said or "")


def _instant(naive: datetime, zone: tzinfo) -> datetime:
    """The one instant at which that clock showed this. Raises Mistyped."""
    early, late = (naive.replace(tzinfo=zone, fold=fold) for fold in (0, 1))
    at = early.astimezone(UTC)
    if at.astimezone(zone).replace(tzinfo=None) != naive:
        raise Mistyped(
            f"no clock in {zone} showed {naive:%H:%M} on {naive:%Y-%m-%d}: it was put on past that time; "
            "write one that was shown"
        )
    if early.utcoffset() != late.utcoffset():
        first, second = (f"{one:%Y-%m-%d %H:%M}{one.isoformat()[-6:]}" for one in (early, late))
        raise Mistyped(
            f"{naive:%H:%M} {CAME_TWICE} in {zone} on {naive:%Y-%m-%d}, when the clock was put back; write "
            f"'{first}' for the first or '{second}' for the second"
        )
    return at
