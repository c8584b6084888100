"""The command line. Each command gathers, calls one use case, and says what happened."""

from __future__ import annotations

import sys

import typer

from services.cli import asking, care, garage, rides, running, wear
from services.cli.screen import err, plain

app = typer.Typer(
    name="gritledger",
    help="Knows what every ride put into a waxed bicycle chain, and says what to do about it and why.",
    epilog="Begin with: gritledger demo",
    no_args_is_help=True,
    rich_markup_mode="rich",
    pretty_exceptions_enable=False,
    context_settings={"help_option_names": ["-h", "--help"]},
)
for part in (rides, garage, care, asking, wear, running):
    part.register(app)


def main() -> None:
    """Run the command line; expected trouble is one sentence on stderr and exit status 1."""
    try:
        app()
    except KeyboardInterrupt:
        err.print("gritledger: stopped; everything read so far is kept")
        sys.exit(130)
    except Exception as trouble:
        # Loaded only now: knowing every kind of trouble means loading every part, and most commands end well.
        from services.trouble import EXPECTED

        if not isinstance(trouble, EXPECTED):
            raise
        err.print(f"gritledger: {plain(str(trouble))}")
        sys.exit(1)
