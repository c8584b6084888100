"""Which home, and whose settings: what is typed wins over the environment, and the demo sees neither."""

from __future__ import annotations

import os
import subprocess
import sys
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[2]


def run(*words: str, **environment: str) -> subprocess.CompletedProcess[str]:
    """The command line as a process of its own."""
    clean = {name: value for name, value in os.environ.items() if not name.startswith("GRITLEDGER_")}
    return subprocess.run(
        [sys.executable, "-c", "from services.cli import main; main()", *words],
        env={**clean, "PYTHONPATH": str(ROOT), **environment},
        capture_output=True,
        text=True,
        timeout=120,
        check=False,
        cwd=ROOT,
    )


def homes(place: Path) -> set[str]:
    """The homes that hold a ledger."""
    return {path.parent.name for path in place.glob("*/gritledger.db")}


@pytest.mark.parametrize(
    ("typed", "variable", "written"),
    [
        ("b", "a", {"b"}),
        ("b", None, {"b"}),
        (None, "a", {"a"}),
        (None, None, {"gritledger"}),
    ],
    ids=["both", "typed", "variable", "neither"],
)
def test_a_home_that_is_typed_wins(
    tmp_path: Path, typed: str | None, variable: str | None, written: set[str]
) -> None:
    words = ["--home", str(tmp_path / typed)] if typed else []
    named = {"GRITLEDGER_HOME": str(tmp_path / variable)} if variable else {}

    said = run("add", "rider", "Bee", *words, XDG_DATA_HOME=str(tmp_path), **named)

    assert said.returncode == 0, said.stderr
    assert homes(tmp_path) == written


def test_the_demo_touches_nothing_of_a_riders(tmp_path: Path) -> None:
    own = tmp_path / "own"
    assert run("add", "rider", "Bee", "--home", str(own)).returncode == 0
    before = (own / "gritledger.db").read_bytes()
    theirs = {
        "GRITLEDGER_HOME": str(own),
        "GRITLEDGER_DATABASE": f"sqlite:///{own / 'gritledger.db'}",
        "GRITLEDGER_WATCH": f'[{{"folder": "{own}"}}]',
        "GRITLEDGER_CHANNELS__MAIL_FOLDER": str(own / "mail"),
        "GRITLEDGER_CHANNELS__COMMAND__ARGV": f'["touch", "{own / "called"}"]',
    }

    said = run("demo", TMPDIR=str(tmp_path), **theirs)

    assert said.returncode == 0, said.stderr
    assert (own / "gritledger.db").read_bytes() == before
    assert {path.name for path in own.iterdir()} <= {
        "gritledger.db",
        "gritledger.db-shm",
        "gritledger.db-wal",
    }
    (made,) = homes(tmp_path) - {"own"}
    assert (tmp_path / made / "mail").is_dir()


def test_a_password_alone_sets_up_no_mail(tmp_path: Path) -> None:
    secret = {"GRITLEDGER_CHANNELS__MAIL__PASSWORD": "a secret"}

    assert run("due", "--home", str(tmp_path / "a"), **secret).returncode == 0
    (tmp_path / "b").mkdir()
    (tmp_path / "b" / "settings.toml").write_text(
        '[channels.mail]\nhost = "mail.example.org"\nuser = "iva"\nsender = "iva@example.org"\n'
    )
    told = run("settings", "--home", str(tmp_path / "b"), **secret)
    assert told.returncode == 0, told.stderr
    assert "mail.example.org" in told.stdout
    assert "a secret" not in told.stdout
