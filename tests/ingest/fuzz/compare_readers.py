"""Compares the fast readers with the reference readers, input by input.

    python -m tests.ingest.fuzz.compare_readers --inputs 5000 --seed 1

Prints how many inputs ended how, and the first differences; ends with 1 when there is any.
"""

from __future__ import annotations

import argparse
import os
import sys
from collections import Counter
from collections.abc import Sequence
from pathlib import Path
from random import Random
from types import ModuleType

from tests.ingest.fuzz import fit_differences, fit_inputs, gpx_differences, gpx_inputs

READERS: dict[str, tuple[ModuleType, ModuleType]] = {
    "fit": (fit_inputs, fit_differences),
    "gpx": (gpx_inputs, gpx_differences),
}


def run(kind: str, inputs: int, seed: int, real: Sequence[bytes] = ()) -> tuple[Counter[str], int, list[str]]:
    """How do that many seeded inputs end? Outcomes, samples compared, and each difference with its seed.

    real: files to damage besides the invented ones.
    """
    make, differ = READERS[kind]
    sound = [*make.sound_files(), *real]
    outcomes: Counter[str] = Counter()
    rows, found = 0, []
    for number in range(inputs):
        random = Random(f"{seed} {number}")
        origin = "structure" if number % 2 else "mutation"
        data = make.structure(random) if number % 2 else make.mutated(random, random.choice(sound))
        comparison = differ.compare(data)
        outcomes[f"{origin}: {comparison.outcome}"] += 1
        rows += comparison.rows
        found.extend(f"{origin} '{seed} {number}': {line}" for line in comparison.differences)
    return outcomes, rows, found


def little_real_files(kind: str) -> list[bytes]:
    """The little ones among the real files, when GRITLEDGER_CORPUS names a folder of them."""
    folder = os.environ.get("GRITLEDGER_CORPUS")
    paths = sorted(Path(folder, kind).glob(f"*.{kind}")) if folder else []
    return [path.read_bytes() for path in paths if path.stat().st_size < 30_000]


def main() -> int:
    """Runs the comparison that the arguments ask for."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--inputs", type=int, default=5000, help="of each kind")
    parser.add_argument("--seed", type=int, default=1)
    arguments = parser.parse_args()
    worst = 0
    for kind in READERS:
        real = little_real_files(kind)
        outcomes, rows, found = run(kind, arguments.inputs, arguments.seed, real)
        print(f"{kind}: {arguments.inputs} inputs (damaged copies of {len(real)} real files among them)")
        print(f"  {rows} samples compared, {len(found)} differences")
        for outcome, count in sorted(outcomes.items()):
            print(f"  {count:6}  {outcome}")
        for line in found[:40]:
            print("  DIFFERENCE", line)
        worst = max(worst, len(found))
    return 1 if worst else 0


if __name__ == "__main__":
    sys.exit(main())
