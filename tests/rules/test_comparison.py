"""Wax against wet lube: one chain, one witness; too few is said; cost with what is missing."""

from __future__ import annotations

import math
from datetime import timedelta

import numpy as np
import pytest
from scipy import stats
from statsmodels.stats.power import TTestIndPower

from rules.comparison import chains_needed, compare, cost, permutation_floor, permutation_p
from rules.rulebook import default_rulebook
from rules.vocabulary import Regime
from rules.wear import CHAIN_TO_CHAIN_LOG_SD
from rules.wear_model import Measure
from tests.rules.notation import at, ledger_of

RULEBOOK = default_rulebook()
NOW = at("2025-12-01")


def chain(name, slope, *, lube=False, readings=4, price=None, word="dry"):
    """Sixty days of 3 h on a bike of its own, wearing at this rate."""
    first = at("2025-01-01")
    money = f"  price {price}" if price else ""
    lines = [
        f"chain {name}  12-speed  {'wet lube' if lube else ''}{money}",
        f"2025-01-01  fitted  {name}  on {name}s-bike",
    ]
    for number in range(1, 61):
        when = first + timedelta(days=number)
        lines.append(f"{when:%Y-%m-%d} 08:00  rode  3 h  on {name}s-bike  {word}")
        if readings and number % (60 // readings) == 0:
            lines.append(f"{when:%Y-%m-%d} 20:00  measured  {name}  {0.05 + slope * 3 * number:.4f}")
    return "\n".join(lines) + "\n"


def household(wax, lube):
    return ledger_of(
        "".join(chain(f"W{i}", slope) for i, slope in enumerate(wax))
        + "".join(chain(f"L{i}", slope, lube=True) for i, slope in enumerate(lube))
    )


def test_the_ratio_of_wear_rates_between_chains():
    found = compare(household([0.0010, 0.0011, 0.0012], [0.0020, 0.0022, 0.0024]), RULEBOOK, now=NOW)
    assert found.ratio is not None
    assert found.ratio.value == pytest.approx(0.5, rel=0.05)
    assert found.ratio.low < found.ratio.value < found.ratio.high
    assert [len(arm) for arm in (found.waxed, found.control)] == [3, 3]
    assert (found.p_value, found.p_floor) == (1 / 20, 1 / 20)
    assert not found.descriptive_only
    assert found.ratio_of_means is not None
    assert found.ratio_of_means.value == pytest.approx(0.5, rel=0.05)
    assert found.sentence.startswith(
        "Per drive hour, waxed chains wore at 0.48 times the rate of wet-lube ones (90 %: "
    )
    assert "3 waxed chains against 3 wet-lube chains" in found.sentence
    assert len(found.confounds) >= 6


def test_the_interval_allows_for_what_differs_between_chains_however_often_each_is_measured():
    # With unlimited readings the sd of ln ratio is still tau * sqrt(1/n + 1/m).
    found = compare(household([0.001] * 3, [0.002] * 3), RULEBOOK, now=NOW).ratio
    floor = CHAIN_TO_CHAIN_LOG_SD * math.sqrt(2 / 3)
    assert math.log(found.high / found.low) / 2 / stats.norm.ppf(0.95) > floor


def test_two_per_arm_are_described_and_no_more():
    found = compare(household([0.0010, 0.0011], [0.0020, 0.0022]), RULEBOOK, now=NOW)
    assert found.descriptive_only
    assert found.sentence.endswith("Descriptive only: too few chains to tell wax from chance.")
    assert found.p_value == pytest.approx(1 / 6)
    one = compare(household([0.0010], [0.0020]), RULEBOOK, now=NOW)
    assert (one.ratio_of_means, one.p_value) == (None, 0.5)
    assert "1 waxed chain against 1 wet-lube chain" in one.sentence


def test_no_difference_is_said_so():
    found = compare(household([0.0015, 0.0020, 0.0012], [0.0016, 0.0019, 0.0013]), RULEBOOK, now=NOW)
    assert found.sentence.endswith("No difference can be told from chance yet.")


def test_a_difference_beyond_chance_stands_without_a_but():
    found = compare(household([0.0006] * 4, [0.0026] * 4), RULEBOOK, now=NOW)
    assert found.ratio.high < 1.0
    assert found.sentence.endswith("4 waxed chains against 4 wet-lube chains).")


def test_nothing_to_compare_says_what_is_missing_and_what_it_would_take():
    found = compare(ledger_of(chain("W0", 0.001) + chain("W1", 0.001, readings=1)), RULEBOOK, now=NOW)
    assert found.sentence == "Nothing to compare yet: no wet lube chain with two readings."
    assert (found.ratio, found.p_value, found.p_floor, len(found.too_early)) == (None, None, None, 1)
    assert found.wants.startswith("About ")
    assert found.wants.endswith("you have 1 and 0.")
    empty = compare(ledger_of("rider Ada"), RULEBOOK, now=NOW)
    assert empty.sentence == (
        "Nothing to compare yet: no waxed chain with two readings and no wet lube chain with two readings."
    )


def test_by_grit_hours_wetness_is_already_counted():
    text = "".join(chain(f"W{i}", 0.001, word="wet") for i in range(3))
    text += "".join(chain(f"L{i}", 0.001, lube=True) for i in range(3))
    ledger = ledger_of(text)
    by = {m: compare(ledger, RULEBOOK, now=NOW, measure=m).ratio.value for m in Measure}
    assert by[Measure.DRIVE_HOURS] == pytest.approx(1.0, abs=0.05)
    assert by[Measure.KILOMETRES] == pytest.approx(1.0, abs=0.05)
    assert by[Measure.GRIT_HOURS] == pytest.approx(1 / 2.6, rel=0.05)


@pytest.mark.parametrize(("waxed", "control", "ways"), [(2, 2, 6), (3, 3, 20), (4, 4, 70), (3, 1, 4)])
def test_the_floor_of_a_permutation_test(waxed, control, ways):
    # arithmetic: one over the number of ways to share the labels out
    assert permutation_floor(waxed, control) == pytest.approx(1 / ways)
    assert permutation_p([1.0] * waxed, [2.0] * control) == pytest.approx(1 / ways)


def test_the_permutation_test_agrees_with_scipy():
    rng = np.random.default_rng(5)
    waxed, control = rng.normal(0.0, 1.0, 5).tolist(), rng.normal(0.6, 1.0, 6).tolist()
    theirs = stats.permutation_test(
        (waxed, control), lambda a, b: np.mean(a) - np.mean(b), alternative="less", n_resamples=np.inf
    )
    assert permutation_p(waxed, control) == pytest.approx(theirs.pvalue)


def test_too_many_ways_are_not_counted():
    assert permutation_p([0.0] * 10, [1.0] * 10) is not None
    assert permutation_p([0.0] * 11, [1.0] * 11) is None
    assert permutation_p([], [1.0]) is None


@pytest.mark.parametrize(
    ("effect", "per_arm"),
    # two-sample t test, 5 % two-sided, power 80 %: Cohen 1988 (from memory: 64, 26, 17, 9, 6), statsmodels
    [(0.5, 63.7656), (0.8, 25.5246), (1.0, 16.7147), (1.5, 8.0603), (2.0, 5.0900)],
)
def test_how_many_chains_it_takes(effect, per_arm):
    assert TTestIndPower().solve_power(effect, alpha=0.05, power=0.8) == pytest.approx(per_arm, abs=1e-3)
    assert chains_needed(math.exp(-effect), 1.0) == pytest.approx(per_arm, abs=0.25)
    assert chains_needed(math.exp(effect), 1.0) == pytest.approx(per_arm, abs=0.25)


# --- cost ---


def test_what_a_thousand_kilometres_cost():
    text = chain("W0", 0.0015, price=60) + "2025-01-02  immersed  W0  cost 3  minutes 40\n"
    found = cost(
        ledger_of(text + "2025-02-01  dripped  W0  cost 0.5  minutes 10\n"), RULEBOOK, Regime.WAXED, now=NOW
    )
    assert found.distance_km == pytest.approx(60 * 3 * 25.0)
    assert found.treatments_per_1000_km == pytest.approx(3.5 / 4.5)
    assert found.minutes_per_1000_km == pytest.approx(50 / 4.5)
    assert found.chains_per_1000_km == pytest.approx(60 * (180 / 300) / 4.5, rel=0.05)  # 60 % of its life
    assert found.money_per_1000_km == pytest.approx(found.chains_per_1000_km + found.treatments_per_1000_km)
    assert found.missing == ()


def test_a_retired_chain_costs_its_whole_price_and_a_worn_one_no_more_than_that():
    retired = chain("W0", 0.0005, price=45) + "2025-11-01  retired  W0\n"
    assert cost(ledger_of(retired), RULEBOOK, Regime.WAXED, now=NOW).chains_per_1000_km == pytest.approx(10.0)
    worn = chain("W0", 0.004, price=45)
    assert cost(ledger_of(worn), RULEBOOK, Regime.WAXED, now=NOW).chains_per_1000_km == pytest.approx(10.0)


def test_what_is_not_noted_is_named():
    text = chain("W0", 0.0015) + chain("W1", 0.0, readings=0, price=50)
    text += "2025-01-02  immersed  W0\n2025-12-24  immersed  W0\n"
    text += "chain W2  price 10\n" + chain("L0", 0.002, lube=True)
    found = cost(ledger_of(text), RULEBOOK, Regime.WAXED, now=NOW)
    assert found.missing == (
        "the price of W0",
        "the cost of some treatments of W0",
        "the minutes of some treatments of W0",
        "the expected life of W1",
    )
    assert found.money_per_1000_km == 0.0
    nothing = cost(ledger_of("chain W2  price 10"), RULEBOOK, Regime.WAXED, now=NOW)
    assert (nothing.distance_km, nothing.money_per_1000_km) == (0.0, None)
