"""The command that reads ride files."""

from __future__ import annotations

import time
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from services.cli.output import Home, err, now_utc, open_app, say, waiting_for_a_word

if TYPE_CHECKING:
    from services.use_cases.import_rides import FileOutcome
    from services.use_cases.judge_bikes import Move


def import_(
    paths: Annotated[list[Path], typer.Argument(help="Files, archives, folders or a mounted head unit.")],
    rider: Annotated[str | None, typer.Option(help="Whose rides; not needed with one rider.")] = None,
    it_was_a_ride: Annotated[
        bool, typer.Option("--it-was-a-ride", help="Take them as bicycle rides, whatever the files say.")
    ] = False,
    again: Annotated[
        bool,
        typer.Option(
            "--again",
            help="Read what is here or was refused before once more, however long it takes: the hours and "
            "metres of its rides become what they are read as today; what riders said stays.",
        ),
    ] = False,
    details: Annotated[bool, typer.Option("--details", help="List every file, one by one.")] = False,
    home: Home = None,
) -> None:
    """Read ride files (FIT, GPX, .gz, .zip) and put each ride on its bike. Stop and go on at any time.

    Examples: gritledger import ~/rides --rider Iva · gritledger import --again slow.fit
    """
    from rich.progress import (
        BarColumn,
        MofNCompleteColumn,
        Progress,
        TaskProgressColumn,
        TextColumn,
        TimeRemainingColumn,
    )

    from ingest.files.read_pool import ToRead
    from services.store import StoreError
    from services.use_cases.import_rides import WAITS, Outcome, import_files, ride_files, whose
    from services.use_cases.judge_bikes import also_moved
    from services.views.file_summary import grouped

    app = open_app(home)
    found = ride_files(paths)
    with app.store.reading() as tx:
        riders = tx.equipment.riders()
        named = tx.equipment.find_rider(rider).id if rider else None
    if not riders:
        raise typer.BadParameter("there is no rider yet; begin with: gritledger add rider NAME")
    to_read = [ToRead(path, whose(path, riders, named), it_was_a_ride, again) for path in found]
    with Progress(
        TextColumn("reading rides"),
        BarColumn(),
        TaskProgressColumn(),
        MofNCompleteColumn(),
        TextColumn("{task.fields[rate]}"),
        TimeRemainingColumn(),
        console=err,
        transient=True,
        disable=not err.is_terminal,
    ) as progress:
        task = progress.add_task("", total=len(to_read), rate="")
        seen: set[str] = set()
        begun = time.monotonic()

        def advance(outcome: FileOutcome) -> None:
            file = outcome.name.split(" > ")[0]
            if file not in seen:
                seen.add(file)
                per_s = len(seen) / max(time.monotonic() - begun, 0.1)
                progress.update(task, advance=1, rate=f"{per_s:.0f} files/s")

        moved: list[Move] = []
        try:
            outcomes = import_files(
                app.store, to_read, now=now_utc(), on_progress=advance, on_moved=moved.extend
            )
        except StoreError as error:
            kept = f"{len(seen)} of {len(to_read)} files were dealt with before that, and are kept"
            raise StoreError(f"{error} {kept}; the same command goes on with the rest.") from error
    if details:
        for one in outcomes:
            reason = "; ".join(filter(None, (one.why, one.try_this)))
            say(f"{one.name}: {one.outcome.value}{f' {one.ride}' if one.ride else ''}")
            say(f"    {reason}") if reason else None
    for sentence in grouped(outcomes, quiet=set(Outcome) if details else ()) or (
        [] if details else ["No files there."]
    ):
        say(sentence)
    if any(one.outcome is Outcome.NOT_READ_NOW for one in outcomes):
        say("What could not be read now is read by the same command again.")
    if not details and any(one.why for one in outcomes if one.outcome not in (*WAITS, Outcome.ANEW)):
        say("One by one: gritledger list files --trouble")
    with app.store.reading() as tx:
        questions = tx.rides.asking()
        for sentence in also_moved(tx, moved):
            say(sentence)
    if questions:
        say(waiting_for_a_word(questions))
    say("Next, for weather and reminders: gritledger watch, by itself from then on; or with --once.")
