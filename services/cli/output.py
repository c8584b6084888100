"""How the terminal speaks: local time, plain tables, one voice for trouble."""

from __future__ import annotations

import json
import re
from collections.abc import Iterable, Iterator, Sequence
from contextvars import ContextVar
from dataclasses import dataclass
from datetime import UTC, date, datetime, time, timedelta, tzinfo
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer
from rich.console import Console
from rich.table import Table
from typer.core import TyperCommand

from rules.units import OPEN, SI, Units, said

if TYPE_CHECKING:
    from services.app import App

out = Console(highlight=False, soft_wrap=True)
err = Console(stderr=True, highlight=False, soft_wrap=True)

WIDEST = 4096
LARGEST = 2**31 - 1  # the largest number of a ride, reminder or correction any database keeps

Home = Annotated[
    Path | None,
    typer.Option("--home", help="Where the ledger lives, if not in the usual place.", show_default=False),
]
AsJson = Annotated[bool, typer.Option("--json", help="As JSON, for programs.")]
At = Annotated[
    str | None,
    typer.Option(
        "--at",
        help="When, by the rider's clock: '2026-05-01 18:00', 'yesterday 18:00', '14:30'. Default: now.",
    ),
]


_home: ContextVar[Path | None] = ContextVar("home", default=None)


class OfAHousehold(TyperCommand):
    """A command about one household: what it says is said in that household's units."""

    def invoke(self, ctx: Any) -> Any:
        """Run it, knowing which household it is about."""
        before = _home.set(ctx.params.get("home"))
        try:
            return super().invoke(ctx)
        finally:
            _home.reset(before)


def open_app(home: Path | None) -> App:
    """The tools of a home folder, as services.wiring puts them together; loaded only when wanted."""
    from services.wiring import open_app as put_together

    return put_together(home)


def now_utc() -> datetime:
    """The only clock of the command line."""
    return datetime.now(UTC)


@dataclass(frozen=True, slots=True)
class TypedTime:
    """What a person typed: an instant, or only a day (then `at` is its noon)."""

    at: datetime
    day: date | None = None


_WITH_OFFSET = re.compile(r"\d{4}-\d{2}-\d{2}[ Tt]\d{2}:\d{2}(:\d{2})?\s?([Zz]|[+-]\d{2}:\d{2})")
_TYPED = re.compile(
    r"(?:(?P<day>\d{4}-\d{2}-\d{2}|today|yesterday|(?P<ago>\d+) days? ago))?[ t]*(?P<time>\d{1,2}:\d{2})?"
)


def parse_moment(text: str | None, *, now: datetime, zone: tzinfo) -> TypedTime:
    """An instant, or a day alone, as a person types it by that clock.

    A time with an offset ('2026-05-01 18:00+02:00', '…Z') is read as it stands. Raises typer.BadParameter
    saying which forms are understood, or that no clock ever showed that time, or that it came twice.
    """
    typed = "now" if text is None else " ".join(text.lower().split())
    if typed == "now":
        return TypedTime(now)
    found = _TYPED.fullmatch(typed)
    try:
        if _WITH_OFFSET.fullmatch(typed):
            return TypedTime(datetime.fromisoformat(typed.upper().replace(" +", "+")).astimezone(UTC))
        if found is None or not (found["day"] or found["time"]):
            raise typer.BadParameter(
                f"'{text}' is no time I understand; "
                "write '2026-05-01 18:00', 'yesterday 18:00', '3 days ago' or '14:30'"
            )
        day = _day(found["day"], found["ago"], now.astimezone(zone).date())
        clock = time.fromisoformat(found["time"].zfill(5)) if found["time"] else time(12, 0)
        at = _instant(datetime.combine(day, clock), zone)
    except (ValueError, OverflowError) as error:
        raise typer.BadParameter(f"'{text}' is not in the calendar or on the clock ({error})") from error
    return TypedTime(at, None if found["time"] else day)


def _day(said: str | None, ago: str | None, today: date) -> date:
    if said in (None, "today"):
        return today
    if said == "yesterday":
        return today - timedelta(days=1)
    return today - timedelta(days=int(ago)) if ago else date.fromisoformat(said or "")


def _instant(naive: datetime, zone: tzinfo) -> datetime:
    """The one instant at which that clock showed this. Raises typer.BadParameter."""
    early, late = (naive.replace(tzinfo=zone, fold=fold) for fold in (0, 1))
    at = early.astimezone(UTC)
    if at.astimezone(zone).replace(tzinfo=None) != naive:
        raise typer.BadParameter(
            f"no clock in {zone} showed {naive:%H:%M} on {naive:%Y-%m-%d}: it was put on past that time; "
            "write one that was shown"
        )
    if early.utcoffset() != late.utcoffset():
        first, second = (f"{one:%Y-%m-%d %H:%M}{one.isoformat()[-6:]}" for one in (early, late))
        raise typer.BadParameter(
            f"{naive:%H:%M} came twice in {zone} on {naive:%Y-%m-%d}, when the clock was put back; write "
            f"'{first}' for the first or '{second}' for the second"
        )
    return at


def local(instant: datetime, zone: tzinfo) -> str:
    """An instant as that wall clock shows it."""
    return f"{instant.astimezone(zone):%Y-%m-%d %H:%M}"


def hours(seconds: float) -> str:
    """A duration as riders say it: 1 h 05 min."""
    minutes = round(seconds / 60)
    return f"{minutes // 60} h {minutes % 60:02d} min" if minutes >= 60 else f"{minutes} min"


def _units() -> Units:
    """The units of the household that the running command is about; SI where its settings cannot be read."""
    from services.app import App
    from services.settings import SettingsError, default_home, load_settings

    try:
        return App(load_settings(_home.get() or default_home())).units
    except SettingsError:
        return SI


def waiting_for_a_word(rides: int) -> str:
    """That so many rides are questions, and where they are answered."""
    waiting = "1 ride waits" if rides == 1 else f"{rides} rides wait"
    return f"{waiting} for your word on the bike: gritledger rides --unsure"


def print_json(value: Any) -> None:
    """What is plain already, for a program: every amount in SI."""
    rows = list(value) if isinstance(value, Iterator) else value
    text = json.dumps(rows, ensure_ascii=False, indent=1, allow_nan=False)
    out.print(said(text, SI), markup=False, highlight=False)


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
    """Text made safe for the terminal, in the household's units: no markup, no control characters."""
    text = said(text, _units()) if OPEN in text else text
    printable = "".join(c if c.isprintable() or c == "\n" else " " for c in text)
    return printable.replace("[", r"\[")


def say(text: str) -> None:
    """One line to the rider, exactly as it is."""
    out.print(plain(text))
