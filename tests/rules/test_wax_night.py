"""Which chains go into the pot together, and that every bike can leave in the morning."""

from __future__ import annotations

import pytest

from rules.spare_chains import fits
from rules.vocabulary import BikeId, ChainId
from rules.wax_night import plan
from tests.rules.notation import at, ledger_of, plain_limits

RULEBOOK = plain_limits()
NOW = at("2025-06-30")
COPPER, SLATE, TIN = ChainId(1), ChainId(2), ChainId(3)
PLOVER, CURLEW = BikeId(1), BikeId(2)
TWO = """
    2025-06-01        fitted    Copper  on Plover
    2025-06-01        fitted    Slate   on Curlew
    2025-06-01 13:00  immersed  Copper
    2025-06-01 13:00  immersed  Slate
    2025-06-02 06:00  rode      15 h    on Plover  dry
    2025-06-02 06:00  rode      10 h    on Curlew  dry
"""


def night(text, **more):
    return plan(ledger_of(text), RULEBOOK, now=NOW, **more)


def names(found):
    return [[one.name for one in batch] for batch in found.batches]


def test_chains_at_half_their_limit_go_together():
    found = night(TWO)
    assert names(found) == [["Slate", "Copper"]]  # the cleaner one first
    assert found.batches[0][0].because == "Slate has 10 of 16 grit-hours since its immersion."
    assert (found.swaps, found.left_out) == ((), ())
    assert set(found.ready_tonight) == {PLOVER, CURLEW}


def test_what_is_fresh_worn_retired_or_oiled_stays_out():
    text = (
        TWO
        + """
        chain Zinc   12-speed  wet lube
        2025-06-01        fitted    Tin     on Godwit
        2025-06-01 13:00  immersed  Tin
        2025-06-02 06:00  rode      7 h     on Godwit  dry
        2025-06-20        measured  Slate   0.6
        2025-06-21        retired   Lead
        2025-06-01        fitted    Zinc    on Heron
        """
    )
    found = night(text)
    assert names(found) == [["Copper"]]
    assert {ledger for ledger, _ in found.left_out} == {SLATE, ChainId(4)} or len(found.left_out) == 2
    assert sorted(why for _, why in found.left_out) == [
        "Slate is worn out: replace it, do not wax it.",
        "Tin has used 44% of its limit: not yet.",
    ]


SPARE = TWO + "2025-05-01  fitted  Tin  on Plover\n2025-05-02  removed  Tin\n2025-06-10  immersed  Tin\n"


def test_a_fresh_spare_takes_the_place_of_a_dipped_chain():
    found = night(SPARE)
    (swap,) = found.swaps
    assert (swap.bike, swap.off, swap.on) == (PLOVER, COPPER, TIN)
    assert swap.sentence == "Take Copper off Plover and fit Tin, which is fresh."
    assert found.ready_tonight == (CURLEW,)
    assert names(found) == [["Slate", "Copper"]]
    assert found.steps[0].what == swap.sentence


def test_a_bike_without_a_spare_that_rides_tomorrow_is_dipped_first():
    found = night(SPARE, needed=[CURLEW], pot_holds=1)
    assert names(found) == [["Slate"], ["Copper"]]
    other_way = TWO.replace("15 h", "20 h")
    assert names(night(other_way, needed=[PLOVER], pot_holds=1)) == [["Copper"], ["Slate"]]
    assert night(other_way, needed=[]).ready_tonight == ()


def test_each_spare_goes_once_to_the_dirtiest_and_never_a_dirty_or_wrong_or_retired_one():
    same = TWO.replace(
        "2025-06-01        fitted    Slate   on Curlew", "2025-06-01  fitted  Slate  on Curlew"
    )
    both = (
        same
        + "2025-05-01  fitted  Tin  on Plover\n2025-05-02  removed  Tin\n2025-05-03  fitted  Tin  on Curlew\n"
    )
    both += "2025-05-04  removed  Tin\n2025-06-10  immersed  Tin\n"
    assert [swap.bike for swap in night(both).swaps] == [PLOVER]
    assert night(both + "2025-06-11  retired  Tin\n").swaps == ()
    assert night(both + "2025-06-11  measured  Tin  0.7\n").swaps == ()
    stranger = TWO + "2025-06-10  immersed  Tin\n"
    assert night(stranger).swaps == ()
    lube = "chain Tin  12-speed  wet lube\n" + both
    assert night(lube).swaps == ()


def test_a_spare_of_the_same_kind_fits():
    from dataclasses import replace

    ledger = ledger_of(TWO + "2025-06-10  immersed  Tin\n")
    copper, _, tin = ledger.chains
    bike = ledger.bike(PLOVER)
    assert not fits(ledger, tin, copper, bike)
    assert fits(ledger, replace(tin, links=114), replace(copper, links=114), bike)
    assert not fits(ledger, replace(tin, links=114), replace(copper, links=116), bike)
    assert not fits(
        ledger, replace(tin, speeds=None, links=114), replace(copper, speeds=None, links=114), bike
    )


def test_a_new_chain_is_stripped_first_and_a_wet_one_dried():
    text = TWO.replace("15 h    on Plover  dry", "5 h    on Plover  wet") + "chain Tin\n"
    text += "2025-06-29 18:00  rode  1 h  on Plover  wet\n"
    found = night(text)
    assert names(found) == [["Slate", "Copper"], ["Tin"]]
    assert [one.wet for one in found.batches[0]] == [False, True]
    (tin,) = found.batches[1]
    assert (tin.never_waxed, tin.bike, tin.because) == (True, None, "Tin was never waxed: strip it first.")
    strip, wipe = found.steps[0], found.steps[1]
    assert strip.what.startswith("Strip Tin of factory grease")
    assert "vapour" in strip.caution
    assert "Copper came home wet" in wipe.what


def test_the_caution_stands_where_the_step_is():
    found = night(TWO)
    melt = next(step for step in found.steps if step.what.startswith("Melt"))
    for words in ("Never put water on burning wax", "80–95 °C", "120 °C", "bone dry", "see a doctor"):
        assert words in melt.caution
    assert "brake" in found.steps[-1].caution
    assert found.minutes == sum(step.minutes for step in found.steps) > 60
    assert next(step.minutes for step in found.steps if step.what.startswith("Wipe every chain")) == 2 * 5


def test_an_evening_with_nothing_to_do():
    found = night("2025-06-01  fitted  Copper  on Plover\n2025-06-02  immersed  Copper\n")
    assert (found.batches, found.steps, found.minutes) == ((), (), 0)
    with pytest.raises(ValueError, match="at least one chain"):
        night(TWO, pot_holds=0)
