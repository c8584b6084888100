"""What commands that keep a fact share: whose clock a time is typed by, what is asked first, the way back."""

from __future__ import annotations

import sys
from collections.abc import Callable
from dataclasses import replace
from datetime import UTC, date, datetime, time, timedelta, tzinfo
from typing import TYPE_CHECKING, Annotated, Any

import typer

from rules.commands import Command
from rules.ledger import Ledger
from rules.vocabulary import Bike, Chain
from services.cli.exit_status import NOT_DONE
from services.cli.output import parse_moment, print_json, say

if TYPE_CHECKING:
    from rules.gate.times import Moment
    from services.app import App
    from services.use_cases.record_change import Done

NOON = time(12)
Yes = Annotated[bool, typer.Option("--yes", help="Whatever is asked: yes. For scripts.")]


def ledger_of(app: App) -> Ledger:
    """Who and what there is, and what was fitted where."""
    with app.store.reading() as tx:
        return tx.garage()


def ledger_around(app: App, at: datetime, by: timedelta = timedelta(days=2)) -> Ledger:
    """The same, with the rides that began not longer than that before or after."""
    with app.store.reading() as tx:
        return replace(tx.garage(), rides=tx.rides.rides(between=(at - by, at + by)))


def ledger_on(app: App, day: date) -> Ledger:
    """The same, with the rides of a day, by whatever clock."""
    return ledger_around(app, datetime.combine(day, NOON, UTC))


def zone_for(ledger: Ledger, thing: Bike | Chain | None = None, *, now: datetime | None = None) -> tzinfo:
    """Whose clock: the owner's of that bike, or of the bike under that chain; else the first rider's."""
    from services.app import household_zone, zone_of

    bike = thing
    if isinstance(thing, Chain):
        fitting = ledger.fitting_of(thing.id, now) if now is not None else None
        bike = ledger.bike(fitting.bike) if fitting is not None else None
    if bike is not None and not isinstance(bike, Chain):
        return zone_of(ledger.rider(bike.owner).time_zone)
    return household_zone(ledger.riders)


def list_as_json(app: App, name: str, *, now: datetime, chain: str | None = None) -> None:
    """A list of services.views.export_rows for a program, times by the household's clock with its offset.

    chain: only what is about this one, or the one on the bike of that name.
    """
    from services.use_cases.find_by_name import chain_named
    from services.views.export_rows import Look, rows_of
    from services.views.json_values import plain

    look = Look(app, now)
    if chain:
        look = replace(look, only=chain_named(look.ledger, chain, now))
    rows = (row for row in rows_of(name, look) if look.only is None or look.only.name == row["chain"])
    print_json(plain(row, look.zone) for row in rows)


def print_plain(value: Any, ledger: Ledger) -> None:
    """A verdict of the rules for a program, with the names of the household and by its clock."""
    from services.views.json_values import names_in, plain

    print_json(plain(value, zone_for(ledger), names_in(ledger)))


def moment_typed(
    text: str | None, *, now: datetime, zone: tzinfo, yes: bool, that_day: Callable[[date], Moment]
) -> datetime:
    """The instant that was typed; a date alone is an instant of that day by what was ridden on it."""
    typed = parse_moment(text, now=now, zone=zone)
    if typed.day is None:
        return typed.at
    moment = that_day(typed.day)
    if moment.ask:
        confirm(moment.ask, yes)
    return moment.at


def first_moment(text: str, *, now: datetime, zone: tzinfo) -> datetime:
    """When something came, as it was typed; a date alone is the whole of that day."""
    from rules.gate.times import start_of

    typed = parse_moment(text, now=now, zone=zone)
    return typed.at if typed.day is None else start_of(typed.day, zone)


def last_moment(text: str, *, now: datetime, zone: tzinfo) -> datetime:
    """When something went, as it was typed; a date alone is the whole of that day."""
    from rules.gate.times import end_of

    typed = parse_moment(text, now=now, zone=zone)
    return typed.at if typed.day is None else end_of(typed.day, zone, now)


def keep(app: App, command: Command, *, now: datetime, yes: bool) -> None:
    """Keep a fact, and say what follows from it and how to take it back."""
    from services.use_cases.record_change import record

    tell(confirmed(lambda sure: record(app, command, now=now, confirmed=sure), yes))


def confirmed(act: Callable[[bool], Done], yes: bool) -> Done:
    """What was done; what is odd only after a yes. act: told whether it is sure."""
    from services.store import NeedsConfirmation

    try:
        return act(yes)
    except NeedsConfirmation as asked:
        confirm(str(asked), yes)
        return act(True)


def tell(done: Done) -> None:
    """What was done, what follows from it, and the way back."""
    for sentence in done.sentences:
        say(sentence)
    if done.number:
        say(f"Wrong? gritledger undo {done.number}")


def confirm(question: str, yes: bool) -> None:
    """Go on only after a yes; a script, which cannot answer, is told how. Raises NeedsConfirmation."""
    from services.store import NeedsConfirmation

    if yes:
        return
    if not sys.stdin.isatty():
        raise NeedsConfirmation(f"{question} If it is so, say it again with --yes. Nothing was changed.")
    if not typer.confirm(question):
        say("Nothing was changed.")
        raise typer.Exit(NOT_DONE)
