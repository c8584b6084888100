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


def one_on_the_shelf(kind, text=HOUSE, *, now=NOW, begun=BEGUN, amount=500.0, **more):
    ledger = replace(ledger_of(text), supplies=(Supply(SupplyId(1), kind, amount, begun, **more),))
    return next(iter(stands(ledger, RULEBOOK, now=now)), None)


def test_a_supply_stands_and_is_used_from_its_beginning_until_its_end():
    second = timedelta(seconds=1)
    drip = at("2025-06-06")
    table = [
        ({"begun": NOW}, 0),
        ({"begun": NOW + second}, None),
        ({"ended_at": NOW + second}, 1),
        ({"ended_at": NOW}, None),
        ({"begun": drip}, 1),
        ({"begun": drip + second}, 0),
        ({"now": drip}, 1),
        ({"now": drip - second}, 0),
    ]
    for changes, uses in table:
        found = one_on_the_shelf(SupplyKind.DRIP_WAX, **changes)
        assert (found and found.uses) == uses, changes
    fitted = at("2025-06-12")
    for begun, uses in ((fitted, 1), (fitted + second, 0)):
        assert one_on_the_shelf(SupplyKind.QUICK_LINKS, begun=begun).uses == uses
    for now, uses in ((fitted, 3), (fitted - second, 2)):
        assert one_on_the_shelf(SupplyKind.QUICK_LINKS, now=now).uses == uses


def test_when_a_supply_is_used_up_almost_gone_and_how_long_it_lasts():
    """Six millilitres a drip; one drip in the 29 days since the first of June."""
    rows = [
        (12.0, "; at the recent pace until about 29 July 2025."),  # one left in 29 days
        (11.9, "; it is used up."),
    ]
    for amount, end in rows:
        found = one_on_the_shelf(SupplyKind.DRIP_WAX, amount=amount)
        assert found.soon
        assert found.sentence.endswith(end), found.sentence
    two_left = one_on_the_shelf(SupplyKind.DRIP_WAX, amount=18.0)
    assert (two_left.soon, two_left.by) == (False, NOW + timedelta(days=58))
    # within three weeks of its end it is told, at the pace of at least four weeks
    for drips, soon in ((3, True), (2, False)):
        often = "".join(f"2025-06-{day:02}  dripped  Copper\n" for day in range(20, 20 + drips))
        found = one_on_the_shelf(
            SupplyKind.DRIP_WAX, often, begun=at("2025-06-20"), amount=6.0 * drips + 12.0
        )
        assert found.by == NOW + timedelta(days=2 * 28 / drips), drips
        assert found.soon is (2 * 28 / drips <= 21) is soon
    # of long ago nothing is the recent pace: a season of 91 days
    early = "2025-03-31  dripped  Copper\n2025-03-31 12:01  dripped  Copper\n"
    found = one_on_the_shelf(SupplyKind.DRIP_WAX, early, begun=at("2025-01-01"), amount=18.0)
    assert found.by == NOW + timedelta(days=91 / 2)
    now = NOW + timedelta(seconds=30)
    later = one_on_the_shelf(SupplyKind.DRIP_WAX, early, begun=at("2025-01-01"), amount=18.0, now=now)
    assert later.by == now + timedelta(days=91)
    for litres_ml, seen in ((6.0 + 6.0 * 3660 / 29, True), (6.0 + 6.0 * 3661 / 29, False)):
        assert (one_on_the_shelf(SupplyKind.DRIP_WAX, amount=litres_ml).by is not None) is seen


def test_care_costs_what_was_in_use_then_the_newest_of_a_kind():
    drip = next(one for one in ledger_of(HOUSE).treatments if one.done_at == at("2025-06-06"))
    second = timedelta(seconds=1)

    def costs(*bottles):
        supplies = tuple(
            Supply(SupplyId(n), SupplyKind.DRIP_WAX, 60.0, begun, price=price, ended_at=ended)
            for n, (begun, ended, price) in enumerate(bottles, start=1)
        )
        return cost_of(replace(ledger_of(HOUSE), supplies=supplies), RULEBOOK, drip)

    assert costs((drip.done_at, None, 20.0)) == pytest.approx(2.0)
    assert costs((drip.done_at + second, None, 20.0)) is None
    assert costs((BEGUN, drip.done_at + second, 20.0)) == pytest.approx(2.0)
    assert costs((BEGUN, drip.done_at, 20.0)) is None
    assert costs((BEGUN, None, 20.0), (at("2025-06-03"), None, 30.0)) == pytest.approx(3.0)
    assert costs((BEGUN, None, 20.0), (BEGUN, None, 40.0)) == pytest.approx(4.0), "of two alike the later"
    little = Supply(SupplyId(1), SupplyKind.DRIP_WAX, 4.0, BEGUN, price=9.0)
    assert cost_of(replace(ledger_of(HOUSE), supplies=(little,)), RULEBOOK, drip) == pytest.approx(9.0), (
        "never more than all of it"
    )


def test_the_shelf_is_told_in_the_order_in_which_it_runs_out():
    kinds = (
        Supply(SupplyId(1), SupplyKind.SOLVENT, 100_000.0, BEGUN),
        Supply(SupplyId(2), SupplyKind.DRIP_WAX, 60.0, BEGUN),
        Supply(SupplyId(3), SupplyKind.DRIP_WAX, 30.0, BEGUN),
        Supply(SupplyId(4), SupplyKind.BATH, 20.0, BEGUN),
        Supply(SupplyId(5), SupplyKind.DRIP_WAX, 30.0, BEGUN),
    )
    found = stands(replace(ledger_of(HOUSE), supplies=kinds), RULEBOOK, now=NOW)
    assert [one.supply.id for one in found] == [4, 3, 5, 2, 1]
