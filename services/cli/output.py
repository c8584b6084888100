"""How the terminal speaks: local time, plain tables, one voice for trouble."""

from __future__ import annotations

import re
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import UTC, date, datetime, time, timedelta, tzinfo
from pathlib import Path
from typing import Annotated

import typer
from rich.console import Console
from rich.table import Table

out = Console(highlight=False, soft_wrap=True)
err = Console(stderr=True, highlight=False, soft_wrap=True)

WIDEST = 4096
LARGEST = 2**31 - 1  # the largest number of a ride, reminder or correction any database keeps

Home = Annotated[
    Path | None,
    typer.Option("--home", help="Where the ledger lives, if not in the usual place.", show_default=False),
]
At = Annotated[
    str | None,
    typer.Option(
        "--at", help="When, in local time: '2026-05-01 18:00', 'yesterday 18:00', '14:30'. Default: now."
    ),
]


def now_utc() -> datetime:
    """The only clock of the command line."""
    return datetime.now(UTC)


def parse_when(text: str | None, *, now: datetime) -> datetime:
    """An instant from what a person types, read in this machine's local time.

    Raises typer.BadParameter saying which forms are understood.
    """
    if text is None or text.strip().lower() == "now":
        return now
    local_now = now.astimezone()
    found = re.fullmatch(
        r"\s*(?:(?P<day>\d{4}-\d{2}-\d{2}|today|yesterday|(?P<ago>\d+) days? ago))?"
        r"[ T]*(?P<time>\d{1,2}:\d{2})?\s*",
        text.lower(),
    )
    if found is None or not (found["day"] or found["time"]):
        raise typer.BadParameter(
            f"'{text}' is no time I understand; "
            "write '2026-05-01 18:00', 'yesterday 18:00', '3 days ago' or '14:30'"
        )
    try:
        if found["day"] in (None, "today"):
            day = local_now.date()
        elif found["day"] == "yesterday":
            day = local_now.date() - timedelta(days=1)
        elif found["ago"]:
            day = local_now.date() - timedelta(days=int(found["ago"]))
        else:
            day = datetime.strptime(found["day"], "%Y-%m-%d").date()  # noqa: DTZ007 - a calendar day has no zone
        clock = time.fromisoformat(found["time"].zfill(5)) if found["time"] else time(12, 0)
    except (ValueError, OverflowError) as error:
        raise typer.BadParameter(f"'{text}' is not in the calendar or on the clock ({error})") from error
    return datetime.combine(day, clock).astimezone().astimezone(UTC)


@dataclass(frozen=True, slots=True)
class TypedTime:
    """What a person typed: an instant, or only a day."""

    at: datetime
    day: date | None = None


def parse_moment(text: str | None, *, now: datetime, zone: tzinfo) -> TypedTime:
    """An instant, or a day alone, from what a person types by that clock. Raises typer.BadParameter."""
    del zone
    at = parse_when(text, now=now)
    alone = text is not None and not re.search(r"\d{1,2}:\d{2}", text) and text.strip().lower() != "now"
    return TypedTime(at, at.astimezone().date() if alone else None)


def local(instant: datetime, *, seconds: bool = False) -> str:
    """An instant as this machine's wall clock shows it."""
    return instant.astimezone().strftime("%Y-%m-%d %H:%M:%S" if seconds else "%Y-%m-%d %H:%M")


def hours(seconds: float) -> str:
    """A duration as riders say it: 1 h 05 min."""
    minutes = round(seconds / 60)
    return f"{minutes // 60} h {minutes % 60:02d} min" if minutes >= 60 else f"{minutes} min"


def kilometres(metres: float) -> str:
    """A distance with one decimal."""
    return f"{metres / 1000:.1f} km"


def waiting_for_a_word(rides: int) -> str:
    """That so many rides are questions, and where they are answered."""
    waiting = "1 ride waits" if rides == 1 else f"{rides} rides wait"
    return f"{waiting} for your word on the bike: gritledger rides --unsure"


def table(headings: Sequence[str], rows: Iterable[Sequence[object]], *, right: Sequence[int] = ()) -> None:
    """A plain table; columns numbered in `right` are figures. Text from files is never read as markup."""
    grid = Table(box=None, pad_edge=False, header_style="dim", padding=(0, 2, 0, 0))
    for number, heading in enumerate(headings):
        grid.add_column(heading, justify="right" if number in right else "left", overflow="fold")
    for row in rows:
        grid.add_row(*(plain(str(cell)) for cell in row))
    if not out.is_terminal:
        out.width = WIDEST  # what is piped into another program is not folded to a window it does not have
    out.print(grid)


def plain(text: str) -> str:
    """Text from a file or a rider, made safe for the terminal: no markup, no control characters."""
    printable = "".join(c if c.isprintable() or c == "\n" else " " for c in text)
    return printable.replace("[", r"\[")


def say(text: str) -> None:
    """One line to the rider, exactly as it is."""
    out.print(plain(text))
