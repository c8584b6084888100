"""What is left of a bath, a bottle and a pack, by the care that was logged, and when it runs out."""

from __future__ import annotations

from dataclasses import replace
from datetime import timedelta

import pytest

from rules.rulebook import default_rulebook
from rules.supplies import BATH_GRIT_H, cost_of, running_out, stands
from rules.vocabulary import Supply, SupplyId, SupplyKind
from tests.rules.notation import at, ledger_of

RULEBOOK = default_rulebook()
NOW = at("2025-06-30")
BEGUN = at("2025-06-01")
HOUSE = """
    2025-05-01        fitted    Copper  on Plover
    2025-05-01        immersed  Copper
    2025-06-02 06:00  rode      10 h    on Plover  dry
    2025-06-03        immersed  Copper
    2025-06-05 06:00  rode      5 h     on Plover  dry
    2025-06-06        dripped   Copper
    2025-06-08 06:00  rode      15 h    on Plover  dry
    2025-06-10        stripped  Copper
    2025-06-11        immersed  Copper
    2025-06-12        fitted    Slate   on Curlew
"""


def shelf(kind, amount, text=HOUSE, *, now=NOW, **more):
    supply = Supply(SupplyId(1), kind, amount, BEGUN, **more)
    ledger = replace(ledger_of(text), supplies=(supply,))
    return stands(ledger, RULEBOOK, now=now)


def test_a_bath_gives_wax_and_takes_grit():
    (bath,) = shelf(SupplyKind.BATH, 500.0)
    # two chains since it was melted, 7 g each, of the half that may go; they brought 10 and 5 + 15 with 8 of
    # the 20 hours since the drip beyond the film of 12: (10) + (5 + 15 + 3 beyond 12)
    assert (bath.uses, bath.left) == (2, 250.0 - 14.0)
    assert bath.grit_h == pytest.approx(10.0 + 5.0 + 15.0 + 3.0)
    assert bath.uses_left == pytest.approx((BATH_GRIT_H - 33.0) / 16.5)
    assert bath.sentence.startswith(
        "Bath: 2 immersions since 1 June 2025, 236 g left to use, 33 of 400 grit-hours taken up; at the "
    )
    assert not bath.soon


def test_a_small_bath_is_spent_by_its_wax():
    (bath,) = shelf(SupplyKind.BATH, 40.0, name="green pot")
    assert bath.uses_left == pytest.approx(6.0 / 7.0)
    assert bath.sentence.startswith("Bath green pot: 2 immersions since")
    assert bath.sentence.endswith("; it is used up.")
    assert (bath.soon, bath.by) == (True, NOW)


def test_what_each_thing_is_used_by():
    (bottle,) = shelf(SupplyKind.DRIP_WAX, 100.0)
    assert (bottle.uses, bottle.left, bottle.grit_h) == (1, 94.0, 0.0)
    assert "1 drip since" in bottle.sentence
    (own,) = shelf(SupplyKind.DRIP_WAX, 100.0, a_use=4.0)
    assert own.left == 96.0
    (can,) = shelf(SupplyKind.SOLVENT, 1000.0)
    assert (can.uses, can.left) == (1, 850.0)
    (links,) = shelf(SupplyKind.QUICK_LINKS, 6.0)
    # opened for two baths of a chain on its bike, and to fit Slate
    assert (links.uses, links.left) == (3, pytest.approx(5.0))


def test_when_it_runs_out_is_reckoned_by_the_pace_since_it_was_begun():
    (bottle,) = shelf(SupplyKind.DRIP_WAX, 30.0)  # one drip in 29 days, four left
    assert bottle.by == NOW + timedelta(days=4 * 29)
    assert running_out((bottle,)) == ""
    (soon,) = shelf(SupplyKind.DRIP_WAX, 12.0)  # one left, which is soon whatever the pace
    assert running_out((soon,)).startswith("Soon to be got: drip wax (lasts until ")
    unused = replace(soon, by=None)
    assert running_out((soon, unused)).endswith(") and drip wax (almost gone)")
    (idle,) = shelf(SupplyKind.SOLVENT, 1000.0, HOUSE.replace("stripped", "wiped  "))
    assert idle.by is None
    assert idle.sentence.endswith("1000 ml left to use; enough for 6 more.")
    (years,) = shelf(SupplyKind.SOLVENT, 100_000.0)
    assert years.by is None


def test_only_what_is_in_use_stands_and_the_next_to_run_out_first():
    ledger = ledger_of(HOUSE)
    shelf_ = (
        Supply(SupplyId(1), SupplyKind.BATH, 500.0, BEGUN, ended_at=at("2025-06-20")),
        Supply(SupplyId(2), SupplyKind.BATH, 500.0, at("2025-07-20")),
        Supply(SupplyId(3), SupplyKind.SOLVENT, 100_000.0, BEGUN),
        Supply(SupplyId(4), SupplyKind.DRIP_WAX, 30.0, BEGUN, ended_at=at("2025-07-20")),
        Supply(SupplyId(5), SupplyKind.DRIP_WAX, 5.0, BEGUN),
    )
    assert [one.supply.id for one in stands(replace(ledger, supplies=shelf_), RULEBOOK, now=NOW)] == [5, 4, 3]
    assert stands(replace(ledger, riders=()), RULEBOOK, now=NOW) == ()
    (fresh,) = stands(replace(ledger_of("chain Tin"), supplies=shelf_[2:3]), RULEBOOK, now=NOW)
    assert fresh.uses == 0


def test_care_costs_what_it_takes_of_supplies_with_a_price():
    dry_chain = "    2025-06-11 20:00  immersed  Slate\n"
    ledger = replace(
        ledger_of(HOUSE + dry_chain),
        supplies=(
            Supply(SupplyId(1), SupplyKind.BATH, 500.0, BEGUN, price=20.0),
            Supply(SupplyId(2), SupplyKind.DRIP_WAX, 120.0, at("2025-05-01"), price=99.0, ended_at=BEGUN),
            Supply(SupplyId(3), SupplyKind.DRIP_WAX, 100.0, BEGUN, a_use=5.0, price=18.0),
            Supply(SupplyId(4), SupplyKind.SOLVENT, 1000.0, BEGUN),
            Supply(SupplyId(5), SupplyKind.QUICK_LINKS, 6.0, at("2025-04-01"), price=12.0),
        ),
    )
    costs = [cost_of(ledger, RULEBOOK, one) for one in sorted(ledger.treatments, key=lambda one: one.done_at)]
    link = 12.0 / 6.0 / 3.0
    assert costs == [
        None,  # before the bath was melted: a link alone is not what an immersion costs
        pytest.approx(20.0 * 7.0 / 250.0 + link),  # the wax that leaves: more of the bath than 10 of 400
        pytest.approx(18.0 * 5.0 / 100.0),
        None,  # solvent without a price
        pytest.approx(20.0 * 23.0 / 400.0 + link),  # the grit that stays
        pytest.approx(20.0 * 7.0 / 250.0),  # on no bike: its link stays shut
    ]
    assert cost_of(replace(ledger, supplies=()), RULEBOOK, ledger.treatments[0]) is None
