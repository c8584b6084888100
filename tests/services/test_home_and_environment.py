"""Which home, and whose settings: what is typed wins over the environment, the demo sees neither, and
no variable is passed over in silence."""

from __future__ import annotations

import os
import subprocess
import tempfile
from pathlib import Path

import pytest

from fixtures.household.scenario import Household
from services.cli.program import run as run_here
from services.running import demo as running_demo
from services.running.demo import SETTINGS as DEMO_SETTINGS
from services.settings import SettingsError
from services.use_cases.import_rides import FileOutcome
from services.wiring import open_app
from tests import forked


def run(*words: str, **environment: str) -> subprocess.CompletedProcess[str]:
    """The command line as a process of its own."""
    clean = {name: value for name, value in os.environ.items() if not name.startswith("GRITLEDGER_")}
    return forked.run(forked.COMMAND_LINE, *words, env={**clean, **environment})


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


@pytest.mark.parametrize("place", ["before", "behind"])
def test_an_empty_home_is_not_the_working_folder(place: str, capsys: pytest.CaptureFixture[str]) -> None:
    words = ["--home", "", "due"] if place == "before" else ["due", "--home", ""]
    assert run_here(words) == 2
    assert "--home: it is empty; name a folder, or leave it out. See: gritledger" in capsys.readouterr().err


def test_a_home_that_is_new_says_where_it_is(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """A slip in --home is a new home: what it does not know must not be taken for peace."""
    assert run_here(["due", "--home", str(tmp_path / "slip")]) == 0
    assert f"{tmp_path / 'slip'} knows nobody yet" in capsys.readouterr().out


def test_bytes_that_are_no_text_are_told_in_a_sentence(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert run_here(["rides", "--text", "\udcff", "--home", str(tmp_path)]) == 1
    assert (
        capsys.readouterr().err == "gritledger: what was typed holds bytes that are no text; type it anew\n"
    )


@pytest.mark.parametrize("variable", ["a", None], ids=["and a home", "alone"])
@pytest.mark.parametrize("typed", ["b", None], ids=["typed", "not typed"])
def test_a_database_that_a_variable_names_is_that_of_every_home_and_is_said_to_be(
    tmp_path: Path, typed: str | None, variable: str | None
) -> None:
    """A home is a folder with settings; where the ledger lies is one of them, and a variable wins over it."""
    words = ["--home", str(tmp_path / typed)] if typed else []
    named = {"GRITLEDGER_HOME": str(tmp_path / variable)} if variable else {}
    named |= {"GRITLEDGER_DATABASE": f"sqlite:///{tmp_path / 'own.db'}", "XDG_DATA_HOME": str(tmp_path)}

    assert run("add", "rider", "Bee", *words, **named).returncode == 0

    assert (tmp_path / "own.db").exists()
    assert homes(tmp_path) == set()
    told = run("list", "settings", *words, **named).stdout
    assert "GRITLEDGER_DATABASE" in told
    assert f"{typed or variable or 'gritledger'}/settings.toml" in "".join(told.split())


@pytest.mark.parametrize("variables", [(), ("HOME",), ("DATABASE",), ("HOME", "DATABASE")], ids=" and ".join)
@pytest.mark.parametrize("typed", [True, False], ids=["typed", "not typed"])
def test_the_demo_lives_where_it_is_told_to_or_in_a_new_folder_whatever_variables_say(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, typed: bool, variables: tuple[str, ...]
) -> None:
    """Up to where its ledger is made; the gate runs all of it as a process among such variables."""
    made: list[Path] = []
    places = {"HOME": str(tmp_path / "a"), "DATABASE": f"sqlite:///{tmp_path / 'own.db'}"}
    for name in variables:
        monkeypatch.setenv(f"GRITLEDGER_{name}", places[name])
    monkeypatch.setattr(tempfile, "tempdir", str(tmp_path))

    def no_household(home: Path, **_: object) -> Household:
        made.append(home)
        home.mkdir(exist_ok=True)
        return Household(*((),) * 10, "", "")

    def no_rides(*_: object) -> list[FileOutcome]:
        raise SettingsError("far enough")

    monkeypatch.setattr(running_demo, "build", no_household)
    monkeypatch.setattr(running_demo, "_import", no_rides)

    assert run_here(["demo", *(["--home", str(tmp_path / "b")] if typed else [])]) == 1

    assert made[0] == tmp_path / "b" if typed else made[0].name.startswith("gritledger-demo-")
    assert homes(tmp_path) == {made[0].name}
    assert not (tmp_path / "own.db").exists()


def test_a_home_that_is_closed_to_variables_sees_none(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The gate runs the whole demo as a process among such variables; here are the settings it gets."""
    (tmp_path / "b").mkdir()
    (tmp_path / "b" / "settings.toml").write_text(DEMO_SETTINGS)
    monkeypatch.setenv("GRITLEDGER_DATABASE", f"sqlite:///{tmp_path / 'own.db'}")
    monkeypatch.setenv("GRITLEDGER_WATCH", f'[{{"folder": "{tmp_path}"}}]')
    monkeypatch.setenv("GRITLEDGER_CHANNELS__MAIL_FOLDER", str(tmp_path / "mail"))

    seen = open_app(tmp_path / "a").settings
    unseen = open_app(tmp_path / "b").settings

    assert (seen.database_url, len(seen.watch)) == (f"sqlite:///{tmp_path / 'own.db'}", 1)
    assert unseen.database_url == f"sqlite:///{tmp_path / 'b' / 'gritledger.db'}"
    assert [watched.folder for watched in unseen.watch] == [tmp_path / "b" / "rides"]
    assert unseen.channels.mail_folder == tmp_path / "b" / "mail"


@pytest.mark.parametrize("by_variable", [True, False], ids=["by variable", "typed"])
def test_a_command_in_the_demos_home_writes_there_and_nowhere_else(tmp_path: Path, by_variable: bool) -> None:
    """What the demo's last lines recommend, by a rider whose own database is named by a variable."""
    demo, own = tmp_path / "demo", tmp_path / "own.db"
    demo.mkdir()
    (demo / "settings.toml").write_text(DEMO_SETTINGS)
    words = [] if by_variable else ["--home", str(demo)]
    variables = {"GRITLEDGER_DATABASE": f"sqlite:///{own}"}
    if by_variable:
        variables["GRITLEDGER_HOME"] = str(demo)

    said = run("add", "rider", "Bee", *words, **variables)

    assert said.returncode == 0, said.stderr
    assert (demo / "gritledger.db").exists()
    assert not own.exists()
    told = run("list", "settings", *words, **variables)
    assert "GRITLEDGER_DATABASE (not read here: use_variables = false)" in told.stdout


@pytest.mark.parametrize(
    ("variable", "value", "said"),
    [
        ("GRITLEDGER_DATABSE", "sqlite:///x.db", "did you mean GRITLEDGER_DATABASE?"),
        ("GRITLEDGER_MANNERS__BEDTIME", "22:00", "did you mean GRITLEDGER_QUIET_HOURS__BEDTIME?"),
        ("GRITLEDGER_XYZZY", "1", "one of use_variables, database"),
        ("GRITLEDGER_QUIET_HOURS__BEDTME", "22:00", "did you mean 'bedtime'?"),
        ("GRITLEDGER_PAGE__PORT", "eight", "'page.port' cannot be 'eight': a whole number is wanted"),
        ("GRITLEDGER_PAGE", '{"prt": 1}', "did you mean 'port'?"),
        ("GRITLEDGER_WATCH", "abc", "write it as JSON"),
    ],
)
def test_a_variable_that_cannot_count_is_named_not_passed_over(
    tmp_path: Path, variable: str, value: str, said: str
) -> None:
    """Nothing is made then: a misspelt database must not become a ledger somewhere else."""
    refused = run("add", "rider", "Bee", "--home", str(tmp_path / "a"), **{variable: value})

    assert refused.returncode == 1
    assert variable in refused.stderr
    assert said in " ".join(refused.stderr.split())
    assert "settings.toml" not in refused.stderr
    assert homes(tmp_path) == set()


def test_a_password_alone_sets_up_no_mail(tmp_path: Path) -> None:
    secret = {"GRITLEDGER_CHANNELS__MAIL__PASSWORD": "a secret"}

    assert run("due", "--home", str(tmp_path / "a"), **secret).returncode == 0
    (tmp_path / "b").mkdir()
    (tmp_path / "b" / "settings.toml").write_text(
        '[channels.mail]\nhost = "mail.example.org"\nuser = "iva"\nsender = "iva@example.org"\n'
    )
    told = run("list", "settings", "--home", str(tmp_path / "b"), **secret)
    assert told.returncode == 0, told.stderr
    assert "mail.example.org" in told.stdout
    assert "a secret" not in told.stdout
