"""A real browser for the page's tests, which may talk to this machine alone."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from urllib.parse import urlsplit

import pytest
from playwright.sync_api import Browser, Page, expect, sync_playwright

CHROMIUM = Path("/usr/bin/chromium")
QUIET = (
    "--no-sandbox",
    "--disable-gpu",
    "--disable-background-networking",
    "--disable-component-update",
    "--disable-sync",
)
BUSY_MS = 30_000  # a machine with much else to do is slow, not wrong
WHAT_TO_INSTALL = "no Chromium at /usr/bin/chromium: install it (Debian: apt-get install chromium)"
expect.set_options(timeout=BUSY_MS)


@contextmanager
def a_browser() -> Iterator[Browser]:
    """Chromium without a window. Skips, and says what to install, where there is none."""
    if not CHROMIUM.exists():
        pytest.skip(WHAT_TO_INSTALL)
    with sync_playwright() as playwright:
        browser = playwright.chromium.launch(executable_path=str(CHROMIUM), args=list(QUIET))
        try:
            yield browser
        finally:
            browser.close()


@contextmanager
def a_tab(
    browser: Browser, url: str, *, scripts: bool = True, width: int = 1200, dark: bool = False
) -> Iterator[Page]:
    """A tab that must ask nobody but this machine, break no policy, and throw nothing: checked at its end."""
    context = browser.new_context(
        base_url=url,
        java_script_enabled=scripts,
        viewport={"width": width, "height": 800},
        color_scheme="dark" if dark else "light",
        reduced_motion="reduce",  # smooth scrolling would move what is about to be pointed at
    )
    context.set_default_timeout(BUSY_MS)
    page = context.new_page()
    strangers: list[str] = []
    complaints: list[str] = []
    context.on(
        "request",
        lambda asked: None if urlsplit(asked.url).hostname == "127.0.0.1" else strangers.append(asked.url),
    )
    page.on("console", lambda said: complaints.append(said.text) if said.type == "error" else None)
    page.on("pageerror", lambda error: complaints.append(str(error)))
    try:
        yield page
    finally:
        context.close()
    assert strangers == []
    assert complaints == []
