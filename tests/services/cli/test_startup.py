"""A command loads what it needs: what a glance at the ledger must never wait for."""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

import pytest

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
    "services.messages.words",
    "rich.progress",
)
CODE = """
import sys
from services.cli.program import run
status = run(sys.argv[1:])
print("loaded:", *sorted(name for name in {names!r} if name in sys.modules))
sys.exit(status)
"""


@pytest.mark.parametrize("words", [("due",), ("rides",), ("why", "1"), ("list", "settings")])
def test_a_glance_at_the_ledger_loads_nothing_heavy(tmp_path: Path, words: tuple[str, ...]) -> None:
    home = ["--home", str(tmp_path)]
    code = CODE.format(names=HEAVY)
    (tmp_path / "settings.toml").write_text('[channels]\ncalendar_file = "chains.ics"\n')
    open_app(tmp_path).store.close()  # a ledger that needs no migration

    looked = subprocess.run(
        [sys.executable, "-c", code, *words, *home], capture_output=True, text=True, check=False
    )

    assert looked.returncode == (1 if "why" in words else 0), looked.stderr  # there is no reminder yet
    assert looked.stdout.splitlines()[-1] == "loaded:"
