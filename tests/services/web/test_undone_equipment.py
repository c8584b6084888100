"""A chain, a bike or a sensor that was undone: what once hung on it can still be looked at."""

from __future__ import annotations

from datetime import timedelta

from starlette.testclient import TestClient

from rules.commands import AddBike, AddChain, FitChain, FittingWasNot
from rules.vocabulary import BikeId, ChainId, RiderId
from services.app import App
from services.cli.program import run
from services.use_cases.record_change import record
from services.use_cases.undo import undo
from services.views.export_rows import LISTS, Look, rows_of
from tests.services.web.small_household import FIRST_DAY, NOW


def test_a_chain_that_was_undone_leaves_its_reminders_to_be_read(shop: App, page: TestClient) -> None:
    start = FIRST_DAY + timedelta(days=1)
    chain = record(shop, AddChain("Tin"), now=NOW)
    fit = FitChain(ChainId(chain.made), BikeId(1), start)
    with shop.store.reading() as tx:
        fitted = tx.ledger().fittings_of(ChainId(1))
    assert fitted
    # The chain that was there never was: Tin is the one that was ridden.
    record(shop, FittingWasNot(fitted[0].id), now=NOW)
    record(shop, fit, now=NOW)
    with shop.store.reading() as tx:
        raised = [one for one in tx.reminders.all_() if one.reminder.chain == chain.made]
    assert raised

    undo(shop, chain.number, now=NOW, confirmed=True)

    with shop.store.reading() as tx:
        assert all(not one.is_open for one in tx.reminders.all_() if one.reminder.chain == chain.made)
    for path in (
        "/",
        "/why",
        "/chains",
        "/care",
        "/wear",
        "/wax-night",
        "/rides",
        "/corrections",
        "/settings/chains",
    ):
        assert page.get(path).status_code == 200, path
    gone = page.get(f"/why/{raised[0].id}")
    assert gone.status_code == 409
    assert "was about something that was undone since" in gone.text
    assert run(["why", str(raised[0].id), "--home", str(shop.settings.home)]) == 1
    assert page.get("/api/reminders").status_code == 200
    look = Look(shop, NOW)
    assert all(list(rows_of(name, look)) is not None for name in LISTS)


def test_a_bike_that_was_undone_gives_its_rides_back(shop: App, page: TestClient) -> None:
    rook = record(shop, AddBike("Rook", shop_rider(shop)), now=NOW)
    undo(shop, rook.number, now=NOW, confirmed=True)

    with shop.store.reading() as tx:
        ledger = tx.ledger()
    assert {one.bike for one in ledger.rides} <= {None, *(bike.id for bike in ledger.bikes)}
    assert "Rook" not in page.get("/settings/bikes").text
    again = record(shop, AddBike("Rook", shop_rider(shop)), now=NOW)
    assert again.made != rook.made


def shop_rider(shop: App) -> RiderId:
    with shop.store.reading() as tx:
        return tx.equipment.riders()[0].id
