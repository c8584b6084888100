"""Supplies and limits of one's own: kept over a restart, told in the outlook, undone in one go."""

from __future__ import annotations

from dataclasses import replace
from datetime import timedelta
from pathlib import Path

import pytest

from rules.commands import Amend, BeginSupply, EndSupply, SetLimits
from rules.limits_in_force import judgements_for
from rules.reminder import ReminderKind
from rules.vocabulary import OwnValue, SupplyKind, TreatmentKind
from services.app import App
from services.store import FactRefused, NeedsConfirmation
from services.use_cases.record_change import record
from services.use_cases.undo import undo
from services.views.snapshot import Snapshot
from services.wiring import open_app
from tests.saying import log_treatment
from tests.services.wet_week import DAY, Letterbox, Week
from tests.wet_household import FIRST_DAY, household

NOW = FIRST_DAY + 3 * DAY
WAX = SupplyKind.DRIP_WAX


@pytest.fixture
def shop(tmp_path: Path) -> App:
    return household(tmp_path / "home", 12, None)


def look(shop: App) -> Snapshot:
    with shop.store.reading() as tx:
        return Snapshot.read(tx, shop, NOW)


def drip_limit(shop: App) -> float:
    seen = look(shop)
    return judgements_for(seen.ledger, seen.rulebook, seen.ledger.chains[0], NOW).limit("drip").value


def test_a_supply_is_kept_counted_replaced_ended_and_undone(shop: App) -> None:
    first = record(shop, BeginSupply(WAX, 30.0, FIRST_DAY, price=9.5), now=NOW)
    assert first.sentences[0] == "Drip wax of 30 ml for 9.5 begun, 1 January 2025 (supply 1)."
    log_treatment(shop, "Plover", TreatmentKind.DRIP, FIRST_DAY + DAY, now=NOW)
    (bottle,) = look(shop).supplies(NOW)
    assert (bottle.uses, bottle.left, bottle.supply.price) == (1, 24.0, 9.5)
    with pytest.raises(NeedsConfirmation, match="is it used up"):
        record(shop, BeginSupply(WAX, 120.0, NOW, a_use=5.0), now=NOW)
    second = record(shop, BeginSupply(WAX, 120.0, NOW, a_use=5.0), now=NOW, confirmed=True)
    shop.store.close()
    again = open_app(shop.settings.home)
    (bottle,) = look(again).supplies(NOW)
    assert (bottle.supply.amount, bottle.supply.a_use) == (120.0, 5.0)
    ended = record(again, EndSupply(bottle.supply.id, NOW), now=NOW)
    assert look(again).supplies(NOW) == ()
    undo(again, ended.number, now=NOW)
    undo(again, second.number, now=NOW)
    (bottle,) = look(again).supplies(NOW)
    assert (bottle.supply.amount, bottle.left) == (30.0, 24.0)
    undo(again, first.number, now=NOW, confirmed=True)
    assert look(again).supplies(NOW) == ()


def test_what_runs_out_stands_in_the_weekly_outlook(tmp_path: Path) -> None:
    box = Letterbox()
    week = Week(replace(household(tmp_path / "home", 12, None), equip=lambda _: {"email": box}), box)
    record(week.shop, BeginSupply(WAX, 12.0, FIRST_DAY), now=FIRST_DAY)
    record(week.shop, BeginSupply(SupplyKind.SOLVENT, 5000.0, FIRST_DAY), now=FIRST_DAY)
    log_treatment(week.shop, "Plover", TreatmentKind.DRIP, FIRST_DAY + DAY, now=FIRST_DAY + DAY)
    week.round(4, timedelta(hours=9))  # Sunday, 5 January 2025
    (text,) = (" ".join(one.text.split()) for one in box.taken if one.subject.startswith("The week ahead"))
    assert "Soon to be got: drip wax (lasts until " in text
    assert "solvent" not in text


def test_limits_are_set_in_one_go_move_reminders_and_are_undone_in_one(shop: App) -> None:
    week = Week(shop, Letterbox())
    for day in range(10):
        week.ride(day, bike=0)
    week.round(9)
    kinds = {one.reminder.kind for one in look(shop).standing}
    assert ReminderKind.DRIP not in kinds
    both = SetLimits((OwnValue("bike", 1, "drip", 6.0), OwnValue("bike", 1, "wet_ride", 2.0)), NOW, "why not")
    done = record(shop, both, now=FIRST_DAY + 10 * DAY)
    assert done.sentences[0] == "Drip of Plover set to 6 and wet_ride of Plover set to 2 (own limits 1)."
    assert drip_limit(shop) == 6.0
    assert any("Now due" in one for one in done.sentences)
    shop.store.close()
    again = open_app(shop.settings.home)
    assert drip_limit(again) == 6.0
    record(again, Amend("bike", 1, {"name": "Kestrel"}), now=FIRST_DAY + 10 * DAY)
    assert drip_limit(again) == 6.0  # by the bike, whatever it is called
    undo(again, done.number, now=FIRST_DAY + 10 * DAY)
    assert drip_limit(again) == 12.0
    assert look(again).rulebook is again.rulebook
    with pytest.raises(FactRefused, match="no limit or weight"):
        record(again, SetLimits((OwnValue("bike", 1, "rust", 6.0),), NOW), now=FIRST_DAY + 10 * DAY)
