"""A command loads what it needs: what a glance at the ledger must never wait for."""

from __future__ import annotations

import os
import subprocess
import sys
from pathlib import Path

from services.wiring import open_app

HEAVY = (
    "alembic",
    "numpy",
    "fastapi",
    "jinja2",
    "httpx",
    "lxml",
    "scipy",
    "fitdecode",
    "uvicorn",
    "fixtures",
    "icalendar",
    "sqlalchemy.dialects.postgresql",
    "ingest.ground",
    "services.messages.reminder_text",
    "rich.progress",
)
GLANCES = (("due",), ("rides",), ("why", "1"), ("list", "settings"))
# One process for all: whoever loads something, it stays loaded, and what is named after is theirs.
CODE = """
import sys
from services.cli.program import run
for words in {glances!r}:
    status = run([*words, *sys.argv[1:]])
    print("loaded:", *words, status, *sorted(name for name in {names!r} if name in sys.modules))
"""


def test_a_glance_at_the_ledger_loads_nothing_heavy(tmp_path: Path) -> None:
    home = ["--home", str(tmp_path)]
    code = CODE.format(names=HEAVY, glances=GLANCES)
    (tmp_path / "settings.toml").write_text('[channels]\ncalendar_file = "chains.ics"\n')
    open_app(tmp_path).store.close()  # a ledger that needs no migration

    looked = subprocess.run([sys.executable, "-c", code, *home], capture_output=True, text=True, check=False)

    said = [line for line in looked.stdout.splitlines() if line.startswith("loaded:")]
    # There is no reminder yet, so 'why' has nothing to say.
    assert said == [f"loaded: {' '.join(words)} {int('why' in words)}" for words in GLANCES], looked.stderr


def test_a_command_works_its_small_matrices_on_one_thread_unless_told_otherwise() -> None:
    code = "import os; from services.cli import program, main; program.run = print_and_end; main()"
    say = 'def print_and_end(words): print(os.environ["OPENBLAS_NUM_THREADS"])\n'
    found = {}
    for said in (None, "3"):
        around = {key: value for key, value in os.environ.items() if key != "OPENBLAS_NUM_THREADS"}
        told = around if said is None else around | {"OPENBLAS_NUM_THREADS": said}
        run = subprocess.run(
            [sys.executable, "-c", f"import os\n{say}{code}"], capture_output=True, text=True, env=told
        )
        assert run.returncode == 0, run.stderr
        found[said] = run.stdout.strip()
    assert found == {None: "1", "3": "3"}
