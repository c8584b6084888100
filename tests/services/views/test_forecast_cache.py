"""What is kept from one snapshot to the next is what would be read and worked out anew."""

from __future__ import annotations

from collections.abc import Callable
from datetime import timedelta
from pathlib import Path

import pytest

from rules.vocabulary import DecidedBy, ReadingTool, TreatmentKind
from services.store import Transaction
from services.store.tables import bike, chain
from services.use_cases.update_reminders import reckon
from services.views import snapshot as snapshot_module
from services.views.snapshot import Snapshot
from tests.put_into import into
from tests.services.store.derived_household import DAY, NOW, Household, household, ridden
from tests.services.store.household import tag

Step = Callable[[Transaction, Household], object]


def measured(tx: Transaction, house: Household, pct: float) -> None:
    for number, one in enumerate((house.amber, house.basalt, house.cobalt)):
        into(tx).log_reading(
            one, ReadingTool.CALIPER, NOW - (5 + number) * DAY, exact_pct=pct + 0.02 * number
        )


STEPS: dict[str, Step] = {
    "a ride came": lambda tx, house: ridden(tx, house.rider, house.plover, NOW - timedelta(hours=9)),
    "one long ago came": lambda tx, house: ridden(tx, house.rider, house.heron, NOW - 30 * DAY),
    "a reading": lambda tx, house: into(tx).log_reading(
        house.basalt, ReadingTool.CALIPER, NOW - DAY, exact_pct=0.4
    ),
    "a ride was on another bike": lambda tx, house: tx.rides.record(
        house.rides[2], house.heron, decided_by=DecidedBy.RIDER, at=NOW, by="Ines"
    ),
    "it was wet": lambda tx, house: tx.rides.add_tags(
        house.rides[1], [(hour.hour_start, tag(0.9)) for hour in tx.rides.ride(house.rides[1]).hours], NOW
    ),
    "a drip": lambda tx, house: into(tx).log_treatment(house.amber, TreatmentKind.DRIP, NOW - 2 * DAY),
    "taken back": lambda tx, house: tx.rides.withdraw(house.rides[3], at=NOW, by="Ines", why="a car"),
    "put back": lambda tx, house: tx.rides.restore(house.rides[3], at=NOW, by="Ines"),
    "another name": lambda tx, house: tx._connection.execute(
        chain.update().where(chain.c.id == house.cobalt).values(name="Copper", name_key="copper")
    ),
    "another ground": lambda tx, house: tx._connection.execute(
        bike.update().where(bike.c.id == house.plover).values(unpaved_share=0.9)
    ),
    "fitted": lambda tx, house: into(tx).fit_chain(house.cobalt, house.heron, NOW - 20 * DAY),
}


@pytest.mark.parametrize("reckoned", [True, False], ids=["a round looked", "no round looked yet"])
def test_after_every_kind_of_write_it_is_as_if_worked_out_anew(
    empty_url: str, tmp_path: Path, *, reckoned: bool
) -> None:
    house, later = household(empty_url, tmp_path), None
    with house.app.store.writing() as tx:
        measured(tx, house, 0.2)
    for name, step in {"nothing": lambda *_: None, **STEPS}.items():
        with house.app.store.writing() as tx:
            step(tx, house)
            if reckoned:
                reckon(tx, house.app, now=NOW)
        with house.app.store.reading() as tx:
            later = Snapshot.read(tx, house.app, NOW, later)
            anew = Snapshot.read(tx, house.app, NOW)
        for one in (house.amber, house.basalt, house.cobalt):
            assert later.wear(one, NOW) == anew.wear(one, NOW), name
            assert later.wear(one, NOW) == anew.whole.wear(one, NOW), name
            assert later.past(one, NOW) == anew.past(one, NOW), name
        assert later.ledger == anew.ledger, name


def test_what_no_chain_hangs_on_leaves_them_as_they_are(
    empty_url: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    house, seen, asked = household(empty_url, tmp_path), [None], []
    with house.app.store.writing() as tx:
        measured(tx, house, 0.2)
        reckon(tx, house.app, now=NOW)
    worked_out = snapshot_module.forecast
    monkeypatch.setattr(
        snapshot_module, "forecast", lambda *own, **how: asked.append(own[2]) or worked_out(*own, **how)
    )

    def look() -> list[object]:
        with house.app.store.reading() as tx:
            now = Snapshot.read(tx, house.app, NOW, seen[-1])
        seen.append(now)
        for one in (house.amber, house.basalt, house.cobalt):
            now.wear(one, NOW)
        found, asked[:] = list(asked), []
        return found

    assert look() == [house.amber, house.basalt, house.cobalt]
    with house.app.store.writing() as tx:
        tx.notes.put("of no chain", 1, at=NOW)
    assert look() == []
    with house.app.store.writing() as tx:
        ridden(tx, house.rider, house.plover, NOW - timedelta(hours=9))  # after the last reading of all
        reckon(tx, house.app, now=NOW)
    assert look() == [house.amber]
