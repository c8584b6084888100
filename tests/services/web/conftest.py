"""A small household for the page's tests: built once, copied for each test that changes it."""

from __future__ import annotations

import shutil
import threading
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path

import pytest
import uvicorn
from anyio.from_thread import start_blocking_portal
from argon2 import PasswordHasher
from playwright.sync_api import Browser
from starlette.testclient import TestClient

from services.app import App
from services.use_cases import passwords, sign_in
from services.web import passphrase
from services.web.app import create_app
from services.wiring import open_app
from tests.services.web.browser import a_browser
from tests.services.web.small_household import NOW, settle

HERE = "http://127.0.0.1:8765"
QUICK = PasswordHasher(time_cost=1, memory_cost=64, parallelism=1)


@pytest.fixture(autouse=True, scope="session")
def cheap_passwords() -> Iterator[None]:
    """Hashes at the least cost; that the program itself pays the full one, test_club_access holds."""
    with pytest.MonkeyPatch.context() as patched:
        for module in (passphrase, passwords, sign_in):
            patched.setattr(module, "PasswordHasher", lambda: QUICK)
        yield


@pytest.fixture(autouse=True, scope="session")
def one_loop() -> Iterator[None]:
    """Every page is asked in one loop, as by a server; else each request begins and ends one of its own."""
    with start_blocking_portal("asyncio") as portal, pytest.MonkeyPatch.context() as patched:
        patched.setattr(TestClient, "portal", portal)
        yield


@pytest.fixture(scope="session")
def browser() -> Iterator[Browser]:
    """One Chromium; each test opens a tab of its own, which shares nothing with the others."""
    with a_browser() as opened:
        yield opened


@pytest.fixture(scope="session")
def settled_home(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A home folder in which two weeks have happened. Read it, or copy it."""
    home = tmp_path_factory.mktemp("household")
    settle(home).store.close()
    return home


@pytest.fixture
def shop(settled_home: Path, tmp_path: Path) -> Iterator[App]:
    """A household of one's own to change."""
    home = tmp_path / "home"
    shutil.copytree(settled_home, home)
    app = open_app(home)
    yield app
    app.store.close()


@pytest.fixture(scope="module")
def shared_shop(settled_home: Path) -> Iterator[App]:
    """The household as it was settled, for tests that only look."""
    app = open_app(settled_home)
    yield app
    app.store.close()


@pytest.fixture
def page(shop: App) -> TestClient:
    """The page of a household to change, asked as a browser of this machine would."""
    return TestClient(create_app(shop, clock=lambda: NOW), base_url=HERE, follow_redirects=True)


@pytest.fixture(scope="module")
def look(shared_shop: App) -> TestClient:
    """The page of the settled household, to look at."""
    return TestClient(create_app(shared_shop, clock=lambda: NOW), base_url=HERE, follow_redirects=True)


@dataclass(frozen=True)
class Served:
    """A running page."""

    url: str
    shop: App


@contextmanager
def serving(shop: App) -> Iterator[Served]:
    """The page on a free port of this machine, in a thread, with the household's clock."""
    config = uvicorn.Config(
        create_app(shop, clock=lambda: NOW), host="127.0.0.1", port=0, log_level="warning", access_log=False
    )
    server = uvicorn.Server(config)
    thread = threading.Thread(target=server.run, daemon=True)
    thread.start()
    deadline = time.monotonic() + 60
    while not server.started and time.monotonic() < deadline:
        time.sleep(0.02)
    assert server.started, "the page did not start within a minute"
    port = server.servers[0].sockets[0].getsockname()[1]
    try:
        yield Served(f"http://127.0.0.1:{port}", shop)
    finally:
        server.should_exit = True
        thread.join(10)


@pytest.fixture
def served(shop: App) -> Iterator[Served]:
    """A running page of a household to change."""
    with serving(shop) as running:
        yield running


@pytest.fixture(scope="module")
def served_to_look(shared_shop: App) -> Iterator[Served]:
    """A running page of the settled household."""
    with serving(shared_shop) as running:
        yield running


@pytest.fixture
def token(page: TestClient) -> Callable[[], str]:
    """The token that the page's forms carry."""
    return lambda: token_in(page.get("/care").text)


def token_in(html: str) -> str:
    """The token of the first form on a page."""
    return html.partition('name="the_page" value="')[2].partition('"')[0]
