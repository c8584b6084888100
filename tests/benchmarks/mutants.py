"""Random small mistakes in the pure modules: which of them do the tests that run those lines notice?

python -m tests.benchmarks.mutants [--count 60] [--seed 1] [rules ingest/ride ...]

Each mistake is one comparison, sign, bound or number made another, inside a function. First the tests are run
once to see which of them reach which line; then every mistake is tried in a process of its own against the
tests that reach its line. Those that no test notices are printed, to be killed by a test or explained.
"""

from __future__ import annotations

import argparse
import ast
import contextlib
import copy
import importlib.machinery
import io
import os
import random
import sys
import tempfile
import time
from collections.abc import Iterator
from pathlib import Path
from types import CodeType

import coverage
import pytest

OTHER: dict[type, type] = {
    ast.Lt: ast.LtE, ast.LtE: ast.Lt, ast.Gt: ast.GtE, ast.GtE: ast.Gt, ast.Eq: ast.NotEq, ast.NotEq: ast.Eq,
    ast.Is: ast.IsNot, ast.IsNot: ast.Is, ast.In: ast.NotIn, ast.NotIn: ast.In, ast.Add: ast.Sub,
    ast.Sub: ast.Add, ast.Mult: ast.Div, ast.Div: ast.Mult, ast.And: ast.Or, ast.Or: ast.And,
}  # fmt: skip
PURE = ("rules", "ingest/ride", "ingest/bikes", "ingest/ground")
OURS = ("rules", "ingest", "services", "fixtures", "tests")
# Without rewriting of asserts: it would load anew, from disk, a module whose name ends as a test's does.
FIRST_FAILURE = ("-x", "-q", "--assert=plain", "-p", "no:cacheprovider")
MOST_S = 120  # a mistake that makes a loop endless is noticed too


def places(tree: ast.Module) -> Iterator[ast.AST]:
    """Every node in a function that can be made another: not annotations, defaults or texts."""
    for function in ast.walk(tree):
        if isinstance(function, ast.FunctionDef):
            for statement in function.body:
                for node in ast.walk(statement):
                    if isinstance(
                        node, ast.Compare | ast.BinOp | ast.AugAssign | ast.BoolOp | ast.IfExp | ast.If
                    ) or (isinstance(node, ast.Constant) and type(node.value) in (int, float, bool)):
                        yield node


def changed(node: ast.AST) -> str | None:
    """Make the node another, in place; what was done, None = it has no other."""
    match node:
        case ast.Compare(ops=[operator]) if type(operator) in OTHER:
            node.ops = [OTHER[type(operator)]()]
        case ast.BinOp(op=operator) | ast.AugAssign(op=operator) if type(operator) in OTHER:
            node.op = OTHER[type(operator)]()
        case ast.BoolOp(op=operator):
            node.op = OTHER[type(operator)]()
        case ast.If() | ast.IfExp():
            node.test = ast.copy_location(ast.UnaryOp(ast.Not(), node.test), node.test)
        case ast.Constant(value=bool(value)):
            node.value = not value
        case ast.Constant(value=value):
            node.value = value + 1  # type: ignore[operator]
        case _:
            return None
    ast.fix_missing_locations(node)
    return ast.unparse(node).splitlines()[0]


def reach(folders: list[str], data: Path) -> dict[tuple[str, int], set[str]]:
    """Which test files reach which line."""
    watcher = coverage.Coverage(data_file=str(data), source=folders, config_file=False)
    watcher.start()
    with contextlib.redirect_stdout(io.StringIO()):
        pytest.main(
            ["-q", "-p", "no:cacheprovider", *(f"tests/{one}" for one in folders)], plugins=[Names(watcher)]
        )
    watcher.stop()
    found: dict[tuple[str, int], set[str]] = {}
    kept = watcher.get_data()
    for file in kept.measured_files():
        for line, names in kept.contexts_by_lineno(file).items():
            found[(os.path.relpath(file), line)] = {name for name in names if name}
    return found


class Names:
    """Tells coverage which test is running; what a file works out while it is collected is all its tests'."""

    def __init__(self, watcher: coverage.Coverage) -> None:
        self.watcher = watcher

    def pytest_collectstart(self, collector: pytest.Collector) -> None:
        if isinstance(collector, pytest.Module):
            self.watcher.switch_context(collector.nodeid)

    def pytest_runtest_logstart(self, nodeid: str) -> None:
        self.watcher.switch_context(nodeid.partition("[")[0])


def survives(file: str, index: int, tests: set[str]) -> bool:
    """Whether no test fails with this mistake, in a process of its own."""
    child = os.fork()
    if child == 0:
        os.dup2(os.open(os.devnull, os.O_WRONLY), 1)
        os.dup2(1, 2)
        name = file.removesuffix(".py").removesuffix("/__init__").replace("/", ".")
        tree = ast.parse(Path(file).read_text())
        changed(list(places(tree))[index])
        new = compile(tree, str(Path(file).resolve()), "exec")
        for one in [one for one in sys.modules if one.split(".")[0] in OURS]:
            del sys.modules[one]
        sys.meta_path.insert(0, Mistaken(name, new))
        os._exit(int(pytest.main([*FIRST_FAILURE, *sorted(tests)])))
    give_up = time.monotonic() + MOST_S
    while time.monotonic() < give_up:
        ended, status = os.waitpid(child, os.WNOHANG)
        if ended:
            return status == 0
        time.sleep(0.02)
    os.kill(child, 9)
    os.waitpid(child, 0)
    return False


class Mistaken:
    """Imports one module from code of our own."""

    def __init__(self, name: str, code: CodeType) -> None:
        self.name, self.code = name, code

    def find_spec(self, name: str, path: object = None, target: object = None) -> object:
        if name != self.name:
            return None
        spec = importlib.machinery.PathFinder.find_spec(name, path)  # type: ignore[arg-type]
        assert spec is not None
        assert spec.loader is not None
        spec.loader.get_code = lambda _: self.code  # type: ignore[attr-defined]
        return spec


def main() -> None:
    """Prints every mistake and what became of it."""
    options = argparse.ArgumentParser()
    options.add_argument("--count", type=int, default=60)
    options.add_argument("--seed", type=int, default=1)
    options.add_argument("folders", nargs="*", default=list(PURE))
    chosen = options.parse_args()
    dice = random.Random(chosen.seed)
    with tempfile.TemporaryDirectory() as folder:
        reached = reach(chosen.folders, Path(folder) / "data")
    every = []
    for file in sorted({name for name, _ in reached}):
        tree = ast.parse(Path(file).read_text())
        for index, node in enumerate(places(tree)):
            if changed(copy.deepcopy(node)) is not None and reached.get((file, node.lineno)):  # type: ignore[attr-defined]
                every.append((file, index, node))
    alive = 0
    for file, index, node in dice.sample(every, chosen.count):
        before = ast.unparse(node).splitlines()[0]
        after = changed(copy.deepcopy(node))
        line = node.lineno  # type: ignore[attr-defined]
        survived = survives(file, index, reached[file, line])
        alive += survived
        print(f"{'ALIVE ' if survived else 'killed'} {file}:{line}  {before}  ->  {after}", flush=True)
    print(f"{chosen.count - alive} of {chosen.count} killed, of {len(every)} possible")


if __name__ == "__main__":
    main()
