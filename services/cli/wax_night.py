"""The command that plans an evening at the pot."""

from __future__ import annotations

from typing import Annotated

import typer

from rules.dates_and_numbers import hours
from services.cli.keep_fact import print_plain
from services.cli.output import AsJson, Home, now_utc, open_app, out, plain, say


def wax_night(
    pot_holds: Annotated[int, typer.Option(min=1, max=12, help="Chains a dip.")] = 2,
    rides_tomorrow: Annotated[
        list[str] | None,
        typer.Option(
            "--needed", help="A bike that rides tomorrow; by default those that usually do, else all."
        ),
    ] = None,
    as_json: AsJson = False,
    home: Home = None,
) -> None:
    """Plan an evening at the pot: which chains, in which order, so that no bike is missing tomorrow.

    Example: gritledger wax-night --pot-holds 3 --needed Plover
    """
    from rules.wax_night import plan, ridden_tomorrow
    from services.app import zone_of
    from services.views.export_rows import Look

    app, now = open_app(home), now_utc()
    snapshot = Look(app, now).snapshot
    with app.store.reading() as tx:
        needed = [tx.equipment.find_bike(name).id for name in rides_tomorrow] if rides_tomorrow else None
    if needed is None:
        needed = list(ridden_tomorrow(snapshot.lately(now).ledger, now=now, zone_of=zone_of)) or None
    ledger = snapshot.since_supplies(now).ledger
    evening = plan(ledger, snapshot.rulebook, now=now, needed=needed, pot_holds=pot_holds)
    if as_json:
        print_plain(evening, ledger)
        return
    if not evening.batches:
        say("No chain is worth heating the pot for tonight.")
        return
    for dip, batch in enumerate(evening.batches, start=1):
        out.print(f"[bold]Dip {dip}[/bold]")
        for one in batch:
            say(f"  {one.name}: {one.because}")
    for swap in evening.swaps:
        say(swap.sentence)
    say("")
    for step in evening.steps:
        out.print(f"{step.minutes:>4} min  {plain(step.what)}")
        if step.caution:
            say(f"          Careful: {step.caution}")
    for _, why in evening.left_out:
        say(why)
    say(f"About {hours(60 * evening.minutes)} in all.")
