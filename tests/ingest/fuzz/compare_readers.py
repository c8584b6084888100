"""Compares the fast readers with the reference readers, input by input.

    python -m tests.ingest.fuzz.compare_readers --inputs 5000 --seed 1

Prints how many inputs ended how, and the first differences; ends with 1 when there is any.
"""

from __future__ import annotations

import argparse
import sys
from collections import Counter
from random import Random

from tests.ingest.fuzz import fit_differences, fit_inputs


def fit_run(inputs: int, seed: int) -> tuple[Counter[str], int, list[str]]:
    """How do that many seeded FIT inputs end? Outcomes, rows compared, and each difference with its seed."""
    sound = fit_inputs.sound_files()
    outcomes: Counter[str] = Counter()
    rows, found = 0, []
    for number in range(inputs):
        random = Random(f"{seed} {number}")
        kind = "structure" if number % 2 else "mutation"
        data = (
            fit_inputs.structure(random) if number % 2 else fit_inputs.mutated(random, random.choice(sound))
        )
        comparison = fit_differences.compare(data)
        outcomes[f"{kind}: {comparison.outcome}"] += 1
        rows += comparison.rows
        found.extend(f"{kind} '{seed} {number}': {line}" for line in comparison.differences)
    return outcomes, rows, found


def main() -> int:
    """Runs the comparison that the arguments ask for."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--inputs", type=int, default=5000)
    parser.add_argument("--seed", type=int, default=1)
    arguments = parser.parse_args()
    outcomes, rows, found = fit_run(arguments.inputs, arguments.seed)
    print(f"FIT, {arguments.inputs} inputs, {rows} records")
    for outcome, count in sorted(outcomes.items()):
        print(f"  {count:6}  {outcome}")
    for line in found[:40]:
        print("  DIFFERENCE", line)
    print(f"  {len(found)} differences")
    return 1 if found else 0


if __name__ == "__main__":
    sys.exit(main())
