"""What a glance at the ledger costs from start to end, on the demo, and which packages it goes into.

    python -m tests.benchmarks.starting [HOME OF A DEMO]

Processor seconds (user + system) of whole processes, the least of five. The share of a package is the time
its modules take to load, the least of five, of all that is loaded.
"""

from __future__ import annotations

import os
import subprocess
import sys
import tempfile
from collections import Counter
from datetime import UTC, datetime
from pathlib import Path

from services.running.demo import run_demo

GLANCES = (["due"], ["rides"], ["why", "1"], ["why", "Quartz"])
TIMES = 5
TOP = 8
CODE = "from services.cli import main; main()"


def started(words: list[str], home: Path, *flags: str) -> tuple[float, str]:
    """Processor seconds of a command, and what it wrote to stderr."""
    # Compiled modules are kept, as they are for whoever has installed it.
    env = {name: value for name, value in os.environ.items() if name != "PYTHONDONTWRITEBYTECODE"}
    before = os.times()
    said = subprocess.run(
        [sys.executable, *flags, "-c", CODE, *words, "--home", str(home)],
        env=env,
        capture_output=True,
        text=True,
        check=True,
    )
    after = os.times()
    spent = after.children_user - before.children_user + after.children_system - before.children_system
    return spent, said.stderr


def loading(words: list[str], home: Path) -> Counter[str]:
    """Microseconds of loading, by package; ours by room."""
    least: dict[str, int] = {}
    for _ in range(TIMES):
        for line in started(words, home, "-X", "importtime")[1].splitlines():
            own, _, module = (part.strip() for part in line.removeprefix("import time:").split("|"))
            if own.isdecimal():
                least[module] = min(int(own), least.get(module, sys.maxsize))
    by_package: Counter[str] = Counter()
    for module, own_us in least.items():
        ours = module.startswith(("ingest.", "rules.", "services."))
        by_package[".".join(module.split(".")[: 2 if ours else 1])] += own_us
    return by_package


def main() -> None:
    """Print the tables."""
    with tempfile.TemporaryDirectory() as folder:
        home = Path(sys.argv[1] if len(sys.argv) > 1 else folder)
        if len(sys.argv) == 1:
            run_demo(home, now=datetime.now(UTC), on_progress=lambda *_: None)
        started(["due"], home)
        for words in GLANCES:
            print(f"{' '.join(words):12} {min(started(words, home)[0] for _ in range(TIMES)):6.2f} s")
        shares = loading(["due"], home)
        for package, own_us in shares.most_common(TOP):
            print(f"{package:24} {own_us / shares.total():6.0%}")


if __name__ == "__main__":
    main()
