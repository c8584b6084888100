"""Silent clients shut nobody out; guesses sent together are counted; an address is one server's alone."""

from __future__ import annotations

import socket
import threading
import time
from collections.abc import Iterator
from concurrent.futures import ThreadPoolExecutor
from contextlib import contextmanager

import httpx
import pytest

from services.app import App
from services.settings import SettingsError
from services.web import idle_connections
from services.web.passphrase import FREE_TRIES, SessionStore
from services.web.serve import page_server
from tests.held_port import held_port
from tests.services.web.conftest import QUICK
from tests.services.web.small_household import NOW, with_page


@pytest.fixture
def free() -> Iterator[int]:
    """A port for a page to be served at."""
    with held_port() as held:
        yield held


@pytest.fixture
def port(shop: App, free: int) -> Iterator[int]:
    """The page as it is really served."""
    server = page_server(with_page(shop, port=free))
    thread = threading.Thread(target=server.run, daemon=True)
    thread.start()
    deadline = time.monotonic() + 60
    while not server.started and time.monotonic() < deadline:
        time.sleep(0.02)
    assert server.started
    yield free
    server.should_exit = True
    thread.join(10)


HALVES = {
    "nothing at all": b"",
    "half a head": b"GET / HTTP/1.1\r\nHost: 127.0.0.1\r\nX-Slow: ",
    "half a body": b"POST /care HTTP/1.1\r\nHost: 127.0.0.1\r\nContent-Length: 400\r\n\r\nchain=",
}


@contextmanager
def silent_clients(port: int, words: bytes, count: int) -> Iterator[list[socket.socket]]:
    opened = []
    try:
        for _ in range(count):
            one = socket.create_connection(("127.0.0.1", port), timeout=60)
            one.sendall(words)
            opened.append(one)
        yield opened
    finally:
        for one in opened:
            one.close()


@pytest.mark.parametrize("words", HALVES.values(), ids=HALVES)
def test_300_silent_connections_shut_nobody_out(port: int, words: bytes) -> None:
    with silent_clients(port, words, 300):
        for _ in range(3):
            assert httpx.get(f"http://127.0.0.1:{port}/", timeout=60).status_code == 200


@pytest.mark.parametrize("words", HALVES.values(), ids=HALVES)
def test_a_client_that_stays_silent_is_hung_up_on(
    port: int, words: bytes, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(idle_connections, "SILENT_FOR_S", 0.3)
    with silent_clients(port, words, 1) as (one,):
        one.settimeout(60)
        ended = b""
        try:
            while part := one.recv(4096):
                ended += part
        except ConnectionResetError:
            pass  # hung up on
        assert b" 200 " not in ended


def test_a_client_that_goes_on_slowly_is_heard_out(port: int, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(idle_connections, "SILENT_FOR_S", 1.3)
    with silent_clients(port, b"", 1) as (one,):
        for part in (b"GET / HTTP/1.1\r\n", b"Host: 127", f".0.0.1:{port}\r\n".encode(), b"\r\n"):
            time.sleep(0.4)
            one.sendall(part)
        assert one.recv(15).startswith(b"HTTP/1.1 200")


def test_guesses_sent_together_are_checked_no_oftener_than_one_by_one() -> None:
    store = SessionStore(QUICK.hash("four dry words here"))
    checked = []
    right = store._right
    store._right = lambda word: (checked.append(word), right(word))[1]  # type: ignore[method-assign]
    with ThreadPoolExecutor(20) as pool:
        answers = list(pool.map(lambda n: store.admit("10.0.0.9", f"guess {n}", NOW), range(60)))
    assert answers == [None] * 60
    assert len(checked) == FREE_TRIES
    assert store.wait_s("10.0.0.9", NOW) > 0


def test_an_address_belongs_to_the_first_that_takes_it(shop: App, free: int) -> None:
    first = page_server(with_page(shop, port=free))
    with pytest.raises(SettingsError, match="is it served already"):
        page_server(with_page(shop, port=free))
    first._bound.close()
    page_server(with_page(shop, port=free))._bound.close()
