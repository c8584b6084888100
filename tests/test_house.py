"""The house keeps its own rules: what stands where, what a pure module may touch, how long a room may be."""

from __future__ import annotations

import ast
import sys
from pathlib import Path

import pytest

HOUSE = Path(__file__).parents[1]
TOP = {
    "README.md",
    "DEVELOPERS.md",
    "LICENSE",
    "pyproject.toml",
    "ingest",
    "rules",
    "services",
    "tests",
    "fixtures",
}
MODULES = sorted(
    path for part in ("ingest", "rules", "services", "fixtures") for path in (HOUSE / part).rglob("*.py")
)
# Reading a file or asking an archive is these modules' work; all else in ingest, and all of rules, is pure.
MAY_TOUCH_THE_WORLD = {
    "ingest/files/folder.py",
    "ingest/files/read_pool.py",
    "ingest/files/unpack.py",
    "ingest/ground/street_extract.py",
    "ingest/weather/asking.py",
    "ingest/weather/local_file.py",
}
PURE = [
    path
    for path in MODULES
    if path.relative_to(HOUSE).parts[0] in ("ingest", "rules")
    and path.relative_to(HOUSE).as_posix() not in MAY_TOUCH_THE_WORLD
]
# Standard modules that read a clock, a disk, a network, dice, the environment or another process.
WORLD = {
    "os", "io", "pathlib", "shutil", "tempfile", "glob", "socket", "ssl", "http", "urllib.request", "smtplib",
    "time", "random", "secrets", "uuid", "subprocess", "threading", "multiprocessing", "asyncio", "logging",
    "sqlite3", "signal", "getpass", "platform", "warnings", "locale",
}  # fmt: skip
PURE_LIBRARIES = {"numpy", "fitdecode", "gpxpy", "lxml", "shapely"}
CLOCKS = {"now", "utcnow", "today"}


def name(path: Path) -> str:
    return path.relative_to(HOUSE).as_posix()


def test_the_top_level_holds_nothing_else() -> None:
    found = {
        p.name for p in HOUSE.iterdir() if not p.name.startswith(".") and p.name not in ("build", "dist")
    }

    assert {one for one in found if not one.endswith(".egg-info") and one != "__pycache__"} == TOP


@pytest.mark.parametrize("path", PURE, ids=name)
def test_a_pure_module_imports_nothing_that_touches_the_world(path: Path) -> None:
    tree = ast.parse(path.read_text(encoding="utf-8"))
    found = set()
    for node in ast.walk(tree):
        if isinstance(node, ast.Import):
            found |= {alias.name for alias in node.names}
        elif isinstance(node, ast.ImportFrom) and node.module:
            found.add(node.module)

    assert not {one for one in found if one in WORLD or one.split(".")[0] in WORLD - {"http"}}
    outside = {one.split(".")[0] for one in found} - set(sys.stdlib_module_names) - {"ingest", "rules"}
    assert outside <= PURE_LIBRARIES


@pytest.mark.parametrize("path", PURE, ids=name)
def test_a_pure_module_asks_no_clock_and_opens_nothing(path: Path) -> None:
    calls = [
        node.func
        for node in ast.walk(ast.parse(path.read_text(encoding="utf-8")))
        if isinstance(node, ast.Call)
    ]

    assert not [c for c in calls if isinstance(c, ast.Attribute) and c.attr in CLOCKS]
    assert not [c for c in calls if isinstance(c, ast.Name) and c.id in ("open", "print", "input")]


@pytest.mark.parametrize("path", MODULES, ids=name)
def test_a_module_is_one_room(path: Path) -> None:
    assert path.stem not in ("utils", "helpers", "common", "misc", "util", "helper")
    assert len(path.read_text(encoding="utf-8").splitlines()) <= 420


@pytest.mark.parametrize(
    "path",
    [
        one
        for one in MODULES
        if one.relative_to(HOUSE).parts[:2] in (("services", "cli"), ("services", "web"))
    ],
    ids=name,
)
def test_screens_keep_no_fact_themselves(path: Path) -> None:
    """Whatever is said on a screen goes through a use case, and so through the gate and the log."""
    calls = [
        node
        for node in ast.walk(ast.parse(path.read_text(encoding="utf-8")))
        if isinstance(node, ast.Attribute)
    ]

    assert "writing" not in {one.attr for one in calls}


def test_the_readme_has_its_two_commands_and_ci_runs_the_second() -> None:
    readme = (HOUSE / "README.md").read_text(encoding="utf-8")

    assert readme.count("\n```sh\n") == 2
    assert "README.md" in (HOUSE / ".ci" / "run").read_text(encoding="utf-8")
