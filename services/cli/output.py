"""How the terminal speaks: local time, plain tables, one voice for trouble."""

from __future__ import annotations

import json
import math
from collections.abc import Iterable, Iterator, Sequence
from contextvars import ContextVar
from datetime import UTC, datetime, tzinfo
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer
from rich.console import Console
from rich.table import Table
from typer.core import TyperCommand

from rules.typed_input import Mistyped, TypedTime, number_in, time_in
from rules.units import OPEN, SI, Units, said

if TYPE_CHECKING:
    from services.app import App

out = Console(highlight=False, soft_wrap=True)
err = Console(stderr=True, highlight=False, soft_wrap=True)

WIDEST = 4096
LARGEST = 2**31 - 1  # the largest number of a ride, reminder or correction any database keeps


def _folder(typed: Any) -> Path:
    """A home folder as it was typed: an empty one, as of an unset variable, would be the working folder."""
    if isinstance(typed, str) and not typed.strip():
        raise Mistyped("it is empty; name a folder, or leave it out")
    return Path(typed)


Home = Annotated[
    Path | None,
    typer.Option(
        "--home",
        parser=_folder,
        metavar="FOLDER",
        help="Where the ledger lives, if not in the usual place.",
        show_default=False,
    ),
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


def parse_moment(text: str | None, *, now: datetime, zone: tzinfo) -> TypedTime:
    """What was typed by that clock; now, if nothing was. Raises typer.BadParameter saying what to write."""
    try:
        return TypedTime(now) if text is None else time_in(text, now=now, zone=zone)
    except Mistyped as wrong:
        raise typer.BadParameter(str(wrong)) from wrong


def amount(words: str, *, low: float = -math.inf, high: float = math.inf, kind: Any = typer.Option) -> Any:
    """An option, or another kind of parameter, that is a number, read as every form reads it.

    words: its help; where that speaks of %, the sign may follow the number.  low, high: ends included.
    """

    def read(typed: Any) -> Any:
        value = number_in(typed, percent="%" in words) if isinstance(typed, str) else typed
        if (low, high) != (-math.inf, math.inf) and not low <= value <= high:
            raise Mistyped(f"from {low:g} to {high:g} is wanted, not “{typed}”")
        return value

    return kind(parser=read, metavar="NUMBER", help=words)


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
