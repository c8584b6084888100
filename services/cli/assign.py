"""The command that says which bike rides were on, and what a preview of saying so shows."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from rules.commands import PutRidesOn
from rules.ledger import Ledger
from rules.vocabulary import RideId
from services.cli.exit_status import NOT_DONE
from services.cli.keep_fact import (
    Yes,
    confirm,
    first_moment,
    keep,
    last_moment,
    ledger_of,
    print_plain,
    zone_for,
)
from services.cli.output import LARGEST, Home, now_utc, open_app, say

if TYPE_CHECKING:
    from rules.what_if import Difference

AsPreviewed = Annotated[bool, typer.Option("--json", help="What --preview shows, as JSON, for programs.")]


def assign(
    numbers: Annotated[
        list[str] | None,
        typer.Argument(help="RIDE… BIKE, or only BIKE with --from and --until; none with --table."),
    ] = None,
    first: Annotated[
        str | None, typer.Option("--from", help="All rides from then on; of a day alone, from its first.")
    ] = None,
    until: Annotated[
        str | None, typer.Option("--until", help="… that started before then; of a day alone, that day too.")
    ] = None,
    was_on: Annotated[str | None, typer.Option(help="Of that span, only rides now on this bike.")] = None,
    none_of_ours: Annotated[
        bool, typer.Option("--none-of-ours", help="It was on none of the household's bikes.")
    ] = False,
    own_table: Annotated[
        Path | None, typer.Option("--table", help="A CSV of your own that says which bike each ride was on.")
    ] = None,
    time_column: Annotated[
        str, typer.Option("--time", help="Of the table: the column with a time or day, by heading or number.")
    ] = "",
    bike_column: Annotated[
        str, typer.Option("--bike", help="Of the table: the column with your bike's name.")
    ] = "",
    preview: Annotated[bool, typer.Option("--preview", help="Only show what would change.")] = False,
    as_json: AsPreviewed = False,
    yes: Yes = False,
    home: Home = None,
) -> None:
    """Say which bike rides were on. Shows what that changes; undo takes it back.

    Examples: gritledger assign 12 Plover · gritledger assign --from 2026-05-01 --until 2026-05-08 Plover ·
    gritledger assign --table rides.csv --time Date --bike Bicycle
    """
    only_previews(as_json, preview)
    if own_table is not None:
        if numbers or first or until or was_on or none_of_ours:
            raise typer.BadParameter("--table says it all; leave rides, bike and spans out")
        columns = (time_column, bike_column)
        _assign_by_table(own_table, columns, preview=preview, as_json=as_json, yes=yes, home=home)
        return
    if not numbers and not none_of_ours:
        raise typer.BadParameter("say which rides and which bike: gritledger assign 12 13 Plover")
    numbers = numbers or []
    from services.use_cases.find_by_name import bike_named
    from services.use_cases.preview import preview_rides_on

    named = [] if none_of_ours else numbers[-1:]
    chosen = numbers if none_of_ours else numbers[:-1]
    if not all(number.isdecimal() and 0 < int(number) <= LARGEST for number in chosen):
        raise typer.BadParameter(
            "write the ride numbers first, then one bike: gritledger assign 12 13 Plover"
        )
    app, now = open_app(home), now_utc()
    ledger = ledger_of(app)
    zone = zone_for(ledger)
    bike = bike_named(ledger, named[0]).id if named else None
    ids = [RideId(int(number)) for number in chosen]
    if first or until:
        start = first_moment(first, now=now, zone=zone) if first else None
        end = last_moment(until, now=now, zone=zone) if until else now
        on = bike_named(ledger, was_on).id if was_on else None
        with app.store.reading() as tx:
            ids += tx.rides.numbers(between=(start, end), bike=on)
    if not ids:
        raise typer.BadParameter(
            "no ride started in that span" if first or until else "say which rides, or --from and --until"
        )
    found = preview_rides_on(app, ids, bike, now=now)
    if preview:
        show_preview(found, ledger, as_json)
        return
    _show_difference(found)
    keep(app, PutRidesOn(tuple((ride, bike) for ride in ids)), now=now, yes=True)


def _assign_by_table(
    table_file: Path, columns: tuple[str, str], *, preview: bool, as_json: bool, yes: bool, home: Path | None
) -> None:
    from dataclasses import replace

    from services.use_cases.preview import preview_answers
    from services.use_cases.which_bike_from_table import around, matched, read_table

    if not all(columns):
        raise typer.BadParameter(
            "say which columns: gritledger assign --table rides.csv --time Date --bike Bicycle"
        )
    app, now = open_app(home), now_utc()
    ledger = ledger_of(app)
    zone = zone_for(ledger)
    rows = read_table(table_file, time_column=columns[0], bike_column=columns[1], zone=zone)
    if (span := around(rows, zone)) is not None:
        with app.store.reading() as tx:
            ledger = replace(ledger, rides=tx.rides.rides(between=span))
    found = matched(ledger, rows, zone)
    changes = preview_answers(app, dict(found.answers), now=now) if found.answers else None
    if as_json:
        bikes = {one.id: one.name for one in ledger.bikes}
        answers = [{"ride": ride, "bike": bike and bikes[bike]} for ride, bike in found.answers]
        print_plain({"matched": answers, "said": found.sentences, "changes": changes}, ledger)
        return
    for sentence in found.sentences:
        say(sentence)
    if changes is None:
        say("Nothing was changed.")
        raise typer.Exit(NOT_DONE)
    if preview:
        show_preview(changes, ledger, as_json)
        return
    _show_difference(changes)
    confirm(f"Keep this for {len(found.answers)} rides?", yes)
    keep(app, PutRidesOn(found.answers), now=now, yes=True)


def only_previews(as_json: bool, preview: bool) -> None:
    if as_json and not preview:
        raise typer.BadParameter("--json is what --preview shows, for programs; give both")


def show_preview(changes: Difference, ledger: Ledger, as_json: bool) -> None:
    if as_json:
        print_plain(changes, ledger)
        return
    _show_difference(changes)
    say("Nothing was changed: this was a preview.")


def _show_difference(changes: Difference) -> None:
    for sentence in changes.sentences or ("That changes nothing for any chain.",):
        say(sentence)
