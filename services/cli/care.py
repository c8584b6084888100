"""Commands that log what hands did to a chain, and what they measured."""

from __future__ import annotations

from collections.abc import Callable
from typing import Annotated

import typer

from rules.vocabulary import ReadingTool, TreatmentKind
from services.cli.output import LARGEST, At, Home, local, now_utc, parse_when, say

PANEL = "Care"
ChainName = Annotated[str, typer.Argument(help="The chain, or the bike that wears it.")]
Minutes = Annotated[float | None, typer.Option(min=0, help="Minutes it took.")]
Cost = Annotated[float | None, typer.Option(min=0, help="What it cost.")]
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


def _treatment(kind: TreatmentKind, words: str) -> Callable[..., None]:
    """The command that logs one kind of treatment: the same options for each."""

    def log(
        chain: ChainName,
        at: At = None,
        minutes: Minutes = None,
        cost: Cost = None,
        note: Note = "",
        home: Home = None,
    ) -> None:
        from services.use_cases.log_care import log_treatment
        from services.wiring import open_app

        app, now = open_app(home), now_utc()
        when = parse_when(at, now=now)
        say(log_treatment(app, chain, kind, when, minutes=minutes, cost=cost, note=note, now=now))
        if at is not None:
            say(f"Dated {local(when)}, local time.")

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
    tool: Annotated[ReadingTool | None, typer.Option(help="What it was taken with.")] = None,
    at: At = None,
    note: Note = "",
    home: Home = None,
) -> None:
    """Log a wear reading: an interval from a go/no-go gauge, or a figure from a ruler or caliper.

    Example: gritledger reading Plover --over 0.25 --under 0.5
    """
    from services.use_cases.log_care import log_reading
    from services.wiring import open_app

    now = now_utc()
    chosen = tool or (ReadingTool.GAUGE if exact is None else ReadingTool.RULER)
    logged = log_reading(
        open_app(home),
        chain,
        chosen,
        parse_when(at, now=now),
        over_pct=over,
        under_pct=under,
        exact_pct=exact,
        note=note,
        now=now,
    )
    say(logged)


def wipe_test(
    chain: ChainName,
    grade: Annotated[int, typer.Argument(min=0, max=4, help="0 clean … 4 black paste.")],
    at: At = None,
    home: Home = None,
) -> None:
    """Log a wipe test: a clean rag along the chain, graded 0 to 4; the check on the score.

    Example: gritledger wipe-test Plover 2
    """
    from services.use_cases.log_care import log_wipe_test
    from services.wiring import open_app

    now = now_utc()
    say(log_wipe_test(open_app(home), chain, grade, parse_when(at, now=now), now=now))


def take_back(
    kind: Annotated[str, typer.Argument(help="treatment, reading or 'wipe test'.")],
    number: Annotated[
        int, typer.Argument(min=1, max=LARGEST, help="Its number, as it was told when logged.")
    ],
    because: Annotated[str, typer.Option(help="Why.")] = "logged by mistake",
    home: Home = None,
) -> None:
    """Take back something logged by mistake. It is kept, counts no more, and 'undo' counts it again.

    Example: gritledger take-back treatment 41 --because 'wrong chain'
    """
    from services.use_cases.log_care import take_back as take_back_fact
    from services.wiring import open_app

    say(take_back_fact(open_app(home), kind, number, because, now=now_utc()))
