"""How far totals and due dates move over the ranges of the assumed weights, against sums done by hand."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, timedelta
from zoneinfo import ZoneInfo

import pytest

from rules.rulebook import parse_rulebook
from rules.sensitivity import TOGETHER, WEIGHTS, sensitivity
from rules.vocabulary import ChainId
from tests.rules.notation import at, ledger_of, plain_limits

RULEBOOK = plain_limits()
COPPER, SLATE = ChainId(1), ChainId(2)
NOW = "2025-06-01"
# 2 h wet (water 1), 1 h of dust 1, 1 h of mud 0.5, all on unpaved ground; before the immersion nothing counts
MIXED = """
    bike Plover  of Ada  unpaved 1
    2025-05-01        fitted    Copper  on Plover
    2025-05-02 08:00  rode      5 h     on Plover  water 1
    2025-05-10        immersed  Copper
    2025-05-20 08:00  rode      2 h     on Plover  water 1
    2025-05-22 08:00  rode      1 h     on Plover  water 0  dust 1
    2025-05-24 08:00  rode      1 h     on Plover  water 0  mud 0.5
"""


def only(text, now=NOW, **more):
    (one,) = sensitivity(ledger_of(text), RULEBOOK, now=at(now), **more)
    return one


def test_each_weight_moves_what_it_weighs_and_all_of_them_move_the_sum():
    one = only(MIXED)
    # 4 h + 2·2 (water) + 1·1 (dust) + 5·0.5 (mud)
    assert (one.drive_h, one.assumed.grit_h) == (4.0, pytest.approx(11.5))
    by_name = {row.what: row for row in one.moves}
    assert [row.what for row in one.moves] == [*WEIGHTS, TOGETHER]
    ends = {name: (row.low.grit_h, row.high.grit_h) for name, row in by_name.items()}
    assert ends["water"] == pytest.approx((11.5 - 2 * 1.5, 11.5 + 2 * 3.0))  # a_w 0.5 to 5
    assert ends["mud"] == pytest.approx((11.5 - 0.5 * 4.0, 11.5 + 0.5 * 10.0))  # a_m 1 to 15
    assert ends["dust"] == pytest.approx((11.5 - 0.7, 11.5 + 2.0))  # a_d 0.3 to 3
    assert ends[TOGETHER] == pytest.approx((4 + 2 * 0.5 + 0.5 * 1 + 0.3, 4 + 2 * 5 + 0.5 * 15 + 3))
    assert by_name["water"].range == (0.5, 5.0)
    assert by_name[TOGETHER].range is None
    assert by_name["water"].grit_h == pytest.approx(9.0)


def test_due_dates_move_with_the_pace_that_the_same_weights_give():
    text = """
        2025-05-01        fitted    Copper  on Plover
        2025-05-03 13:00  immersed  Copper
        2025-05-20 08:00  rode      2 h     on Plover  water 1
    """
    one = only(text)
    assumed, water = one.assumed, one.moves[0]
    # 2·(1 + 2) = 6 grit-hours in 28 days: a drip at 9 after 14 days more, immersion at 16 after 46.7
    assert assumed.drip_by == at(NOW) + timedelta(days=14)
    assert assumed.immersion_by == at(NOW) + timedelta(days=10 / 6 * 28)
    # at water 0.5: 3 grit-hours; (9 - 3) / 3 · 28 = 56 days
    assert water.low.drip_by == at(NOW) + timedelta(days=56)
    # at water 5: 12 grit-hours, over 9 already
    assert water.high.drip_by == at(NOW)
    assert water.high.immersion_by == at(NOW) + timedelta(days=4 / 12 * 28)
    assert one.sentence == (
        "Copper carries 6 grit-hours since its last immersion, or 3 to 12 by other weights, most of that by "
        "water; re-immersion comes between 10 June 2025 and 30 September 2025."
    )


def test_a_dry_chain_rests_on_no_assumption():
    one = only("""
        2025-05-01        fitted    Copper  on Plover
        2025-05-20 08:00  rode      2 h     on Plover  dry
    """)
    assert {(row.low.grit_h, row.high.grit_h) for row in one.moves} == {(2.0, 2.0)}
    assert {row.low.drip_by for row in one.moves} == {one.assumed.drip_by}
    assert one.sentence == (
        "Copper: the weights hardly matter, for it met next to no water, mud or dust since it was new."
    )


def test_a_chain_that_is_due_by_every_weight_is_said_to_be():
    one = only("""
        2025-05-01        fitted    Copper  on Plover
        2025-05-20 08:00  rode      18 h    on Plover  water 0.1
    """)
    assert one.assumed.immersion_by == one.moves[-1].low.immersion_by == at(NOW)
    assert one.sentence.endswith("most of that by water; re-immersion comes now whichever holds.")


def test_without_a_pace_there_is_no_date():
    rested = """
        2025-05-01        fitted    Copper  on Plover
        2025-05-02 08:00  rode      4 h     on Plover  water 1
    """
    one = only(rested, "2025-09-01")
    assert (one.assumed.drip_by, one.assumed.immersion_by) == (at("2025-09-01"), None)
    assert one.sentence.endswith(  # at water 5 it is 24 grit-hours, over the 16
        "re-immersion is due now by the highest weights; by the lowest it was not ridden enough to say."
    )
    short = only(rested.replace("4 h ", "1 h "), "2025-09-01")
    assert short.moves[-1].high.immersion_by is None
    assert short.sentence.endswith("; it was not ridden enough lately to say when re-immersion comes.")


def test_a_lubed_chain_speaks_of_cleaning():
    one = only("""
        chain Copper  12-speed  lube
        2025-05-01        fitted    Copper  on Plover
        2025-05-10        cleaned   Copper
        2025-05-20 08:00  rode      2 h     on Plover  water 1
    """)
    assert "6 grit-hours since its last cleaning, or 3 to 12" in one.sentence
    assert "; a cleaning comes between 10 June 2025 and 30 September 2025." in one.sentence


def test_a_chain_on_no_bike_is_told_only_when_asked_for():
    text = f"""{MIXED}
        2025-05-25        removed   Copper
        2025-05-26        fitted    Slate   on Plover
    """
    assert [one.chain for one in sensitivity(ledger_of(text), RULEBOOK, now=at(NOW))] == [SLATE]
    copper = only(text, only={COPPER})
    assert copper.assumed.immersion_by is None
    assert copper.moves[-1].low.drip_by is None
    assert copper.sentence.endswith("; it is on no bike now, so nothing falls due.")


def test_rides_after_now_do_not_count_and_days_are_the_riders_own():
    ledger = ledger_of(MIXED)
    (one,) = sensitivity(ledger, RULEBOOK, now=at("2025-05-21"))
    assert one.assumed.grit_h == pytest.approx(6.0)
    far = replace(ledger, riders=tuple(replace(r, time_zone="Pacific/Pago_Pago") for r in ledger.riders))
    here, there = (
        sensitivity(book, RULEBOOK, now=at("2025-05-21"), zone_of=lambda name: ZoneInfo(name or "UTC"))[0]
        for book in (ledger, far)
    )
    assert here.moves == there.moves
    assert here.sentence != there.sentence
    assert sensitivity(ledger, RULEBOOK, now=at("2025-05-21"), zone_of=lambda _: UTC)[0] == here


def test_the_ranges_are_the_households_own():
    own = parse_rulebook(
        'version = "2"\n[weight.water]\nvalue = 3\nrange = [3, 3]\n', name="own", base=plain_limits()
    )
    (one,) = sensitivity(ledger_of(MIXED), own, now=at(NOW))
    assert one.moves[0].low == one.moves[0].high == one.assumed
    assert one.assumed.grit_h == pytest.approx(11.5 + 2)
    assert one.moves[0].range == (3.0, 3.0)
