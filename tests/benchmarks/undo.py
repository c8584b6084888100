"""Undo, on many random sequences: what remains must be what was said and not unsaid. Seeds are drawn anew.

python -m tests.benchmarks.undo --sequences 2000 --words 15
    python -m tests.benchmarks.undo --sequences 2000 --words 15 --bikes-move
"""

from __future__ import annotations

import argparse
import random
import shutil
import tempfile
import time
from collections import Counter
from pathlib import Path

from rules.commands import COMMANDS
from services.store import FactRefused
from tests.services.use_cases.test_undo import MOVES_BIKES, check, ridden_home

ALL_OCCUR_IN = 500  # sequences: every command stands in some of them, and is undone in some


def main() -> None:
    """Print how many sequences held, and the seeds of those that did not."""
    asked = argparse.ArgumentParser(description=__doc__)
    asked.add_argument("--sequences", type=int, default=200)
    asked.add_argument("--words", type=int, default=15, help="things said or unsaid in each")
    asked.add_argument("--seed", type=int, default=None, help="the first; drawn anew by default")
    asked.add_argument("--bikes-move", action="store_true", help="with sensors and new bikes")
    options = asked.parse_args()
    first = options.seed if options.seed is not None else random.SystemRandom().randrange(10**9)
    place = Path(tempfile.mkdtemp(prefix="gritledger-undo-"))
    counted: Counter[str] = Counter()
    stood: Counter[type] = Counter()
    undone: Counter[type] = Counter()
    broken: list[int] = []
    begun = time.monotonic()
    ridden = ridden_home(place / "ridden")
    for seed in range(first, first + options.sequences):
        home = place / str(seed)
        try:
            told = check(ridden, home, seed, options.words, bikes_move=options.bikes_move)
        except (AssertionError, FactRefused):
            broken.append(seed)
        else:
            counted.update(standing=len(told.standing), refused=told.refused, undone=told.undone.total())
            stood, undone = stood + told.stood, undone + told.undone
        shutil.rmtree(home, ignore_errors=True)
    print(f"{options.sequences} sequences of {options.words} words from seed {first}: {len(broken)} broken")
    print(f"standing at the end, refused, undone: {dict(counted)}")
    print(f"broken: {broken}; {time.monotonic() - begun:.0f} s")
    print("stood, undone:", ", ".join(f"{one.__name__} {stood[one]}, {undone[one]}" for one in COMMANDS))
    shutil.rmtree(place)
    meant = set(COMMANDS) - (set() if options.bikes_move else set(MOVES_BIKES))
    if options.sequences >= ALL_OCCUR_IN:
        assert all(stood[one] and undone[one] for one in meant), (
            "a command that never stood, or was never undone"
        )


if __name__ == "__main__":
    main()
