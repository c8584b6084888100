"""Who may ask and who may change: hosts, origins, tokens, headers, sizes; and no secret is shown."""

from __future__ import annotations

import logging

import pytest
from starlette.testclient import TestClient

from services.app import App
from services.web.app import create_app
from services.web.guard import is_loopback, own_names
from tests.services.web.conftest import HERE, token_in
from tests.services.web.small_household import NOW

SECRET = "correct horse battery staple"


def writes(shop: App) -> int:
    with shop.store.reading() as tx:
        return tx.writes()


@pytest.mark.parametrize("host", ["127.0.0.1:8765", "localhost:8765", "localhost", "[::1]:8765"])
def test_this_machines_own_names_are_answered(look: TestClient, host: str) -> None:
    assert look.get("/care", headers={"Host": host}).status_code == 200


@pytest.mark.parametrize(
    "host",
    [
        "attacker.invalid",
        "127.0.0.1.attacker.invalid:8765",
        "localhost.attacker.invalid",
        "192.168.1.7:8765",
        "user@127.0.0.1",
        "127.0.0.1:notaport",
        "127.0.0.1/evil",
        "",
    ],
)
def test_a_foreign_host_name_is_refused_whatever_it_asks_for(look: TestClient, host: str) -> None:
    # A name an attacker owns may be pointed at 127.0.0.1; the browser then sends that name.
    for path in ("/", "/api/rides", "/export/rides.csv", "/static/x/page.js"):
        answer = look.get(path, headers={"Host": host})
        assert answer.status_code == 421
        assert "Quartz" not in answer.text
        assert answer.headers["Content-Security-Policy"]


@pytest.mark.parametrize(
    "headers",
    [
        {"Origin": "http://attacker.invalid"},
        {"Origin": "null"},
        {"Origin": "https://127.0.0.1:8765"},
        {"Origin": "http://127.0.0.1:9999"},
        {"Sec-Fetch-Site": "cross-site"},
        {"Sec-Fetch-Site": "same-site"},
    ],
)
def test_a_form_from_elsewhere_changes_nothing_even_with_the_token(
    page: TestClient, shop: App, headers: dict[str, str]
) -> None:
    token, before = token_in(page.get("/care").text), writes(shop)
    form = {"the_page": token, "chain": "1", "kind": "drip"}
    assert page.post("/care/treatment", data=form, headers=headers).status_code == 403
    assert writes(shop) == before


@pytest.mark.parametrize("token", [None, "", "0" * 64, "é", "\x00"])
def test_a_form_without_the_right_token_changes_nothing(
    page: TestClient, shop: App, token: str | None
) -> None:
    before = writes(shop)
    form = {"chain": "1", "kind": "drip"} | ({} if token is None else {"the_page": token})
    answer = page.post("/care/treatment", data=form, headers={"Origin": HERE})
    assert answer.status_code == 403
    assert "Nothing was changed" in answer.text
    assert writes(shop) == before


def test_a_token_of_another_run_is_not_taken(page: TestClient, shop: App) -> None:
    other = TestClient(create_app(shop, clock=lambda: NOW), base_url=HERE)
    form = {"the_page": token_in(other.get("/care").text), "chain": "1", "kind": "drip"}
    assert page.post("/care/treatment", data=form).status_code == 403


def test_every_form_that_posts_carries_the_token(look: TestClient) -> None:
    from tests.services.web.test_pages import PAGES

    forms = 0
    for path in PAGES:
        for form in look.get(path).text.split("<form ")[1:]:
            if 'method="post"' in form.partition(">")[0]:
                forms += 1
                assert 'name="the_page" value="' in form.partition("</form>")[0], path
    assert forms > 40


def test_every_route_that_posts_refuses_without_token(page: TestClient, shop: App) -> None:
    before, posts = writes(shop), 0
    for path in sorted(posting_paths(page)):
        posts += 1
        answer = page.post(path.replace("{number}", "1"), data={}, follow_redirects=False)
        if path != "/sign-in":
            assert answer.status_code == 403, path
    assert posts > 18
    assert writes(shop) == before


def posting_paths(client: TestClient) -> set[str]:
    """Every path that takes a POST, whoever registered it."""
    found: set[str] = set()
    waiting = [("", route) for route in client.app.routes]  # type: ignore[attr-defined]
    while waiting:
        prefix, route = waiting.pop()
        inner = getattr(route, "routes", None) or getattr(
            getattr(route, "original_router", None), "routes", None
        )
        if "POST" in (getattr(route, "methods", None) or ()):
            found.add(prefix + route.path)
        elif inner:
            waiting += [(prefix, one) for one in inner]
    return found


def test_answers_are_sealed(look: TestClient) -> None:
    for path in ("/", "/api/rides", "/static/x/page.js", "/nothing", "/export/rides.csv", "/chains.ics"):
        headers = look.get(path).headers
        policy = dict(part.split(" ", 1) for part in headers["Content-Security-Policy"].split("; "))
        assert policy["default-src"] == "'none'"
        assert policy["frame-ancestors"] == "'none'"
        assert policy["base-uri"] == "'none'"
        assert policy["form-action"] == "'self'"
        assert policy["script-src"] == policy["style-src"] == policy["connect-src"] == "'self'"
        assert "unsafe" not in headers["Content-Security-Policy"]
        assert headers["X-Content-Type-Options"] == "nosniff"
        assert headers["X-Frame-Options"] == "DENY"
        assert headers["Referrer-Policy"] == "same-origin"
        assert headers["Cross-Origin-Resource-Policy"] == "same-origin"
    assert look.get("/").headers["Cache-Control"] == "no-store"
    assert "server" not in look.get("/").headers


def test_the_head_of_a_page_can_be_asked_for_as_the_page(look: TestClient) -> None:
    for path in ("/", "/rides", "/careful", "/api/reminders"):
        whole, head = look.get(path), look.head(path)
        assert (head.status_code, head.content) == (whole.status_code, b"") == (200, b"")
        assert head.headers["Content-Type"] == whole.headers["Content-Type"]


def test_a_stumble_is_sealed_too_and_says_nothing_of_the_inside(
    shop: App, monkeypatch: pytest.MonkeyPatch, caplog: pytest.LogCaptureFixture
) -> None:
    from services.views import snapshot

    def fall(*_: object) -> None:
        raise ZeroDivisionError(SECRET)

    monkeypatch.setattr(snapshot.Snapshot, "read", fall)
    client = TestClient(create_app(shop), base_url=HERE, raise_server_exceptions=False)
    answer = client.get("/")
    assert answer.status_code == 500
    assert SECRET not in answer.text
    assert "a mistake of ours" in answer.text
    assert "default-src 'none'" in answer.headers["Content-Security-Policy"]


def test_a_body_beyond_the_bound_is_not_read(page: TestClient, shop: App) -> None:
    before = writes(shop)
    form = {"the_page": token_in(page.get("/care").text), "note": "x" * 1_100_000}
    assert page.post("/care/treatment", data=form).status_code == 413

    def endless() -> object:
        yield b"note="
        for _ in range(200):
            yield b"x" * 10_000

    sent = page.post(
        "/care/treatment",
        content=endless(),
        headers={"Content-Type": "application/x-www-form-urlencoded"},
    )
    assert sent.status_code in (400, 413)
    assert writes(shop) == before


def test_an_uploaded_file_is_not_taken(page: TestClient) -> None:
    form = {"the_page": token_in(page.get("/care").text)}
    answer = page.post("/care/treatment", data=form, files={"note": ("a.txt", b"x")})
    assert 400 <= answer.status_code < 500


def test_a_form_only_ever_leads_back_to_this_page(page: TestClient) -> None:
    token = token_in(page.get("/care").text)
    for back in ("//attacker.invalid", "https://attacker.invalid/", "/\\attacker.invalid", "javascript:1"):
        form = {"the_page": token, "chain": "1", "grade": "1", "back": back, "yes": "yes"}
        answer = page.post("/care/wipe-test", data=form, follow_redirects=False)
        assert answer.headers["location"].startswith("/care/log?flash=")


def test_secrets_stand_on_no_page_and_in_no_log(shop: App, caplog: pytest.LogCaptureFixture) -> None:
    from services.wiring import open_app
    from tests.services.web.test_pages import PAGES

    home = shop.settings.home
    (home / "settings.toml").write_text(
        (home / "settings.toml").read_text()
        + '\n[channels.mail]\nhost = "mail.invalid"\nuser = "ines"\nsender = "a@plateau.example"\n'
        + f'password = "{SECRET}"\n'
    )
    with caplog.at_level(logging.DEBUG):
        client = TestClient(create_app(open_app(home), clock=lambda: NOW), base_url=HERE)
        for path in (*PAGES, "/api/openapi.json", "/api/chains"):
            assert SECRET not in client.get(path).text, path
    assert SECRET not in caplog.text


def test_which_addresses_only_this_machine_reaches() -> None:
    assert all(is_loopback(host) for host in ("127.0.0.1", "127.8.8.8", "::1", "[::1]", "localhost"))
    assert not any(is_loopback(host) for host in ("0.0.0.0", "::", "192.168.1.7", "chains.example", ""))
    assert "attacker.invalid" not in own_names("0.0.0.0")


def test_spreadsheets_get_no_formula_and_programs_the_plain_text(look: TestClient) -> None:
    from tests.services.web.small_household import FORMULA

    assert f'"\'{FORMULA}"'.replace('("', '(""').replace('")"', '"")"') in look.get("/export/rides.csv").text
    assert FORMULA in {row["title"] for row in look.get("/export/rides.json").json()}
