"""Which home, and whose settings: what is typed wins over the environment, and the demo sees neither."""

from __future__ import annotations

import os
import subprocess
import sys
from pathlib import Path

import pytest

from services.wiring import open_app

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


def test_the_demos_tools_see_no_environment(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """The gate runs the whole demo as a process among such variables; here are the settings it gets."""
    monkeypatch.setenv("GRITLEDGER_DATABASE", f"sqlite:///{tmp_path / 'own.db'}")
    monkeypatch.setenv("GRITLEDGER_WATCH", f'[{{"folder": "{tmp_path}"}}]')
    monkeypatch.setenv("GRITLEDGER_CHANNELS__MAIL_FOLDER", str(tmp_path / "mail"))

    seen = open_app(tmp_path / "a").settings
    unseen = open_app(tmp_path / "b", environment=False).settings

    assert (seen.database_url, len(seen.watch)) == (f"sqlite:///{tmp_path / 'own.db'}", 1)
    assert unseen.database_url == f"sqlite:///{tmp_path / 'b' / 'gritledger.db'}"
    assert (unseen.watch, unseen.channels.mail_folder) == ([], None)


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
