"""Supplies and limits of one's own, on the page and on the command line: kept, shown, and undone."""

from __future__ import annotations

from collections.abc import Callable
from datetime import timedelta

import pytest
from starlette.testclient import TestClient

from rules.commands import AddRider
from rules.rulebook import default_rulebook
from rules.year.another_way import another_way
from services.app import App
from services.cli.program import run
from services.use_cases.record_change import record
from services.use_cases.undo import undo
from tests.rules.notation import ledger_of
from tests.services.web.small_household import FIRST_DAY, NOW


def overrides(shop: App) -> dict[tuple[str, str], dict[str, float]]:
    with shop.store.reading() as tx:
        found = shop.rulebook_for(tx.ledger()).overrides
    return {owner: dict(said) for owner, said in found.items()}


def test_a_bath_is_noted_shown_and_used_up(page: TestClient, token: Callable[[], str]) -> None:
    form = {
        "the_page": token(),
        "kind": "bath",
        "amount": "500",
        "a_use": "",
        "price": "18,50",
        "name": "green pot",
    }
    html = page.post("/wax-night/supplies", data=form).text
    assert "Bath of 500 g for 18.5 begun" in html
    assert "Bath green pot: 0 immersions since" in html
    assert "Undo this" in html
    gone = page.post("/wax-night/supplies/end", data={"the_page": token(), "supply": "1"}).text
    assert "Bath ended" in gone
    assert "Nothing is noted yet." in gone
    again = page.post("/wax-night/supplies/end", data={"the_page": token(), "supply": "1"})
    assert "ended on" in again.text
    for wrong, why in (
        ({"amount": ""}, "Say how much it held"),
        ({"amount": "5"}, "must be from 50 to 20000"),
        ({"kind": "glue"}, "Choose what was begun: bath, drip wax, solvent, quick links."),
    ):
        refused = page.post("/wax-night/supplies", data={**form, "the_page": token(), **wrong})
        assert why in refused.text


def test_a_way_is_taken_over_on_the_page_and_undone_in_one(
    page: TestClient, token: Callable[[], str], shop: App, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("rules.year.another_way.LEAST_HOURS", 1.0)
    assert "Take over for Plover" not in page.get("/year").text  # in two weeks no other limits save a minute
    long = "2025-01-01  fitted  Copper  on Plover\n" + "".join(
        f"{FIRST_DAY + timedelta(days=day):%Y-%m-%d} 06:00  rode  2 h  on Plover  dry\n"
        for day in range(1, 200)
    )
    years = another_way(ledger_of(long), default_rulebook(), now=FIRST_DAY + timedelta(days=300))
    monkeypatch.setattr("services.views.snapshot.another_way", lambda *_, **__: years)
    record(shop, AddRider("Bruno"), now=NOW)  # a write, so that the page looks again
    html = page.get("/year").text
    assert html.count("Take over for Plover") == 3
    assert 'name="limit" value="bike:1:immersion=60.0"' in html
    before = overrides(shop)
    said = {"the_page": token(), "back": "/year", "limit": ["bike:1:drip=14", "bike:1:immersion=50"]}
    html = page.post("/settings/limits/own", data=said).text
    assert "Drip of Plover set to 14 and immersion of Plover set to 50" in html
    assert overrides(shop) == {**before, ("bike", "Plover"): {"drip": 14.0, "immersion": 50.0}}
    assert "Plover" in page.get("/settings/limits").text
    undo(shop, None, now=NOW)
    assert overrides(shop) == before
    for wrong, why in (
        ("bike:1:rust=3", "no limit or weight"),
        ("bike::drip=3", "names nobody"),
        ("bike:1:drip=many", "is no number; write it as 6 or 6.5"),
        ("bike:99:drip=14", "There is no bike 99"),
    ):
        refused = page.post("/settings/limits/own", data={"the_page": token(), "limit": [wrong]})
        assert why in refused.text
        assert overrides(shop) == before


def typed(shop: App, capsys: pytest.CaptureFixture[str], *words: str) -> tuple[int, str]:
    status = run([*words, "--home", str(shop.settings.home)])
    said = capsys.readouterr()
    return status, said.out + said.err


def test_the_command_line_says_the_same(
    shop: App, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    assert "Nothing is noted: gritledger supplies bath 500" in typed(shop, capsys, "supplies")[1]
    status, said = typed(
        shop, capsys, "supplies", "drip wax", "120", "--a-use", "5", "--at", "2025-01-01 08:00"
    )
    assert status == 0
    assert "Drip wax of 120 ml begun, 1 January 2025" in said
    assert "Wrong? gritledger undo" in said
    assert "Drip wax: " in typed(shop, capsys, "supplies")[1]
    assert "ended" in typed(shop, capsys, "supplies", "drip wax", "--gone")[1]
    assert typed(shop, capsys, "supplies", "drip wax", "--gone")[0] == 2
    assert typed(shop, capsys, "supplies", "bath")[0] == 2
    before = overrides(shop)
    assert "Everybody goes by the rulebook" in typed(shop, capsys, "limits")[1] or before
    assert typed(shop, capsys, "limits", "Plover", "drip=14", "water=2.5")[0] == 0
    assert overrides(shop)["bike", "Plover"] == {"drip": 14.0, "water": 2.5}
    assert "bike Plover: drip 14, water 2.5" in typed(shop, capsys, "limits")[1]
    assert typed(shop, capsys, "limits", "plover", "drip=", "water=")[0] == 0
    assert overrides(shop) == before
    for wrong in (("Plover",), ("Nobody", "drip=3"), ("Plover", "drip"), ("Plover", "drip=x")):
        assert typed(shop, capsys, "limits", *wrong)[0] != 0
    monkeypatch.setattr("rules.year.another_way.LEAST_HOURS", 1.0)
    monkeypatch.setattr("services.cli.outlook.now_utc", lambda: NOW)
    take = ("what-if", "--year", "--on", "Plover", "--take")
    status, said = typed(shop, capsys, *take, "oil instead")
    assert status == 2
    assert "takes more than other limits" in said
    status, said = typed(shop, capsys, *take, "a longer wait for the pot")
    assert status == 0, said
    assert "immersion of Plover set to" in said.lower().replace("plover", "Plover")
    assert "immersion" in overrides(shop)["bike", "Plover"]
    assert typed(shop, capsys, "what-if", "--year", "--take", "oil instead")[0] == 2


def test_a_wipe_tests_offer_and_a_learned_weight_are_taken_over_on_a_yes(
    page: TestClient, token: Callable[[], str], shop: App, monkeypatch: pytest.MonkeyPatch
) -> None:
    from rules.wear.learned_weights import LearnedWeight

    sure = LearnedWeight(
        "water", 2.0, (1.4, 1.6, 1.9), 0.1, True, True, 1.6, "Water: 2 assumed; your readings say."
    )
    monkeypatch.setattr("services.views.snapshot.learned_weights", lambda *_, **__: (sure,))
    html = page.get("/wear/compare").text
    assert "Reckon with 1.6 from now on" in html
    assert 'name="limit" value="rider:1:water=1.6"' in html
    said = {"the_page": token(), "back": "/wear/compare#weights", "limit": ["rider:1:water=1.6"]}
    assert "set to 1.6" in page.post("/settings/limits/own", data=said).text
    with shop.store.reading() as tx:
        rider = tx.ledger().riders[0].name
    assert overrides(shop)["rider", rider] == {"water": 1.6}
