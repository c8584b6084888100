"""Commands that log what hands did to a chain, and what they measured."""

from __future__ import annotations

from datetime import datetime
from typing import TYPE_CHECKING, Annotated

import typer

from rules.commands import LogReading, LogTreatment, LogWipeTest
from rules.vocabulary import Chain, ReadingTool, TreatmentKind
from services.cli.keep_fact import Yes, keep, ledger_of, ledger_on, moment_typed, zone_for
from services.cli.output import At, Home, amount, now_utc, open_app, say

if TYPE_CHECKING:
    from services.app import App

Note = Annotated[str, typer.Option(help="Anything worth keeping.")]


def _chain_and_time(app: App, chain: str, at: str | None, now: datetime, yes: bool) -> tuple[Chain, datetime]:
    """The chain that is meant, and when it was: by the clock of whoever rides it."""
    from rules.gate.times import after_last_ride
    from services.use_cases.find_by_name import chain_named

    ledger = ledger_of(app)
    found = chain_named(ledger, chain, now)
    zone = zone_for(ledger, found, now=now)
    when = moment_typed(
        at,
        now=now,
        zone=zone,
        yes=yes,
        that_day=lambda day: after_last_ride(ledger_on(app, day), found.id, day, zone, now),
    )
    # A bike names the chain it wore then, which may be another than the one it wears now.
    return chain_named(ledger, chain, when), when


def log(
    kind: Annotated[TreatmentKind, typer.Argument(help="What was done.")],
    chain: Annotated[
        list[str], typer.Argument(metavar="CHAIN…", help="The chains, or the bikes that wear them.")
    ],
    at: At = None,
    minutes: Annotated[float | None, amount("Minutes it took, all of them together.")] = None,
    cost: Annotated[float | None, amount("What it cost, all of them together.")] = None,
    note: Note = "",
    yes: Yes = False,
    home: Home = None,
) -> None:
    """Log care: what hands did to a chain, or to several together.

    drip: one drop of drip wax per roller on a clean, dry chain, left to cure as its maker says. Keep wax off
    brake discs, pads and rims.

    immersion: in hot-melt wax. Molten wax burns and can catch fire. Use a thermostatic pot or a water bath,
    never an open flame, never unattended, and keep to the wax maker's temperature. The chain goes in dry:
    water in hot wax spits. Never put water on burning wax: switch off, put the lid on. Ventilate.

    wipe: wiped down and dried with a clean rag. Keep fingers and rag clear of a moving chain and its
    sprockets.

    strip: factory grease taken off with solvent, once, before the first immersion. Solvents burn and their
    vapour is harmful: outdoors or well ventilated, no flame or spark, gloves and eye protection, never
    heated. Let the chain dry fully before hot wax. Spent solvent goes to a hazardous-waste point.

    oil: wet lube, on a chain of the control. Keep it off brake discs, pads and rims.

    clean: an oiled chain degreased and dried. The same care with solvents as for strip.

    The maker's instructions and local rules come first.

    Examples: gritledger log drip Plover --minutes 6
    · gritledger log immersion 'Chain 3' 'Chain 4' --at 'yesterday 20:00'
    """
    app, now = open_app(home), now_utc()
    found = [_chain_and_time(app, one, at, now, yes) for one in chain]
    ids = [one.id for one, _ in found]
    when = max(moment for _, moment in found)  # of a date alone: after the last ride of any of them
    keep(app, LogTreatment(ids[0], kind, when, minutes, cost, note, tuple(ids[1:])), now=now, yes=yes)


def measure(
    chain: Annotated[str, typer.Argument(help="The chain, or the bike that wears it.")],
    over: Annotated[
        float | None, amount("Largest gauge step that dropped in, in %; leave out if none did.")
    ] = None,
    under: Annotated[
        float | None, amount("Smallest gauge step that did not, in %; leave out if all did.")
    ] = None,
    exact: Annotated[float | None, amount("Elongation by ruler or caliper, in %.")] = None,
    length: Annotated[
        str | None, typer.Option(help="Instead: the length pin to pin, e.g. '305.9 mm' or '12 1/16 in'.")
    ] = None,
    pitches: Annotated[int, typer.Option(help="Over so many half-inch pitches; 24 are a foot.")] = 24,
    tool: Annotated[ReadingTool | None, typer.Option(help="What it was taken with.")] = None,
    instrument: Annotated[
        str, typer.Option("--with", help="Which one, by your name for it; each has its own bias.")
    ] = "",
    wipe_test: Annotated[
        int | None, typer.Option(metavar="GRADE", help="Instead: how dirty a clean rag got, 0 to 4.")
    ] = None,
    at: At = None,
    note: Note = "",
    yes: Yes = False,
    home: Home = None,
) -> None:
    """Log what was measured: wear by a go/no-go gauge, a ruler or a caliper; or dirt by a wipe test.

    A wipe test is a clean rag drawn along the chain, 0 clean to 4 black paste: the check on the score. Keep
    fingers and rag clear of a moving chain and its sprockets.

    Examples: gritledger measure Plover --over 0.25 --under 0.5 --with 'red gauge'
    · gritledger measure Plover --length '12 1/16 in' · gritledger measure Plover --wipe-test 2
    """
    from rules.chain_length import elongation_pct, length_mm

    app, now = open_app(home), now_utc()
    if wipe_test is not None:
        if (over, under, exact, length, tool, instrument, note) != (None,) * 5 + ("", ""):
            raise typer.BadParameter("a wipe test is a grade alone; log wear by itself")
        found, when = _chain_and_time(app, chain, at, now, yes)
        keep(app, LogWipeTest(found.id, when, wipe_test), now=now, yes=yes)
        _offer_limits(app, now)
        return
    if length is not None:
        if exact is not None:
            raise typer.BadParameter("give --exact or --length, not both")
        try:
            exact = elongation_pct(length_mm(length), pitches)
        except ValueError as error:
            raise typer.BadParameter(str(error)) from error
        say(f"{length} over {pitches} pitches is {exact:.2f} % longer than new.")
    chosen = tool or (ReadingTool.GAUGE if exact is None else ReadingTool.RULER)
    found, when = _chain_and_time(app, chain, at, now, yes)
    keep(app, LogReading(found.id, chosen, when, over, under, exact, note, instrument), now=now, yes=yes)


def _offer_limits(app: App, now: datetime) -> None:
    """What wipe tests say of a bike's limits, once three agree."""
    from rules.wipe_tests import offers

    with app.store.reading() as tx:
        tested = {one.chain for one in tx.care.wipe_tests()}
        ledger = tx.ledger_of(tested)
    for offer in offers(ledger, app.rulebook_for(ledger), now=now):
        set_it = f"gritledger limits '{offer.bike.name}' {offer.key}={offer.offered:g}"
        say(f"{offer.sentence} If you agree: {set_it}")
