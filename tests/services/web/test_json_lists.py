"""Every command that lists or shows, as JSON: plain numbers, units in the keys, offsets in the times."""

from __future__ import annotations

import json
import re
from collections.abc import Iterator
from datetime import datetime
from pathlib import Path
from typing import Any

import pytest
import typer.main

from rules.vocabulary import RideId
from services.app import App
from services.cli.lists import What
from services.cli.program import commands, run

# What each command is asked; whatever shows something is here.
SHOWS: dict[str, tuple[str, ...]] = {
    "due": ("",),
    "why": ("1", "Plover"),
    "rides": ("", "--unsure", "1"),
    "list": tuple(What),
    "outlook": ("", "Plover", "--weights"),
    "what-if": ("--on Plover --word wet", "--limit drip=1", "--year"),
    "tomorrow": ("rain --hours 2",),
    "wear": ("", "Plover", "--compare"),
    "trial": ("",),
    "wax-night": ("",),
    "supplies": ("",),
    "limits": ("",),
    "health": ("",),
    "assign": ("1 Plover --preview",),
    "correct": ("1 --like wet --preview",),
    "backup": (),  # wants a copy to look through: see below
    "club list": (),  # wants a club's database: see tests/services/cli/test_club.py
}
# What does something, and says what it did.
ACTS = {
    *("import", "undo", "log", "measure", "done", "put-off"),
    *("add rider", "add bike", "add chain", "add sensor", "add ride", "change", "fit", "take-off"),
    *("demo", "watch", "page", "restore"),
    *("club prepare", "club add", "club invite", "club take-in", "club give-back", "club send", "club work"),
    *("club move", "club new-password"),
}
UNITS = ("_h", "_m", "_s", "_mm", "_mps", "_pct", "_share", "_per_day", "_deg", "_probability")
QUANTITY = re.compile(r"[-+~]?[\d.,]+ ?(km|m|mm|h|min|s|%|g|ml|°C|km/h|grit-hours|drive hours)")
TIME = re.compile(r"\d{4}-\d\d-\d\d[T ]\d\d:\d\d\S*")


def every_command() -> Iterator[tuple[str, Any]]:
    for name, one in typer.main.get_command(commands).commands.items():  # type: ignore[attr-defined]
        inside = getattr(one, "commands", None)
        yield from (
            [(name, one)] if inside is None else ((f"{name} {part}", it) for part, it in inside.items())
        )


def test_whatever_shows_something_shows_it_to_programs_too() -> None:
    with_json = {name for name, one in every_command() if "--json" in {o for p in one.params for o in p.opts}}

    assert with_json == set(SHOWS)
    assert {name for name, _ in every_command()} - with_json == ACTS


@pytest.mark.parametrize(
    "words", [f"{name} {asked}".split() for name, every in SHOWS.items() for asked in every], ids=" ".join
)
def test_what_is_shown_is_json_for_programs(
    shared_shop: App, capsys: pytest.CaptureFixture[str], words: list[str]
) -> None:
    status = run([*words, "--json", "--home", str(shared_shop.settings.home)])
    said = capsys.readouterr()
    assert (status, said.err) == (0, "") or words == ["health"]
    found = json.loads(said.out, parse_constant=lambda word: pytest.fail(f"{word} is no JSON"))

    check("", found)
    rows = found if isinstance(found, list) else []
    assert all(list(row) == list(rows[0]) for row in rows)
    assert found or words in (["supplies"], ["list", "changes"], ["limits"], ["what-if", "--year"])


def check(key: str, value: Any) -> None:
    """Numbers are numbers, and their key says of what; a time says by which clock."""
    match value:
        case dict():
            for name, one in value.items():
                check(name, one)
        case list():
            for one in value:
                check(key, one)
        case str():
            assert not QUANTITY.fullmatch(value), (key, value)
            assert not key.endswith(UNITS), (key, value)
            if TIME.fullmatch(value):
                assert datetime.fromisoformat(value).utcoffset() is not None, (key, value)
        case int() | float() if not isinstance(value, bool):
            assert "km" not in key or "per_1000_km" in key, key
    if key.endswith("_at") and value is not None:
        assert TIME.fullmatch(value), (key, value)


def test_times_are_those_of_the_rider(shop: App, capsys: pytest.CaptureFixture[str]) -> None:
    home = str(shop.settings.home)
    assert run(["change", "Ines", "--zone", "America/La_Paz", "--home", home]) == 0
    capsys.readouterr()

    assert run(["rides", "--json", "--home", home]) == 0
    assert {one["started_at"][-6:] for one in json.loads(capsys.readouterr().out)} == {"-04:00"}


def test_verdicts_name_what_they_are_about(shared_shop: App, capsys: pytest.CaptureFixture[str]) -> None:
    home = str(shared_shop.settings.home)
    assert run(["what-if", "--on", "Plover", "--word", "wet", "--json", "--home", home]) == 0
    (moved,) = json.loads(capsys.readouterr().out)["moved"]
    assert moved["chain"] == "Plover's chain"
    assert moved["after"]["grit_h"] > moved["before"]["grit_h"]
    assert run(["rides", "1", "--json", "--home", home]) == 0
    (ride,) = json.loads(capsys.readouterr().out)
    assert sum(one["ridden"]["distance_m"] for one in ride["hours"]) == pytest.approx(
        ride["distance_m"], rel=0.01
    )


def test_what_a_copy_holds_and_what_a_table_matches_are_json_too(
    shop: App, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    home = ("--home", str(shop.settings.home))
    assert run(["backup", "--to", str(tmp_path), *home]) == 0
    (copy,) = tmp_path.glob("*.db.gz")
    with shop.store.reading() as tx:
        first, rides = tx.rides.ride(RideId(1)), tx.rides.count()
    capsys.readouterr()

    assert run(["backup", "--verify", str(copy), "--json", *home]) == 0
    found = json.loads(capsys.readouterr().out)
    assert (found["path"], found["faults"]) == (str(copy), [])
    assert found["inside"]["rows"]["recordings of rides"] >= rides

    own = tmp_path / "own.csv"
    own.write_text(f"Date,Bicycle\n{first.started_at:%Y-%m-%d %H:%M},Plover\n")
    table = ("assign", "--table", str(own), "--time", "Date", "--bike", "Bicycle")
    assert run([*table, "--preview", "--json", *home]) == 0
    found = json.loads(capsys.readouterr().out)
    assert found["matched"] == [{"ride": 1, "bike": "Plover"}]
    assert isinstance(found["changes"]["sentences"], list)
    with shop.store.reading() as tx:
        assert tx.rides.ride(RideId(1)) == first


@pytest.mark.parametrize("words", ["assign 1 Plover", "correct 1 --like wet", "backup"])
def test_what_acts_is_told_to_people_alone(
    shared_shop: App, capsys: pytest.CaptureFixture[str], words: str
) -> None:
    assert run([*words.split(), "--json", "--home", str(shared_shop.settings.home)]) == 2
    assert "give both" in capsys.readouterr().err
