"""The lot over labels, and how often so many chains would find a difference."""

from __future__ import annotations

import math

import numpy as np
import pytest

from rules.wear.permutation import Lot, Witness, chance_less, draw_lots, power


@pytest.mark.parametrize(("waxed", "control", "ways"), [(2, 2, 6), (3, 3, 20), (4, 4, 70), (3, 1, 4)])
def test_the_floor_of_a_lot(waxed, control, ways):
    # arithmetic: one over the number of ways to share the labels out
    drawn = draw_lots([Witness(0, 1.0, True)] * waxed + [Witness(0, 2.0, False)] * control)
    assert drawn == Lot(pytest.approx(1 / ways), pytest.approx(1 / ways))


def test_the_lot_agrees_with_scipy():
    from scipy import stats

    rng = np.random.default_rng(5)
    waxed, control = rng.normal(0.0, 1.0, 5).tolist(), rng.normal(0.6, 1.0, 6).tolist()
    theirs = stats.permutation_test(
        (waxed, control), lambda a, b: np.mean(a) - np.mean(b), alternative="less", n_resamples=np.inf
    )
    drawn = draw_lots([Witness(3, x, True) for x in waxed] + [Witness(3, x, False) for x in control])
    assert drawn is not None
    assert drawn.p == pytest.approx(theirs.pvalue)


def test_labels_are_shuffled_within_a_bike_only():
    # two bikes of 2 + 2: 6 x 6 ways; a bike of one kind alone adds none
    chains = [Witness(bike, rate, rate < 1.0) for bike in (0, 1) for rate in (0.1, 0.2, 1.1, 1.2)]
    assert draw_lots(chains) == Lot(pytest.approx(1 / 36), pytest.approx(1 / 36))
    assert draw_lots([*chains, Witness(2, -9.0, True)]) == Lot(pytest.approx(1 / 36), pytest.approx(1 / 36))
    apart = [Witness(0, 0.1, True), Witness(1, 0.9, False)]
    assert draw_lots(apart) == Lot(1.0, 1.0)


def test_too_many_ways_are_not_counted():
    chains = [Witness(0, 0.0, True)] * 11 + [Witness(0, 1.0, False)] * 11
    assert draw_lots(chains) is None
    assert draw_lots(chains[1:-1]) is not None


def test_chance_less_against_the_normal_integral():
    # with no spread known, the answer is a mixture; by brute force over spread and effect
    from scipy import stats

    waxed, lubed = np.array([[-0.6, -0.2, -0.5]]), np.array([[0.1, 0.2, -0.3]])
    effect = np.linspace(-3, 3, 1201)[:, None, None]
    spread = np.geomspace(0.1, 1.0, 7)[None, :, None]
    middle = np.linspace(-3, 3, 601)[None, None, :]
    sd = np.sqrt(spread**2 + 0.01)
    log = stats.norm.logpdf(effect, 0.0, 0.5) + stats.norm.logpdf(np.log(spread), math.log(0.35), 0.5)
    for one in waxed[0]:
        log = log + stats.norm.logpdf(one, middle + effect, sd)
    for one in lubed[0]:
        log = log + stats.norm.logpdf(one, middle, sd)
    mass = np.exp(log - log.max()).sum(axis=(1, 2))
    assert chance_less(waxed, lubed, 0.1)[0] == pytest.approx(
        mass[effect[:, 0, 0] < 0].sum() / mass.sum(), abs=2e-3
    )


@pytest.mark.parametrize(
    ("wear_ratio", "spread", "per_arm", "reached"),
    # measured elsewhere by the same two rules, on 6 000 to 20 000 simulated households
    [
        (0.7, 0.2, 5, 0.64),
        (0.7, 0.4, 4, 0.24),
        (0.5, 0.4, 3, 0.46),
        (0.5, 0.4, 5, 0.73),
        (0.5, 0.6, 5, 0.48),
        (1.0, 0.4, 3, 0.04),
    ],
)
def test_how_often_so_many_chains_find_it(wear_ratio, spread, per_arm, reached):
    assert power(per_arm, wear_ratio, spread, 0.1) == pytest.approx(reached, abs=0.06)
    assert power(per_arm, wear_ratio, spread) <= reached + 0.01  # not as much is known of a real chain's rate
