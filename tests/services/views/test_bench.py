"""The bench: who wants hands first, what a press writes, and where advice for tomorrow stands."""

from __future__ import annotations

import shutil
from collections.abc import Iterator
from dataclasses import replace
from datetime import timedelta
from pathlib import Path

import pytest

from rules.reminder import RaisedReminder, ReminderKind
from rules.vocabulary import ReminderId, TreatmentKind
from services.app import App
from services.use_cases.answer_reminder import put_off
from services.views.bench import BenchRow, bench, headline
from services.views.export_rows import Look
from services.wiring import open_app
from tests.put_into import into
from tests.services.web.small_household import NOW, settle


@pytest.fixture(scope="module")
def settled(tmp_path_factory: pytest.TempPathFactory) -> Path:
    home = tmp_path_factory.mktemp("bench")
    settle(home).store.close()
    return home


@pytest.fixture
def shop(settled: Path, tmp_path: Path) -> Iterator[App]:
    shutil.copytree(settled, tmp_path / "home")
    app = open_app(tmp_path / "home")
    yield app
    app.store.close()


def rows(shop: App) -> list[BenchRow]:
    return bench(Look(shop, NOW).snapshot, NOW)


def test_a_row_a_bike_hands_first_with_what_a_press_writes(shop: App) -> None:
    found = rows(shop)

    assert {row.bike.name for row in found} == {"Plover", "Harrier"}
    need = found[0].need
    assert need is not None
    assert (need.due.kind, need.job, need.act) == (
        ReminderKind.WIPE_AND_DRIP,
        "Wipe, dry and drip",
        "Wiped and dripped",
    )
    assert need.answer is TreatmentKind.DRIP
    assert [row.wants_hands for row in found] == sorted((row.wants_hands for row in found), reverse=True)
    assert headline(found) in ("One chain wants hands", "Two chains want hands")


def test_what_is_put_off_wants_no_hands_and_goes_below(shop: App) -> None:
    for row in rows(shop):
        if row.wants_hands:
            assert row.need is not None
            put_off(shop, row.need.raised.id, NOW + timedelta(days=3), now=NOW)

    found = rows(shop)

    assert headline(found) == "Nothing needs your hands"
    assert any(row.need and row.need.put_off_until == NOW + timedelta(days=3) for row in found)


def test_a_bike_without_a_chain_stands_before_those_that_can_wait(shop: App) -> None:
    with shop.store.writing() as tx:
        crake = into(tx).add_bike("Crake", tx.equipment.riders()[0].id)

    found = rows(shop)

    bare = next(place for place, row in enumerate(found) if row.bike.id == crake.id)
    assert found[bare].state is None
    assert all(row.wants_hands for row in found[:bare])
    assert not any(row.wants_hands for row in found[bare:])


def test_advice_for_tomorrow_stands_in_its_bikes_row(shop: App) -> None:
    snapshot = Look(shop, NOW).snapshot
    bike = snapshot.ledger.bikes[0].id

    found = bench(snapshot, NOW, tomorrow={bike: "good for the storm"})

    assert {row.bike.id: row.tomorrow for row in found if row.tomorrow} == {bike: "good for the storm"}


def test_beside_a_larger_job_a_chain_that_is_wet_is_still_wiped_tonight(shop: App) -> None:
    snapshot = Look(shop, NOW).snapshot
    wet = next(one for one in snapshot.standing if one.reminder.kind is ReminderKind.WIPE_AND_DRIP)

    def other(kind: ReminderKind, number: int) -> RaisedReminder:
        asks = replace(wet.reminder, kind=kind, key=kind.value, headline="Re-immerse the chain", urgency=2)
        return replace(wet, id=ReminderId(number), reminder=asks)

    both = (other(ReminderKind.INSPECTION, 98), other(ReminderKind.IMMERSION, 99))
    found = bench(replace(snapshot, standing=(*both, *snapshot.standing)), NOW)

    row = next(one for one in found if one.state and one.state.chain.id == wet.reminder.chain)
    assert row.need is not None
    assert row.need.due.kind is ReminderKind.IMMERSION  # a reading comes with it
    assert row.tonight.startswith("Wipe it dry tonight and each wet evening")
    assert not any(one.tonight for one in bench(snapshot, NOW))
