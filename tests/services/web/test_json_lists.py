"""Every list of the command line as JSON: plain numbers, units in the keys, offsets in the times."""

from __future__ import annotations

import json
from datetime import datetime
from typing import Any

import pytest

from services.app import App
from services.cli.program import run

LISTS = tuple(
    tuple(words.split())
    for words in [
        "due",
        "outlook",
        "rides",
        "rides --unsure",
        "list files",
        "list bikes",
        "list chains",
        "list sensors",
        "list changes",
        "wear",
    ]
)
UNITS = ("_h", "_m", "_km", "_pct", "_share", "_per_day")


@pytest.mark.parametrize("words", LISTS, ids=" ".join)
def test_a_list_is_json_for_programs(
    shared_shop: App, capsys: pytest.CaptureFixture[str], words: tuple[str, ...]
) -> None:
    assert run([*words, "--json", "--home", str(shared_shop.settings.home)]) == 0
    rows = json.loads(capsys.readouterr().out)

    assert rows
    for row in rows:
        assert list(row) == list(rows[0])
        for key, value in row.items():
            check(key, value)


def check(key: str, value: Any) -> None:
    if value is None:
        return
    if key.endswith("_at") or (key in ("at", "by") and "T" in str(value)):
        assert datetime.fromisoformat(value).utcoffset() is not None, (key, value)
    elif key.endswith(UNITS) or key in ("total", "limit", "used", "rides", "ride"):
        assert isinstance(value, int | float), (key, value)
        assert not isinstance(value, bool)


def test_times_are_those_of_the_rider(shop: App, capsys: pytest.CaptureFixture[str]) -> None:
    home = str(shop.settings.home)
    assert run(["change", "Ines", "--zone", "America/La_Paz", "--home", home]) == 0
    capsys.readouterr()

    assert run(["rides", "--json", "--home", home]) == 0
    assert {one["started_at"][-6:] for one in json.loads(capsys.readouterr().out)} == {"-04:00"}


def test_health_is_json_too(shared_shop: App, capsys: pytest.CaptureFixture[str]) -> None:
    assert run(["health", "--json", "--home", str(shared_shop.settings.home)]) in (0, 1)
    found = json.loads(capsys.readouterr().out)
    assert {"about", "fine", "sentence", "try_this"} == set(found[0])
