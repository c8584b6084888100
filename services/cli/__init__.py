"""The command line, loaded when it is run: who is only started by it, as a reader is, needs none of it."""

from __future__ import annotations


def main() -> None:
    """Run the command line and end the process with its status."""
    import sys

    from services.cli.program import run

    sys.exit(run(sys.argv[1:]))
