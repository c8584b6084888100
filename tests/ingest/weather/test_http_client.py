"""One question over HTTP: which refusals may pass, when, and which do not."""

from __future__ import annotations

import threading
from datetime import UTC, datetime, timedelta
from http.server import BaseHTTPRequestHandler, HTTPServer

import pytest

from ingest.weather.hourly import ArchiveUnavailable, BlockRefused, LimitReached
from ingest.weather.http_client import Asker, window_end

NOW = datetime(2025, 6, 30, 23, 59, 20, tzinfo=UTC)


@pytest.mark.parametrize(
    ("reason", "opens"),
    [
        (
            "Minutely API request limit exceeded. Please try again in one minute.",
            datetime(2025, 7, 1, tzinfo=UTC),
        ),
        ("Hourly API request limit exceeded.", datetime(2025, 7, 1, tzinfo=UTC)),
        ("Daily API request limit exceeded.", datetime(2025, 7, 1, tzinfo=UTC)),
        ("Too many concurrent requests", None),
    ],
)
def test_a_refusal_names_its_window(reason, opens):
    assert window_end(reason, NOW) == opens


class Answering:
    """A server that gives every request the same answer."""

    def __init__(self):
        outer = self
        self.status, self.body, self.headers, self.asked = 200, b"{}", {}, ""

        class Handler(BaseHTTPRequestHandler):
            def do_GET(self):
                outer.asked = self.path
                self.send_response(outer.status)
                for name, value in {"Content-Length": len(outer.body), **outer.headers}.items():
                    self.send_header(name, str(value))
                self.end_headers()
                self.wfile.write(outer.body)

            def log_message(self, *args):
                pass

        self.server = HTTPServer(("127.0.0.1", 0), Handler)
        self.url = f"http://127.0.0.1:{self.server.server_address[1]}/"
        threading.Thread(
            target=self.server.serve_forever, kwargs={"poll_interval": 0.02}, daemon=True
        ).start()


@pytest.fixture(scope="module")
def answering():
    server = Answering()
    yield server
    server.server.shutdown()
    server.server.server_close()


@pytest.fixture
def ask(answering):
    asker = Asker("the archive", timeout_s=5)

    def asking(status, body, **headers):
        answering.status, answering.body, answering.headers = status, body, headers
        return asker.ask(answering.url, {"q": 1}, now=NOW)

    yield asking
    asker.close()


def test_what_the_address_holds_of_its_own_is_asked_too(answering):
    asker = Asker("the archive", timeout_s=5)
    answering.status, answering.body, answering.headers = 200, b"{}", {}
    asker.ask(f"{answering.url}v1?apikey=mine", {"q": 1}, now=NOW)
    asker.close()
    assert answering.asked == "/v1?apikey=mine&q=1"


def test_an_answer_is_its_document(ask):
    assert ask(200, b'{"a": [1, null]}') == {"a": [1, None]}


@pytest.mark.parametrize(
    ("status", "body", "refused", "words"),
    [
        (200, b"<html>Log in to the hotel network</html>", False, "no JSON"),
        (200, b'{"hourly": ' + b"[" * 200_000, False, "no JSON"),
        (400, b'{"reason": "No such variable", "error": true}', True, "No such variable"),
        (422, b'{"messages": ["bad start", "bad end"]}', True, "bad start; bad end"),
        (404, b"gone", False, "status 404"),
        (500, b"", False, "status 500"),
        (502, b'{"error": true}', False, "status 502"),
        (302, b"{}", False, "status 302"),
        (503, b'{"error": true, "reason": "overloaded"}', False, "overloaded"),
    ],
)
def test_what_may_pass_is_unavailable_and_what_will_not_is_refused(ask, status, body, refused, words):
    with pytest.raises(ArchiveUnavailable) as told:
        ask(status, body)
    assert isinstance(told.value, BlockRefused) == refused
    assert words in told.value.why
    assert told.value.why.startswith("the archive")


def test_a_limit_may_name_its_seconds(ask):
    with pytest.raises(LimitReached) as told:
        ask(429, b'{"reason": "slow down"}', **{"Retry-After": 40})
    assert told.value.retry_at == NOW + timedelta(seconds=40)


def test_a_limit_that_names_more_than_any_window_is_not_believed(ask):
    with pytest.raises(LimitReached) as told:
        ask(429, b'{"reason": "slow down"}', **{"Retry-After": "9" * 30})
    assert told.value.retry_at == NOW + timedelta(days=2)


def test_a_limit_that_names_nothing_leaves_it_to_the_pace(ask):
    with pytest.raises(LimitReached) as told:
        ask(429, b'{"reason": "Too many concurrent requests"}', **{"Retry-After": "soon"})
    assert told.value.retry_at is None


def test_a_long_reason_is_cut(ask):
    with pytest.raises(ArchiveUnavailable) as told:
        ask(400, b'{"reason": "' + b"x " * 5000 + b'"}')
    assert len(told.value.why) < 300
