"""Wax against wet lube: one chain, one witness; too few, or other bikes, and nothing is claimed."""

from __future__ import annotations

from dataclasses import replace
from datetime import timedelta

import pytest

from rules.rulebook import default_rulebook
from rules.vocabulary import BikeId, ChainId, Trial, TrialId
from rules.wear.comparison import compare
from rules.wear.permutation import ALPHA
from tests.rules.notation import at, ledger_of

RULEBOOK = default_rulebook()
NOW = at("2025-12-01")


def lived(name, slope, start, *, bike="Plover", lube=False, readings=4, word="dry"):
    """Forty days of 3 h, wearing at this rate."""
    first = at(start)
    lines = [
        f"chain {name}  12-speed  {'wet lube' if lube else ''}",
        f"{start}  fitted  {name}  on {bike}",
    ]
    for number in range(1, 41):
        when = first + timedelta(days=number)
        lines.append(f"{when:%Y-%m-%d} 08:00  rode  3 h  on {bike}  {word}")
        if readings and number % (40 // readings) == 0:
            lines.append(f"{when:%Y-%m-%d} 20:00  measured  {name}  {0.04 + slope * 3 * number:.4f}")
    lines.append(f"{when:%Y-%m-%d} 21:00  removed  {name}")
    return "\n".join(lines) + "\n"


def household(wax, lube, *, bikes=("Plover", "Plover"), words=("dry", "dry")):
    """Chains that took turns, each for forty days."""
    text, day = "", at("2022-01-01")
    arms = [(f"W{i}", slope, False, 0) for i, slope in enumerate(wax)]
    arms += [(f"L{i}", slope, True, 1) for i, slope in enumerate(lube)]
    for name, slope, lubed, arm in arms:
        text += lived(name, slope, f"{day:%Y-%m-%d}", bike=bikes[arm], lube=lubed, word=words[arm])
        day += timedelta(days=42)
    return ledger_of(text)


def test_a_clear_difference_on_one_bike_is_claimed():
    found = compare(
        household([0.0010, 0.0011, 0.0012, 0.0010], [0.0030, 0.0032, 0.0034, 0.0031]), RULEBOOK, now=NOW
    )
    assert found.ratio is not None
    assert 0.25 < found.ratio.value < 0.6
    assert found.ratio.low < found.ratio.value < found.ratio.high < 1.0
    assert found.lot is not None
    assert (found.lot.p, found.lot.floor) == (1 / 70, 1 / 70)
    assert (found.claimed, found.same_bike, found.descriptive_only) == (True, True, False)
    assert (found.doubt, found.without_lot) == ("", 8)
    assert found.sentence.startswith("In like conditions waxed chains wore at ")
    assert "4 waxed chains against 4 wet-lube chains" in found.sentence
    assert found.sentence.endswith("Shuffling who was waxed gives as much in 1.4 % of the ways.")
    assert len(found.confounds) >= 3


def test_three_against_three_that_never_cross_are_just_enough():
    found = compare(household([0.0010, 0.0011, 0.0012], [0.0060, 0.0062, 0.0064]), RULEBOOK, now=NOW)
    assert found.lot is not None
    assert found.lot.p == 1 / 20 == ALPHA  # one way in twenty: as rare as is asked for, not rarer
    assert found.claimed


def test_the_same_difference_on_two_bikes_may_be_the_bikes_and_is_never_claimed():
    wax, lube = [0.0010, 0.0011, 0.0012, 0.0010], [0.0030, 0.0032, 0.0034, 0.0031]
    found = compare(household(wax, lube, bikes=("Plover", "Curlew")), RULEBOOK, now=NOW)
    assert found.ratio is not None
    assert (found.claimed, found.same_bike, found.lot, found.descriptive_only) == (False, False, None, True)
    assert found.sentence.endswith(
        "Nothing can be told from it: no bike has worn both, so it may be the bikes."
    )
    assert found.doubt == (
        "No bike has worn both kinds: what seems saved may be the bikes' doing and not the wax's."
    )
    one_bike = compare(household(wax, lube), RULEBOOK, now=NOW).ratio
    assert one_bike is not None
    assert found.ratio.high / found.ratio.low > 1.2 * one_bike.high / one_bike.low


def test_that_wax_wears_more_is_shown_and_never_claimed():
    found = compare(household([0.0030, 0.0032, 0.0034], [0.0010, 0.0011, 0.0012]), RULEBOOK, now=NOW)
    assert found.ratio is not None
    assert found.ratio.value > 1.3
    assert not found.claimed
    assert found.sentence.endswith("No difference can be told from chance yet.")


def test_two_per_arm_are_described_and_no_more():
    found = compare(household([0.0010, 0.0011], [0.0030, 0.0032]), RULEBOOK, now=NOW)
    assert found.descriptive_only
    assert found.sentence.endswith("Descriptive only: too few chains to tell wax from chance.")
    assert found.lot is not None
    assert found.lot.p == pytest.approx(1 / 6)


def test_no_difference_is_said_so():
    found = compare(household([0.0015, 0.0020, 0.0012], [0.0016, 0.0019, 0.0013]), RULEBOOK, now=NOW)
    assert found.sentence.endswith("No difference can be told from chance yet.")
    assert found.doubt.startswith("That waxed chains wear less is not shown: ")


def test_chains_whose_turns_a_lot_drew_are_told_apart_from_the_others():
    ledger = household([0.0015, 0.0020], [0.0016, 0.0019])
    pair = Trial(TrialId(1), BikeId(1), ChainId(1), ChainId(3), at("2022-01-01"), 300.0, 1)
    assert compare(replace(ledger, trials=(pair,)), RULEBOOK, now=NOW).without_lot == 2


def test_wetness_is_taken_out_and_a_group_ridden_wetter_is_named():
    # waxed chains ridden wet wear 2.6 times as fast as lubed ones ridden dry: by the assumed weights, alike
    wax, lube = [0.0026, 0.0028, 0.0024], [0.0010, 0.0011, 0.0009]
    found = compare(household(wax, lube, words=("wet", "dry")), RULEBOOK, now=NOW)
    assert found.ratio is not None
    assert found.ratio.low < 1.0 < found.ratio.high
    assert found.ratio.value == pytest.approx(1.0, abs=0.35)
    (differs,) = found.differs
    assert differs == "waxed chains met more water (0.8 against 0 in an average hour)"


def test_more_chains_than_are_heard_are_said_to_be_left_out():
    found = compare(household([0.0015] * 9, [0.0016] * 9), RULEBOOK, now=at("2025-12-01"))
    assert len(found.waxed) + len(found.control) == 16
    assert found.sentence.endswith(" Of 2 more chains, longer out of use, nothing is in it.")
    assert found.too_early == ()  # those two have readings enough


def test_nothing_to_compare_says_what_is_missing_and_what_it_would_take():
    ledger = ledger_of(lived("W0", 0.001, "2025-01-01") + lived("W1", 0.001, "2025-03-01", readings=1))
    found = compare(ledger, RULEBOOK, now=NOW)
    assert found.sentence == "Nothing to compare yet: no wet lube chain with two readings."
    assert (found.ratio, found.lot, len(found.too_early)) == (None, None, 1)
    assert found.doubt.startswith("That waxed chains wear less is not shown: ")
    assert found.wants.startswith(
        "If waxing halved wear, three chains of each kind on one bike, each read by caliper after its first "
        "ten hours and again until it comes off, would show it in "
    )
    assert found.wants.endswith("You have 1 and 0.")
    empty = compare(ledger_of("rider Ada"), RULEBOOK, now=NOW)
    assert empty.sentence == (
        "Nothing to compare yet: no waxed chain with two readings and no wet lube chain with two readings."
    )
