"""What tests share: a thread a worker, memory as the program treats it, hypothesis settled, quick ledgers.

Where everything is installed, nothing is skipped.
"""

from __future__ import annotations

import gc
import math
import os
import sys
from collections.abc import Generator, Iterator

import psutil
import pytest
from hypothesis import settings as hypothesis_settings

# Before numpy is loaded: every worker has a core, and threads that wait for each other burn the others' time.
os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")

# What is loaded stays, and there is much of it: looking through it again and again took a seventh of the
# processor's time. The numbers are those of services.cli.as_it_runs.
gc.set_threshold(200_000, 2)

# The same 40 examples of everything at every run; more of them: GRITLEDGER_TESTS_LONG=20.
LONG = int(os.environ.get("GRITLEDGER_TESTS_LONG", "1"))
hypothesis_settings.register_profile("repeatable", derandomize=True, deadline=None, max_examples=40 * LONG)
hypothesis_settings.load_profile("repeatable")

MUST_NOT_SKIP = os.environ.get("GRITLEDGER_TESTS_MUST_NOT_SKIP") == "1"
# Real people's rides are never part of the project, so only those who have such a folder run these.
MAY_STILL_SKIP = "GRITLEDGER_CORPUS"


@pytest.fixture(scope="session", autouse=True)
def quick_ledgers(tmp_path_factory: pytest.TempPathFactory) -> Iterator[None]:
    """New ledgers are copies of one that was migrated, and wait for no disk; see tests/quick_ledgers.py."""
    if "services.store.store" not in sys.modules:  # none of the tests chosen keeps anything
        yield
        return
    from tests.quick_ledgers import quick

    with quick(tmp_path_factory.mktemp("migrated")):
        yield


@pytest.hookimpl(optionalhook=True)
def pytest_xdist_auto_num_workers() -> int | None:
    """-n auto: three workers for two cores, as a quarter of the time is waiting, for browsers and servers."""
    if "PYTEST_XDIST_AUTO_NUM_WORKERS" in os.environ:
        return None  # somebody said how many
    return math.ceil(1.5 * (psutil.cpu_count(logical=False) or 1))


def pytest_collection_modifyitems(config: pytest.Config, items: list[pytest.Item]) -> None:
    """Where many work, what a browser does comes first: it takes longest, and nobody waits for it at last."""
    if hasattr(config, "workerinput"):
        items.sort(key=lambda item: "browser" not in getattr(item, "fixturenames", ()))


def pytest_collection_finish() -> None:
    """What was loaded and collected is not garbage before the end: it is looked through this once."""
    gc.collect()
    gc.freeze()


@pytest.hookimpl(wrapper=True)
def pytest_runtest_makereport(
    item: pytest.Item, call: pytest.CallInfo[None]
) -> Generator[None, pytest.TestReport, pytest.TestReport]:
    """Where everything is installed, a skipped test is a failed one: a hidden skip is a check nobody runs."""
    report = yield
    if (
        MUST_NOT_SKIP
        and report.skipped
        and not hasattr(report, "wasxfail")
        and MAY_STILL_SKIP not in str(report.longrepr)
    ):
        report.outcome = "failed"
        report.longrepr = f"{item.nodeid} was skipped where nothing may be: {report.longrepr}"
    return report
