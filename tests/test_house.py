"""The house keeps its own rules: what stands where, what a pure module may touch, how long a room may be."""

from __future__ import annotations

import ast
import itertools
import re
import sys
import tomllib
from collections.abc import Iterator
from functools import cache
from pathlib import Path

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
    "ingest/files/time_and_memory.py",
    "ingest/files/folder.py",
    "ingest/files/read_pool.py",
    "ingest/files/process_memory.py",
    "ingest/files/unpack.py",
    "ingest/ground/street_extract.py",
    "ingest/weather/http_client.py",
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
PURE_LIBRARIES = {"numpy", "scipy", "fitdecode", "gpxpy", "lxml", "shapely"}
CLOCKS = {"now", "utcnow", "today"}
CALLED_BY_LIBRARIES = {"emit", "on_any_event", "get_retry_decision"}


def name(path: Path) -> str:
    return path.relative_to(HOUSE).as_posix()


def test_the_top_level_holds_nothing_else() -> None:
    found = {
        p.name for p in HOUSE.iterdir() if not p.name.startswith(".") and p.name not in ("build", "dist")
    }

    assert {one for one in found if not one.endswith(".egg-info") and one != "__pycache__"} == TOP


@cache
def nodes(path: Path) -> tuple[ast.AST, ...]:
    """Everything that a module says, parsed once for all these tests."""
    return tuple(ast.walk(ast.parse(path.read_text(encoding="utf-8"))))


def attributes_called(path: Path) -> Iterator[ast.Call]:
    """Calls of something's own: time.now(), not now()."""
    yield from (
        node for node in nodes(path) if isinstance(node, ast.Call) and isinstance(node.func, ast.Attribute)
    )


def test_a_pure_module_imports_nothing_that_touches_the_world() -> None:
    for path in PURE:
        found = set()
        for node in nodes(path):
            if isinstance(node, ast.Import):
                found |= {alias.name for alias in node.names}
            elif isinstance(node, ast.ImportFrom) and node.module:
                found.add(node.module)

        assert not {one for one in found if one in WORLD or one.split(".")[0] in WORLD - {"http"}}, path
        outside = {one.split(".")[0] for one in found} - set(sys.stdlib_module_names) - {"ingest", "rules"}
        assert outside <= PURE_LIBRARIES, path


def test_a_pure_module_asks_no_clock_and_opens_nothing() -> None:
    for path in PURE:
        assert not [c for c in attributes_called(path) if c.func.attr in CLOCKS], path  # type: ignore[attr-defined]
        named = {c.func.id for c in nodes(path) if isinstance(c, ast.Call) and isinstance(c.func, ast.Name)}
        assert not named & {"open", "print", "input"}, path


def test_a_module_is_one_room() -> None:
    for path in MODULES:
        assert path.stem not in ("utils", "helpers", "common", "misc", "util", "helper"), path
        assert len(path.read_text(encoding="utf-8").splitlines()) <= 420, path


def test_nothing_of_the_product_is_there_for_tests_alone() -> None:
    """Every function and class is named somewhere else in the product: by a call, an import, a template."""
    named = set()
    for path in MODULES:
        for node in nodes(path):
            if isinstance(node, ast.Name) and isinstance(node.ctx, ast.Load):
                named.add(node.id)
            elif isinstance(node, ast.Attribute):
                named.add(node.attr)
            elif isinstance(node, ast.ImportFrom) and path.name != "__init__.py":
                named |= {alias.name for alias in node.names}
    for template in (HOUSE / "services" / "web" / "templates").glob("*.html"):
        named |= set(re.findall(r"\w+", template.read_text(encoding="utf-8")))
    written = (HOUSE / "pyproject.toml").read_text(encoding="utf-8")
    named |= set(re.findall(r":(\w+)", written))

    alone = {
        f"{name(path)}: {node.name}"
        for path in MODULES
        for node in nodes(path)
        if isinstance(node, ast.FunctionDef | ast.AsyncFunctionDef | ast.ClassDef)
        if not node.decorator_list and not node.name.startswith("__") and node.name not in CALLED_BY_LIBRARIES
        if node.name not in named and "migrations" not in path.parts
    }
    assert alone == set()


def test_screens_keep_no_fact_themselves() -> None:
    """Whatever is said on a screen goes through a use case, and so through the gate and the log."""
    screens = [one for one in MODULES if name(one).startswith(("services/cli/", "services/web/"))]
    assert len(screens) > 50
    for path in screens:
        assert "writing" not in {one.attr for one in nodes(path) if isinstance(one, ast.Attribute)}, path


def test_the_readme_has_its_two_commands_and_ci_runs_the_second() -> None:
    readme = (HOUSE / "README.md").read_text(encoding="utf-8")

    assert readme.count("\n```sh\n") == 2
    assert "README.md" in (HOUSE / ".ci" / "run").read_text(encoding="utf-8")


def test_the_versions_of_the_gate_are_pinned_and_both_commands_use_them() -> None:
    pinned = {}
    for line in (HOUSE / ".ci" / "constraints.txt").read_text(encoding="utf-8").splitlines():
        assert re.fullmatch(r"[A-Za-z0-9._-]+==[A-Za-z0-9.+!_-]+", line), line
        name, _, version = line.partition("==")
        pinned[re.sub(r"[-_.]+", "-", name).lower()] = version
    project = tomllib.loads((HOUSE / "pyproject.toml").read_text(encoding="utf-8"))["project"]
    asked = [*project["dependencies"], *itertools.chain(*project["optional-dependencies"].values())]
    names = {re.sub(r"[-_.]+", "-", re.match(r"[A-Za-z0-9._-]+", one)[0]).lower() for one in asked}  # type: ignore[index]

    assert names - {"gritledger"} <= pinned.keys()
    readme = (HOUSE / "README.md").read_text(encoding="utf-8")
    assert readme.count("--constraint .ci/constraints.txt") == 2


def test_ci_runs_the_whole_gate() -> None:
    run = (HOUSE / ".ci" / "run").read_text(encoding="utf-8")

    for command in (
        "ruff format --check .",
        "ruff check .",
        "mypy",
        "lint-imports",
        "--cov=rules",
        "pip wheel",
    ):
        assert command in run


def what_can_fail(function: ast.AST) -> set[str]:
    """What a function calls by name, and 'assert' where it says so itself."""
    found = set()
    for node in ast.walk(function):
        if isinstance(node, ast.Assert):
            found.add("assert")
        elif isinstance(node, ast.Call):
            called = node.func.attr if isinstance(node.func, ast.Attribute) else getattr(node.func, "id", "")
            found.add("assert" if called.startswith("assert") else called)
    return found


def test_every_test_asserts_something() -> None:
    """A test can fail by what it says: an assert, an expectation, or a helper that has one."""
    functions = [
        (f"{path.name}: {node.name}", node.name, what_can_fail(node))
        for path in (HOUSE / "tests").rglob("*.py")
        for node in ast.walk(ast.parse(path.read_text(encoding="utf-8")))
        if isinstance(node, ast.FunctionDef)
    ]
    failing, more = set(), {"assert", "raises", "warns", "expect"}
    while not more <= failing:
        failing |= more
        more = {name for _, name, calls in functions if not name.startswith("test_") and calls & failing}

    tests = [(where, calls) for where, name, calls in functions if name.startswith("test_")]
    assert len(tests) > 1000
    assert [where for where, calls in tests if not calls & failing] == []


def test_no_time_is_told_by_the_machines_zone() -> None:
    """A rider's ledger says the same on every machine."""
    for path in MODULES:
        for call in attributes_called(path):
            assert call.func.attr != "astimezone" or call.args or call.keywords, path  # type: ignore[attr-defined]
