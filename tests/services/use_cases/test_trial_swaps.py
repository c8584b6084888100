"""A trial's turn is over: its rider is told once, outside the quiet hours; pages and command line show it."""

from __future__ import annotations

from dataclasses import replace
from datetime import timedelta
from pathlib import Path

import pytest

from rules.commands import AddChain, EndTrial, StartTrial
from rules.trial import order
from rules.vocabulary import BikeId, ChainId, ReadingTool, Regime, Trial, TrialId
from services.use_cases.record_change import record
from services.wiring import open_app
from tests.saying import log_reading
from tests.services.wet_week import DAY, Letterbox, Week
from tests.wet_household import FIRST_DAY, household


@pytest.fixture
def week(tmp_path: Path) -> Week:
    """Plover's waxed chain has the first turn; Galena, lubed, waits on the shelf."""
    box = Letterbox()
    shop = replace(household(tmp_path / "home", 40, None), equip=lambda _: {"email": box})
    lubed = record(shop, AddChain("Galena", Regime.WET_LUBE, 11), now=FIRST_DAY)
    for chain in ("Plover", "Galena"):
        log_reading(shop, chain, ReadingTool.CALIPER, FIRST_DAY, exact_pct=0.05, now=FIRST_DAY)
    seed = next(
        seed
        for seed in range(50)
        if order(Trial(TrialId(1), BikeId(1), ChainId(1), ChainId(lubed.made), FIRST_DAY, 50.0, seed), 1)[0]
        == 1
    )
    begun = StartTrial(BikeId(1), ChainId(1), ChainId(lubed.made), FIRST_DAY, 50.0, seed)
    record(shop, begun, now=FIRST_DAY)
    return Week(shop, box)


def swaps(week: Week) -> list[str]:
    return [one.text for one in week.box.taken if one.subject == "Swap the chains on Plover"]


def test_a_swap_is_told_once_and_not_at_night(week: Week) -> None:
    for day in range(4):  # 17 km a day
        week.ride(day)
        week.round(day, timedelta(hours=23, minutes=30))
    assert swaps(week) == []  # 51 km by now, but it is night
    week.round(4, timedelta(hours=8))
    (told,) = swaps(week)
    words = " ".join(told.split())
    assert "of 50 km of turn 1: swap it for Galena on Plover." in words
    assert "Careful: " in words
    week.round(4, timedelta(hours=9))
    week.round(5, timedelta(hours=9))
    assert len(swaps(week)) == 1


def test_a_trial_that_ended_asks_for_no_swap_and_its_undoing_brings_it_back(week: Week) -> None:
    from services.use_cases.undo import undo

    for day in range(4):
        week.ride(day)
    ended = record(week.shop, EndTrial(TrialId(1), FIRST_DAY + 4 * DAY), now=FIRST_DAY + 4 * DAY)
    week.round(4, timedelta(hours=9))
    assert swaps(week) == []
    undo(week.shop, ended.number, now=FIRST_DAY + 5 * DAY)
    week.round(5, timedelta(hours=9))
    assert len(swaps(week)) == 1


def test_the_ledger_keeps_a_trial_over_a_restart(week: Week) -> None:
    week.shop.store.close()
    again = open_app(week.shop.settings.home)
    with again.store.reading() as tx:
        (kept,) = tx.ledger().trials
    assert (kept.bike, kept.waxed, kept.block_km, kept.ended_at) == (1, 1, 50.0, None)
