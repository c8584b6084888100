"""Beyond this machine only with a passphrase: refused without, slow to guess, no cookie for scripts."""

from __future__ import annotations

from datetime import timedelta
from pathlib import Path

import pytest
from starlette.testclient import TestClient

from services.app import App
from services.session_lifetime import AT_HOME
from services.settings import SettingsError
from services.web.app import create_app
from services.web.passphrase import FREE_TRIES, SessionStore
from services.web.serve import page_server
from tests.services.web.conftest import QUICK, token_in
from tests.services.web.small_household import NOW, with_page

PASSPHRASE = "four dry words here"
LAN = "http://192.168.1.7:8765"


@pytest.fixture
def passphrase_file(tmp_path: Path) -> Path:
    file = tmp_path / "passphrase"
    file.write_text(QUICK.hash(PASSPHRASE) + "\n")
    file.chmod(0o600)
    return file


@pytest.fixture
def clock() -> list[timedelta]:
    return [timedelta()]


@pytest.fixture
def wide(shop: App, passphrase_file: Path, clock: list[timedelta]) -> TestClient:
    """The page bound to every address, asked from the local network."""
    opened = with_page(shop, host="0.0.0.0", passphrase_file=passphrase_file)
    pages = create_app(opened, clock=lambda: NOW + clock[0])
    return TestClient(pages, base_url=LAN, follow_redirects=False)


def sign_in(client: TestClient, passphrase: str = PASSPHRASE, to: str = "/") -> int:
    return client.post("/sign-in", data={"passphrase": passphrase, "to": to}).status_code


def test_it_will_not_listen_beyond_this_machine_without_a_passphrase(shop: App) -> None:
    for host in ("0.0.0.0", "::", "192.168.1.7", "chains.example"):
        with pytest.raises(SettingsError, match=r"passphrase_file names no file"):
            page_server(with_page(shop, host=host))


@pytest.mark.parametrize(
    ("text", "mode", "why"),
    [
        ("short", 0o600, "has 5 characters"),
        ("", 0o600, "has 0 characters"),
        (PASSPHRASE, 0o644, "chmod 600"),
        ("$argon2id$v=19$broken", 0o600, "not a whole argon2 hash"),
    ],
)
def test_a_file_that_would_not_protect_it_is_refused(
    shop: App, tmp_path: Path, text: str, mode: int, why: str
) -> None:
    file = tmp_path / "passphrase"
    file.write_text(text)
    file.chmod(mode)
    with pytest.raises(SettingsError, match=why):
        create_app(with_page(shop, host="0.0.0.0", passphrase_file=file))


def test_a_file_that_is_not_there_is_named(shop: App, tmp_path: Path) -> None:
    with pytest.raises(SettingsError, match="cannot be read"):
        create_app(with_page(shop, host="0.0.0.0", passphrase_file=tmp_path / "nowhere"))


def test_a_written_passphrase_opens_as_its_hash_does(shop: App, tmp_path: Path) -> None:
    file = tmp_path / "passphrase"
    file.write_text(PASSPHRASE + "\n")
    file.chmod(0o600)
    pages = create_app(with_page(shop, host="0.0.0.0", passphrase_file=file), clock=lambda: NOW)
    client = TestClient(pages, base_url=LAN, follow_redirects=False)
    assert sign_in(client, PASSPHRASE + "x") == 403
    assert sign_in(client) == 303
    assert client.get("/").status_code == 200


def test_nothing_is_shown_before_signing_in(wide: TestClient) -> None:
    for path in ("/", "/rides", "/export/rides.csv", "/chains.ics", "/why/1"):
        answer = wide.get(path)
        assert answer.status_code == 401
        assert "Say the passphrase" in answer.text
        assert "Plover" not in answer.text
    assert wide.get("/api/rides").json() == {"detail": "Sign in first."}
    assert wide.get("/api/openapi.json").status_code == 401
    assert wide.post("/care/treatment", data={"chain": "1", "kind": "drip"}).status_code == 401


def test_the_right_passphrase_opens_and_the_cookie_is_for_the_browser_alone(wide: TestClient) -> None:
    answer = wide.post("/sign-in", data={"passphrase": PASSPHRASE, "to": "/why/1"})
    assert (answer.status_code, answer.headers["location"]) == (303, "/why/1")
    cookie = answer.headers["set-cookie"].lower()
    assert "httponly" in cookie
    assert "samesite=strict" in cookie
    assert wide.get("/why/1").status_code == 200


def test_it_leads_nowhere_else(wide: TestClient) -> None:
    for to in ("//attacker.invalid", "https://attacker.invalid", "/\\attacker.invalid", "x"):
        answer = wide.post("/sign-in", data={"passphrase": PASSPHRASE, "to": to})
        assert answer.headers["location"] == "/"


def test_tokens_belong_to_their_sitting(wide: TestClient, shop: App) -> None:
    sign_in(wide)
    first = token_in(wide.get("/care").text)
    wide.cookies.clear()
    sign_in(wide)
    form = {"the_page": first, "chain": "1", "grade": "1"}
    assert wide.post("/care/wipe-test", data=form).status_code == 403
    form["the_page"] = token_in(wide.get("/care").text)
    assert wide.post("/care/wipe-test", data=form).status_code == 303


def test_signing_out_ends_the_sitting_even_for_a_copied_cookie(wide: TestClient) -> None:
    sign_in(wide)
    copied = dict(wide.cookies)
    wide.post("/sign-out", data={"the_page": token_in(wide.get("/care").text)})
    wide.cookies.update(copied)
    assert wide.get("/").status_code == 401


def test_a_sitting_runs_out(wide: TestClient, clock: list[timedelta]) -> None:
    sign_in(wide)
    assert wide.get("/").status_code == 200
    clock[0] = AT_HOME
    assert wide.get("/").status_code == 401


def test_guessing_is_slowed_down_and_the_right_one_waits_too(
    wide: TestClient, clock: list[timedelta]
) -> None:
    assert [sign_in(wide, "wrong wrong wrong") for _ in range(FREE_TRIES)] == [403] * FREE_TRIES
    answer = wide.post("/sign-in", data={"passphrase": PASSPHRASE})
    assert answer.status_code == 429
    assert int(answer.headers["Retry-After"]) >= 1
    clock[0] = timedelta(seconds=3)
    assert sign_in(wide) == 303


def test_pauses_double_up_to_a_quarter_of_an_hour() -> None:
    door, now = SessionStore(QUICK.hash(PASSPHRASE)), NOW
    pauses = []
    for _ in range(16):
        now += timedelta(seconds=door.wait_s("a", now))
        assert door.admit("a", "wrong", now) is None
        pauses.append(door.wait_s("a", now))
    assert pauses[:5] == [0.0, 0.0, 2.0, 4.0, 8.0]
    assert pauses[-1] == 900.0
    assert door.admit("b", PASSPHRASE, now) is not None


def test_a_foreign_host_name_is_refused_on_the_network_too(wide: TestClient) -> None:
    assert wide.get("/", headers={"Host": "attacker.invalid"}).status_code == 421
    assert wide.get("/", headers={"Host": "10.0.0.9:8765"}).status_code == 401
