"""What every test shares: hypothesis settled, and the promise that a full machine skips nothing."""

from __future__ import annotations

import os
from collections.abc import Generator

import pytest
from hypothesis import settings as hypothesis_settings

hypothesis_settings.register_profile("repeatable", derandomize=True, deadline=None)
hypothesis_settings.load_profile("repeatable")

MUST_NOT_SKIP = os.environ.get("GRITLEDGER_TESTS_MUST_NOT_SKIP") == "1"
# Real people's rides are never part of the project, so only those who have such a folder run these.
MAY_STILL_SKIP = "GRITLEDGER_CORPUS"


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
