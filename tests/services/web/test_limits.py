"""Limits set on the page: what would change is shown first, one press keeps it, one takes it back."""

from __future__ import annotations

import re
from collections.abc import Callable

import pytest
from starlette.testclient import TestClient

from rules.commands import Amend
from rules.rulebook import KEYS
from rules.vocabulary import BikeId
from services.app import App
from services.use_cases.record_change import record
from services.use_cases.undo import undo
from services.use_cases.update_reminders import reckon
from services.web.pages.limits import SETTABLE
from tests.put_into import into
from tests.services.web.small_household import NOW

Token = Callable[[], str]
HARRIER = "bike:2"


def limit_of(shop: App, key: str) -> float:
    with shop.store.reading() as tx:
        ledger = tx.ledger()
        bike = ledger.bike(BikeId(2))
        book = shop.rulebook_for(ledger)
        return book.limit(key, bike=bike, rider=ledger.rider(bike.owner)).value


def say(page: TestClient, token: Token, of: str = HARRIER, **values: str) -> str:
    return page.post(
        "/settings/limits",
        data={"the_page": token(), "of": of, **values},
        headers={"referer": f"http://127.0.0.1:8765/settings/limits?of={of}"},
    ).text


def test_each_limit_stands_with_its_range_and_source_in_a_field(look: TestClient) -> None:
    html = look.get(f"/settings/limits?of={HARRIER}").text
    for key in SETTABLE:
        assert f'name="{key}"' in html
    assert "Worn out, for 11 speeds and more, at" in html
    assert re.search(r"9 unless you say otherwise; sensible from 1 to 30\. ", html)
    for key in KEYS:
        if key.partition(".")[2] not in SETTABLE:
            assert f"<code>{key}</code>" in html


def test_what_would_change_is_shown_and_nothing_is_kept_until_it_is_said(
    page: TestClient, shop: App, token: Token
) -> None:
    before = limit_of(shop, "wet_ride")
    html = say(page, token, wet_ride="2", drip="30")
    asked_now = html.partition("Asked for now")[2].partition("Asked for then")[0]
    asked_then = html.partition("Asked for then")[2].partition("</section>")[0]
    assert "Wipe, dry and drip the chain" in asked_now
    assert asked_now.count("<li>") > asked_then.count("<li")
    assert "Withdrawn: Wipe, dry and drip" in html
    assert limit_of(shop, "wet_ride") == before

    done = say(page, token, wet_ride="2", drip="30", yes="yes")
    assert "wet_ride of Harrier set to 2" in done
    assert (limit_of(shop, "wet_ride"), limit_of(shop, "drip")) == (2.0, 30.0)
    assert 'value="30"' in page.get(f"/settings/limits?of={HARRIER}").text
    undo = re.search(r'action="(/corrections/\d+/undo)"', done)
    assert undo
    page.post(undo[1], data={"the_page": token()})
    assert limit_of(shop, "wet_ride") == before


def test_for_everybody_each_rider_gets_it_and_an_empty_field_gives_the_rulebook_back(
    page: TestClient, shop: App, token: Token
) -> None:
    before = limit_of(shop, "drip")
    assert "set to 14" in say(page, token, "everybody", drip="14", yes="yes")
    assert limit_of(shop, "drip") == 14.0
    assert 'value="14"' in page.get("/settings/limits").text
    assert "left to the rulebook" in say(page, token, "everybody", drip="", yes="yes")
    assert limit_of(shop, "drip") == before
    assert "Nothing was changed: it is so already." in say(page, token, "everybody")


@pytest.mark.parametrize(
    ("values", "why"),
    [
        ({"drip": "300", "oil": "9"}, "Drip, in grit-hours, must be from 1 to 30"),
        ({"drip": "many", "oil": "9"}, "“Drip a waxed chain at”: “many” is no number; write it as 6 or 6.5."),
        ({"wear_narrow": "9", "oil": "9"}, "Wear narrow, in %, must be from 0.2 to 1.5"),
    ],
)
def test_a_refused_value_stays_in_its_field_with_the_reason_beside_it(
    page: TestClient, shop: App, token: Token, values: dict[str, str], why: str
) -> None:
    html = say(page, token, **values)
    key, typed = next(iter(values.items()))
    field = re.search(rf'<input[^>]*name="{key}"[^>]*>', html)
    assert field
    assert f'value="{typed}"' in field[0]
    assert 'aria-invalid="true"' in field[0]
    assert 'value="9"' in html
    assert why in html
    assert limit_of(shop, "oil") != 9.0


def test_what_one_rider_set_alone_stays_when_everybody_s_others_are_changed(
    page: TestClient, shop: App, token: Token
) -> None:
    with shop.store.writing() as tx:
        into(tx).add_rider("Oona")
    say(page, token, "rider:1", water="1.5", yes="yes")
    assert 'value="1.5"' not in page.get("/settings/limits").text
    said = say(page, token, "everybody", drip="14", yes="yes")
    assert "water" not in said.partition("Undo this")[0]
    assert 'value="1.5"' in page.get("/settings/limits?of=rider:1").text


@pytest.mark.parametrize("of", ["", "bike:99", "household", "bike:1; drop"])
def test_nobody_s_limits_are_refused_in_a_sentence(page: TestClient, token: Token, of: str) -> None:
    assert "Choose for whom" in say(page, token, of, drip="14")
    assert page.get("/settings/limits", params={"of": of[:20]}).status_code == 200


def test_a_new_name_withdraws_nothing_that_rests_on_a_limit_of_its_own(shop: App) -> None:
    """Neither when it is given nor when that is undone: the rulebook follows before all is reckoned."""
    own = shop.settings.home / "limits.toml"
    with own.open("a") as file:
        file.write('\n[rider."Ines"]\nimmersion = 10\n')
    shop.forget_rulebook()
    with shop.store.writing() as tx:
        assert "Re-immerse" in " ".join(reckon(tx, shop, now=NOW).sentences)

    done = record(shop, Amend("rider", 1, {"name": "Inez"}), now=NOW)
    assert done.sentences == (
        "Ines renamed Inez.",
        "What limits.toml sets for “Ines” now stands for “Inez”.",
    )
    assert undo(shop, now=NOW).sentences == (
        "Undone: Ines renamed Inez.",
        "What limits.toml sets for “Inez” now stands for “Ines”.",
    )
