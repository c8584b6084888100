"""Telling wax from chance: the exact lot over labels, and how often so many chains would find a difference.

One chain is one witness, however often it was measured: its readings share a bike, sprockets and a rider.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from functools import lru_cache
from itertools import combinations
from typing import NamedTuple

import numpy as np
from scipy import special

from rules.wear.model import SPREAD, SPREADS, WAX
from rules.wear.reading_arrays import Array

MOST_WAYS = 200_000  # of sharing the labels out; ten and ten make 184 756
ALPHA = 0.05
TRIALS = 2000
# sd of a chain's ln rate as its readings tell it, weather and running-in unknown, by the spread of chains: a
# line through what five kinds of 150 simulated households found, each chain read by caliper after ten hours
# and on to half its limit and beyond (spread .2: .15 and .18; .4: .20 and .22; .6: .30).
ERROR_AT_NONE, ERROR_BY_SPREAD = 0.12, 0.23


class Witness(NamedTuple):
    """A chain on a bike: how fast it wore (ln rate), and whether it was waxed."""

    bike: int
    log_rate: float
    waxed: bool


class Lot(NamedTuple):
    """How often shuffled labels favour wax at least as much, one-sided; and the least that this can be."""

    p: float
    floor: float


def draw_lots(witnesses: Sequence[Witness]) -> Lot | None:
    """Would chance favour wax as much? Labels are shuffled within each bike, every way counted once.

    Bikes that wore one kind only have one way: they say nothing. None = too many ways to count.
    """
    strata = [[one for one in witnesses if one.bike == bike] for bike in {one.bike for one in witnesses}]
    ways = math.prod(math.comb(len(one), sum(w.waxed for w in one)) for one in strata)
    if ways > MOST_WAYS:
        return None
    sums = np.zeros(1)
    for stratum in strata:
        rates = [one.log_rate for one in stratum]
        own = [math.fsum(chosen) for chosen in combinations(rates, sum(one.waxed for one in stratum))]
        sums = (sums[:, None] + np.array(own)[None, :]).ravel()
    observed = math.fsum(one.log_rate for one in witnesses if one.waxed)
    return Lot(float((sums <= observed + 1e-9).mean()), 1.0 / ways)


@lru_cache(maxsize=256)
def power(per_arm: int, wear_ratio: float, spread: float, error: float | None = None) -> float:
    """In which share of households would so many chains of each kind show this ratio? 0..1.

    All on one bike. spread: sd of ln rate from chain to chain; error: of one chain's own, None = as found.
    By both rules of a claim: the 90 % interval, with the spread not known beforehand, and the lot.
    Simulated, with the same dice each time.
    """
    dice = np.random.default_rng(7)
    error = chain_error(spread) if error is None else error
    sd = math.hypot(spread, error)
    rates = sd * dice.standard_normal((TRIALS, 2 * per_arm))
    rates[:, :per_arm] += math.log(wear_ratio)
    waxed, lubed = rates[:, :per_arm], rates[:, per_arm:]
    ways = list(combinations(range(2 * per_arm), per_arm))
    chosen = np.zeros((2 * per_arm, len(ways)))
    for column, way in enumerate(ways):
        chosen[list(way), column] = 1.0
    p = (rates @ chosen <= waxed.sum(axis=1, keepdims=True) + 1e-9).mean(axis=1)
    return float(((chance_less(waxed, lubed, error) >= 1.0 - ALPHA) & (p <= ALPHA)).mean())


def chain_error(spread: float) -> float:
    """How well is a chain's ln rate known by its own readings, where chains differ so much? As an sd."""
    return ERROR_AT_NONE + ERROR_BY_SPREAD * spread


def chance_less(waxed: Array, lubed: Array, error: float) -> Array:
    """With which probability does wax wear less, by chains' ln rates alone? One per row.

    The spread from chain to chain is averaged out under the model's prior, the effect has its sceptical one.
    """
    arms = (waxed, lubed)
    gap = waxed.mean(axis=1) - lubed.mean(axis=1)
    squares = sum(((arm - arm.mean(axis=1, keepdims=True)) ** 2).sum(axis=1) for arm in arms)
    free = waxed.shape[1] + lubed.shape[1] - 2
    variance = SPREADS**2 + error**2
    of_gap = variance * (1.0 / waxed.shape[1] + 1.0 / lubed.shape[1])
    total = of_gap + WAX[1] ** 2
    log = (
        -0.5 * ((np.log(SPREADS) - SPREAD[0]) / SPREAD[1]) ** 2
        - 0.5 * free * np.log(variance)
        - 0.5 * squares[:, None] / variance
        - 0.5 * np.log(total)
        - 0.5 * gap[:, None] ** 2 / total
    )
    share = np.exp(log - log.max(axis=1, keepdims=True))
    share /= share.sum(axis=1, keepdims=True)
    mean = gap[:, None] * WAX[1] ** 2 / total
    return np.asarray((share * special.ndtr(-mean / np.sqrt(of_gap * WAX[1] ** 2 / total))).sum(axis=1))
