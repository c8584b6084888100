"""The JSON API keeps to its own document, whatever it is asked; it changes nothing."""

from __future__ import annotations

from typing import Any

import pytest
import schemathesis
from hypothesis import HealthCheck, given, settings
from schemathesis.checks import not_a_server_error
from schemathesis.specs.openapi.checks import response_schema_conformance, status_code_conformance
from starlette.testclient import TestClient

from services.app import App
from services.web.app import create_app
from tests.services.web.small_household import NOW, QUESTIONS

ASKED_AS = {"Host": "127.0.0.1"}
EXAMPLES = 15  # of each question


def test_no_question_makes_it_stumble(shared_shop: App) -> None:
    pages = create_app(shared_shop, clock=lambda: NOW)
    schema = schemathesis.openapi.from_asgi("/api/openapi.json", pages, headers=ASKED_AS)
    asked = {found.ok().label: _ask(found.ok()) for found in schema.get_all_operations()}
    assert len(asked) >= 8
    assert all(asked.values())
    assert {200, 404} <= {status for statuses in asked.values() for status in statuses}


def _ask(operation: Any) -> list[int]:
    """Ask one question in many ways; the statuses of the answers, each as documented."""
    statuses: list[int] = []

    @given(case=operation.as_strategy())
    @settings(max_examples=EXAMPLES, deadline=None, suppress_health_check=list(HealthCheck))
    def ask(case: schemathesis.Case) -> None:
        answer = case.call(headers=ASKED_AS)
        case.validate_response(
            answer, checks=[not_a_server_error, status_code_conformance, response_schema_conformance]
        )
        statuses.append(answer.status_code)

    ask()
    return statuses


def test_only_reading_is_documented_and_possible(look: TestClient) -> None:
    document = look.get("/api/openapi.json").json()
    assert len(document["paths"]) >= 8
    assert {method for path in document["paths"].values() for method in path} == {"get"}
    for path in document["paths"]:
        assert look.post(path.replace("{number}", "1")).status_code in (404, 405)
    assert look.get("/docs").status_code == look.get("/redoc").status_code == 404


def test_rides_come_in_stretches_and_alone_with_their_hours(look: TestClient) -> None:
    answer = look.get("/api/rides", params={"bike": "open", "limit": 3}).json()
    assert (answer["count"], len(answer["rides"])) == (QUESTIONS + 2, 3)
    assert all(ride["asks"] for ride in answer["rides"])
    one = look.get("/api/rides/1").json()
    assert sum(hour["grit_h"] for hour in one["hours"]) == pytest.approx(one["grit_h"])
    assert sum(hour["drive_h"] for hour in one["hours"]) * 3600 == pytest.approx(one["drive_s"])


def test_a_reminders_lines_add_up(look: TestClient) -> None:
    for due in look.get("/api/reminders").json():
        whole = look.get(f"/api/reminders/{due['id']}").json()
        assert whole["reasons"][-1]["total"] == pytest.approx(whole["total"])
        assert whole["total"] >= whole["limit"]


def test_supposing_says_what_would_change_and_keeps_nothing(look: TestClient, shared_shop: App) -> None:
    with shared_shop.store.reading() as tx:
        before = tx.writes()
    number = next(due for due in look.get("/api/reminders").json() if due["kind"] == "wipe and drip")["id"]
    ride = look.get(f"/api/reminders/{number}").json()["reasons"][0]["ride"]
    said = look.get("/api/suppose/bike", params={"ride": ride, "bike": "none"}).json()["sentences"]
    assert any(sentence.startswith("Withdrawn: Wipe") for sentence in said)
    said = look.get("/api/suppose/conditions", params={"ride": ride, "word": "dry"}).json()["sentences"]
    assert any(sentence.startswith("Withdrawn: Wipe") for sentence in said)
    assert look.get("/api/suppose/bike", params={"ride": 9999, "bike": "1"}).status_code == 404
    with shared_shop.store.reading() as tx:
        assert tx.writes() == before
