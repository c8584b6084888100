"""A newcomer in a real browser: from an empty home to a real reminder in a real mailbox, no file edited."""

from __future__ import annotations

import os
import signal
import time
from collections.abc import Iterator
from contextlib import nullcontext
from datetime import UTC, datetime, timedelta
from pathlib import Path

import httpx
import pytest
from playwright.sync_api import Browser, Page, Route

from services.settings import SETTINGS_FILE
from tests import forked
from tests.held_port import held_port
from tests.mail_server import MailServer, mail_server
from tests.services.web.browser import a_tab
from tests.services.web.small_household import fit_ride

PATIENCE_S = 120.0


@pytest.fixture
def files(tmp_path: Path) -> list[Path]:
    """Two hours on each of ten days, by the same power meter: more than a film of wax bears."""
    folder = tmp_path / "from the head unit"
    folder.mkdir()
    for day in range(10):
        start = datetime.now(UTC).replace(microsecond=0) - timedelta(days=12 - day)
        (folder / f"{start:%Y-%m-%d-%H%M}.fit").write_bytes(fit_ride(start, sensor=11, seconds=7200))
    return sorted(folder.iterdir())


@pytest.fixture
def port() -> Iterator[int]:
    with held_port() as held:
        yield held


@pytest.fixture
def program(tmp_path: Path, port: int) -> Iterator[str]:
    """`gritledger` alone, with an empty home; only the test's own port and no network are set before."""
    home = tmp_path / "home"
    home.mkdir()
    (home / SETTINGS_FILE).write_text(f'[page]\nport = {port}\n[weather]\narchive = "none"\n')
    surroundings = os.environ | {"GRITLEDGER_HOME": str(home), "DISPLAY": "", "BROWSER": ""}
    running = forked.Program(forked.COMMAND_LINE, env=surroundings, one_stream=True)
    url = f"http://127.0.0.1:{port}"
    until = time.monotonic() + PATIENCE_S
    while time.monotonic() < until:
        try:
            httpx.get(url, timeout=30.0)
            break
        except httpx.TransportError:
            time.sleep(0.2)
    yield url
    running.send_signal(signal.SIGTERM)
    running.wait(60)


def noon_zone() -> str:
    """A clock by which it is about noon now, so that no quiet hours hold the reminder back."""
    ahead = 12 - datetime.now(UTC).hour
    return f"Etc/GMT{-ahead:+d}" if ahead else "Etc/UTC"


def first_hour(page: Page, files: list[Path], post: MailServer, *, scripts: bool) -> None:
    held: list[Route] = []  # a slow line: who is quick has chosen before the script is there
    page.route("**/drop*.js", lambda route: held.append(route), times=1)
    page.goto("/")
    page.get_by_role("link", name="Begin").click()
    page.get_by_label("Rider", exact=True).fill("Nele")
    page.get_by_label("Rides are told by the clock of").fill(noon_zone())
    with page.expect_request("**/drop*.js") if scripts else nullcontext():
        page.get_by_role("button", name="That is us").click()
    chosen = page.locator("input[name=file]")
    if scripts:
        chosen.set_input_files(files)
        with page.expect_navigation(url="**/begin/files", timeout=PATIENCE_S * 1000):
            held[0].continue_()
    else:
        chosen.set_input_files(files)
        page.get_by_role("button", name="Read them").click()
        page.wait_for_load_state()  # the link stands below the first of the page that comes
        while page.get_by_role("link", name="How far is it now?").count():
            page.get_by_role("link", name="How far is it now?").click()
            page.wait_for_load_state()
    assert "10 new rides." in page.locator("main").inner_text()
    page.get_by_role("link", name="Go on").click()
    page.get_by_label("What is this bike called?").fill("Courser")
    page.get_by_role("button", name="All 10 rides were on that bike").click()
    page.get_by_role("link", name="Go on").click()
    page.get_by_label("What do you call its chain?").fill("First")
    page.get_by_label("hot-melt wax").check()
    page.get_by_label("a month ago").check()
    page.get_by_role("button", name="This chain is on Courser").click()
    page.get_by_role("link", name="Go on").click()
    page.get_by_label("Nele’s address").fill("nele@plateau.example")
    page.locator("summary").filter(has_text="The outgoing server").click()
    page.locator("[name='channels.mail.host']").fill("localhost")
    page.get_by_label("Port", exact=True).fill(str(post.port))
    page.get_by_label("Encryption").select_option("loopback only")
    page.locator("[name='channels.mail.sender']").fill("Chains <chains@plateau.example>")
    page.get_by_role("button", name="Keep, and send a test").click()
    assert "The server took the test to nele@plateau.example" in page.locator(".flash").inner_text()
    page.get_by_label("Folder to watch").fill("rides")
    page.get_by_label("make it, if it is not there").check()
    page.get_by_role("button", name="Watch it").click()
    page.get_by_role("link", name="Done; open the overview").click()


@pytest.mark.slow
@pytest.mark.parametrize("scripts", [True, False], ids=["scripts", "no scripts"])
def test_a_newcomer_gets_a_real_reminder_without_a_terminal(
    browser: Browser, program: str, files: list[Path], scripts: bool
) -> None:
    with mail_server(security="none") as post:
        with a_tab(browser, program, scripts=scripts) as page:
            page.set_default_timeout(60_000)
            first_hour(page, files, post, scripts=scripts)
            assert "Courser" in page.locator("main").inner_text()
        until = time.monotonic() + PATIENCE_S
        while len(post.received) < 2 and time.monotonic() < until:
            time.sleep(0.5)

    test, reminder = (str(one.message["Subject"]) for one in post.received)
    assert "test" in test
    assert "Courser" in reminder or "First" in reminder
