"""The command line, loaded when it is run: who is only started by it, as a reader is, needs none of it."""

from __future__ import annotations


def main() -> None:
    """Run the command line and end the process with its status."""
    import gc
    import os
    import sys

    # Before numpy is loaded: matrices are small here, and threads that wait for each other burn a core.
    os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")
    gc.set_threshold(50_000)  # what is loaded stays: looking through it again and again costs a tenth of it
    from services.cli.program import run

    sys.exit(run(sys.argv[1:]))
