"""Commands that log what hands did to a chain, and what they measured."""

from __future__ import annotations

from collections.abc import Callable
from datetime import datetime
from typing import TYPE_CHECKING, Annotated, Literal

import typer

from rules.vocabulary import ReadingTool, TreatmentKind
from services.cli.output import LARGEST, At, Home, now_utc, say
from services.cli.saying import Yes, keep, ledger_of, moment_typed, zone_for

if TYPE_CHECKING:
    from rules.vocabulary import Chain
    from services.app import App

PANEL = "Care"
ChainName = Annotated[str, typer.Argument(help="The chain, or the bike that wears it.")]
Minutes = Annotated[float | None, typer.Option(help="Minutes it took.")]
Cost = Annotated[float | None, typer.Option(help="What it cost.")]
Note = Annotated[str, typer.Option(help="Anything worth keeping.")]


# What each command says of its work. The caution stands where the step stands.
TREATMENTS: dict[str, tuple[TreatmentKind, str]] = {
    "drip": (
        TreatmentKind.DRIP,
        """\
Log a drip: one drop of drip wax per roller on a clean, dry chain, left to cure as its maker says.

Keep wax off brake discs, pads and rims.

Example: gritledger drip Plover --minutes 6
""",
    ),
    "immerse": (
        TreatmentKind.IMMERSION,
        """\
Log an immersion in hot-melt wax.

Molten wax burns and can catch fire. Use a thermostatic pot or a water bath, never an open flame, never
unattended, and keep to the wax maker's temperature. The chain goes in dry: water in hot wax spits.
Never put water on burning wax: switch off, put the lid on. Ventilate. The maker's instructions and
local rules come first.

Example: gritledger immerse 'Chain 3' --at 'yesterday 20:00'
""",
    ),
    "wipe": (
        TreatmentKind.WIPE,
        """\
Log a wipe: the chain wiped down and dried with a clean rag.

Keep fingers and rag clear of a moving chain and its sprockets.

Example: gritledger wipe Plover
""",
    ),
    "strip": (
        TreatmentKind.STRIP,
        """\
Log that factory grease was stripped with solvent, once, before the first immersion.

Solvents burn and their vapour is harmful: outdoors or well ventilated, no flame or spark, gloves and
eye protection, never heated. Let the chain dry fully before hot wax. Spent solvent goes to a
hazardous-waste point. The maker's instructions and local rules come first.

Example: gritledger strip 'Chain 3'
""",
    ),
    "oil": (
        TreatmentKind.OIL,
        """\
Log that wet lube was applied (for a chain of the control). Keep it off brake discs, pads and rims.

Example: gritledger oil Harrier
""",
    ),
    "clean": (
        TreatmentKind.CLEAN,
        """\
Log that an oiled chain was degreased and dried. The same care with solvents as for 'strip'.

Example: gritledger clean Harrier
""",
    ),
}


def register(commands: typer.Typer) -> None:
    """Hang these commands on the application."""
    for name, (kind, words) in TREATMENTS.items():
        commands.command(name, rich_help_panel=PANEL)(_treatment(kind, words))
    commands.command(rich_help_panel=PANEL)(reading)
    commands.command("wipe-test", rich_help_panel=PANEL)(wipe_test)
    commands.command("take-back", rich_help_panel=PANEL)(take_back)


def _chain_and_time(app: App, chain: str, at: str | None, now: datetime, yes: bool) -> tuple[Chain, datetime]:
    """The chain that is meant, and when it was: by the clock of whoever rides it."""
    from rules.gate.whole_day import after_last_ride
    from services.use_cases.find import chain_named

    ledger = ledger_of(app)
    found = chain_named(ledger, chain, now)
    zone = zone_for(ledger, found, now=now)
    when = moment_typed(
        at,
        now=now,
        zone=zone,
        yes=yes,
        that_day=lambda day: after_last_ride(ledger, found.id, day, zone, now),
    )
    # A bike names the chain it wore then, which may be another than the one it wears now.
    return chain_named(ledger, chain, when), when


def _treatment(kind: TreatmentKind, words: str) -> Callable[..., None]:
    """The command that logs one kind of treatment: the same options for each."""

    def log(
        chain: ChainName,
        at: At = None,
        minutes: Minutes = None,
        cost: Cost = None,
        note: Note = "",
        yes: Yes = False,
        home: Home = None,
    ) -> None:
        from rules.commands import LogTreatment
        from services.wiring import open_app

        app, now = open_app(home), now_utc()
        found, when = _chain_and_time(app, chain, at, now, yes)
        keep(app, LogTreatment(found.id, kind, when, minutes, cost, note), now=now, yes=yes)

    log.__doc__ = words
    return log


def reading(
    chain: ChainName,
    over: Annotated[
        float | None, typer.Option(help="Largest gauge step that dropped in, in %; leave out if none did.")
    ] = None,
    under: Annotated[
        float | None, typer.Option(help="Smallest gauge step that did not, in %; leave out if all did.")
    ] = None,
    exact: Annotated[float | None, typer.Option(help="Elongation by ruler or caliper, in %.")] = None,
    length: Annotated[
        str | None, typer.Option(help="Instead: the length pin to pin, e.g. '305.9 mm' or '12 1/16 in'.")
    ] = None,
    pitches: Annotated[int, typer.Option(help="Over so many half-inch pitches; 24 are a foot.")] = 24,
    tool: Annotated[ReadingTool | None, typer.Option(help="What it was taken with.")] = None,
    instrument: Annotated[
        str, typer.Option("--with", help="Which one, by your name for it; each has its own bias.")
    ] = "",
    at: At = None,
    note: Note = "",
    yes: Yes = False,
    home: Home = None,
) -> None:
    """Log a wear reading: an interval from a go/no-go gauge, or a figure from a ruler or caliper.

    Examples: gritledger reading Plover --over 0.25 --under 0.5 --with 'red gauge'
    · gritledger reading Plover --length '12 1/16 in'
    """
    from rules.chain_length import elongation_pct, length_mm
    from rules.commands import LogReading
    from services.wiring import open_app

    app, now = open_app(home), now_utc()
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


def wipe_test(
    chain: ChainName,
    grade: Annotated[int, typer.Argument(help="0 clean … 4 black paste.")],
    at: At = None,
    yes: Yes = False,
    home: Home = None,
) -> None:
    """Log a wipe test: a clean rag along the chain, graded 0 to 4; the check on the score.

    Example: gritledger wipe-test Plover 2
    """
    from rules.commands import LogWipeTest
    from rules.rag import offers
    from services.wiring import open_app

    app, now = open_app(home), now_utc()
    found, when = _chain_and_time(app, chain, at, now, yes)
    keep(app, LogWipeTest(found.id, when, grade), now=now, yes=yes)
    with app.store.reading() as tx:
        ledger = tx.ledger()
    for offer in offers(ledger, app.rulebook_for(ledger), now=now):
        set_it = f"gritledger limits '{offer.bike.name}' {offer.key}={offer.offered:g}"
        say(f"{offer.sentence} If you agree: {set_it}")


def take_back(
    kind: Annotated[
        Literal["treatment", "reading", "wipe test"],
        typer.Argument(help="What it was."),
    ],
    number: Annotated[
        int, typer.Argument(min=1, max=LARGEST, help="Its number, as it was told when logged.")
    ],
    because: Annotated[str, typer.Option(help="Why.")] = "logged by mistake",
    home: Home = None,
) -> None:
    """Take back something logged by mistake. It is kept, counts no more, and 'undo' counts it again.

    Example: gritledger take-back treatment 41 --because 'wrong chain'
    """
    from rules.commands import TakeBack
    from services.wiring import open_app

    keep(open_app(home), TakeBack(kind, number, because), now=now_utc(), yes=True)
