"""The command line, loaded when it is run: who is only started by it, as a reader is, needs none of it."""

from __future__ import annotations


def as_it_runs() -> None:
    """Settle how this process treats memory and cores, before numpy is loaded."""
    import gc
    import os

    # Matrices are small here, and threads that wait for each other burn every core;
    # with them, years of rides took five times as long to import (tests/benchmarks/importing.py, two cores).
    os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")
    # What is loaded stays: looking through it again and again costs a tenth of it. What comes after waits no
    # longer than with 50 000 and the usual ten.
    gc.set_threshold(200_000, 2)


def main() -> None:
    """Run the command line and end the process with its status."""
    import gc
    import sys

    as_it_runs()
    from services.cli.program import run

    status = run(sys.argv[1:])
    gc.freeze()  # the system takes all memory back at once; freeing it piece by piece costs half of a glance
    sys.exit(status)
