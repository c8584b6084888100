"""The command that takes back anything that was said."""

from __future__ import annotations

from typing import Annotated, Literal

import typer

from rules.commands import TakeBack
from services.cli.keep_fact import Yes, confirmed, keep
from services.cli.output import LARGEST, Home, now_utc, open_app, say


def undo(
    number: Annotated[
        int | None,
        typer.Argument(
            min=1, max=LARGEST, help="Which, as 'gritledger list changes' shows it; the newest by default."
        ),
    ] = None,
    fact: Annotated[
        Literal["treatment", "reading", "wipe test"] | None,
        typer.Option(help="Instead: count what was logged under this number of its own no more."),
    ] = None,
    because: Annotated[str, typer.Option(help="Of --fact: why.")] = "logged by mistake",
    yes: Yes = False,
    home: Home = None,
) -> None:
    """Take back anything that was said, as if it had never been: care, fittings, corrections, bikes.

    What cannot stand without it is named first, and undone with it.

    Examples: gritledger undo 12 · gritledger undo 41 --fact treatment --because 'wrong chain'
    """
    from services.use_cases.undo import undo as undo_change

    app = open_app(home)
    if fact is not None:
        if number is None:
            raise typer.BadParameter(f"say which {fact}, by the number it was told with when it was logged")
        keep(app, TakeBack(fact, number, because), now=now_utc(), yes=True)
        return
    done = confirmed(lambda sure: undo_change(app, number, now=now_utc(), confirmed=sure), yes)
    for sentence in done.sentences:  # an undoing is not undone: say it anew
        say(sentence)
