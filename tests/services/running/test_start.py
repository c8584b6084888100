"""`gritledger` alone: the page, in a browser where there is one, and the watching behind it."""

from __future__ import annotations

import os
import sys
from collections.abc import Iterator
from pathlib import Path

import httpx
import pytest

from services.settings import SETTINGS_FILE
from tests import forked
from tests.held_port import held_port
from tests.services.running.test_watch import Watching

pytestmark = pytest.mark.skipif(sys.platform == "win32", reason="ends a process by a POSIX signal")


def started(home: Path, **variables: str) -> Watching:
    """The program as a newcomer starts it, in surroundings of the test's own."""
    one = Watching.__new__(Watching)
    one.lines = []
    screens = ("DISPLAY", "WAYLAND_DISPLAY", "BROWSER")
    clean = {name: value for name, value in os.environ.items() if name not in screens}
    one.begin([], clean | {"GRITLEDGER_HOME": str(home), "PYTHONUNBUFFERED": "1", **variables})
    return one


@pytest.fixture
def home(tmp_path: Path) -> Iterator[Path]:
    home = tmp_path / "home"
    home.mkdir()
    with held_port() as port:
        (home / SETTINGS_FILE).write_text(f'[page]\nport = {port}\n[weather]\narchive = "none"\n')
        yield home


def address(home: Path) -> str:
    port = (home / SETTINGS_FILE).read_text().split("port = ")[1].split()[0]
    return f"http://127.0.0.1:{port}"


def test_without_a_browser_it_says_what_to_type_and_watches(home: Path) -> None:
    one = started(home)
    try:
        one.says(f"type {address(home)} into one on this machine")
        one.says("ssh -N -L ")
        one.says("No folder is watched yet")
        assert httpx.get(address(home), timeout=30.0).status_code == 200
    finally:
        assert one.end() == 0


def test_the_browser_of_the_rider_is_opened_at_the_page_once_it_answers(home: Path, tmp_path: Path) -> None:
    opened = tmp_path / "opened"
    program = tmp_path / "a-browser"
    program.write_text(
        f"#!{sys.executable}\nimport sys, urllib.request\n"
        f"status = urllib.request.urlopen(sys.argv[1]).status\n"
        f"open({str(opened)!r}, 'w').write(f'{{sys.argv[1]}} {{status}}')\n"
    )
    program.chmod(0o755)
    one = started(home, BROWSER=str(program))
    try:
        one.says("It is open in your browser")
        one.until(opened.exists)
        one.until(lambda: opened.read_text() == f"{address(home)} 200")

        second = started(home, BROWSER=str(program))
        second.says("It is open in your browser")
        assert second.process.wait(60) == 0
    finally:
        assert one.end() == 0


def test_a_home_may_stand_before_or_behind_a_command_and_the_one_behind_counts(tmp_path: Path) -> None:
    before, behind = str(tmp_path / "before"), str(tmp_path / "behind")

    forked.run(forked.COMMAND_LINE, "--home", before, "add", "rider", "Ines")
    forked.run(forked.COMMAND_LINE, "--home", before, "add", "rider", "Maro", "--home", behind)

    listed = {
        home: forked.run(forked.COMMAND_LINE, "--home", home, "list", "riders").stdout
        for home in (before, behind)
    }
    assert ("Ines" in listed[before], "Maro" in listed[before]) == (True, False)
    assert ("Ines" in listed[behind], "Maro" in listed[behind]) == (False, True)
