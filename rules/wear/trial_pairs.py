"""What pairs of chains in fair trials could find, and what they found."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from functools import lru_cache
from itertools import product

import numpy as np

from rules.dates_and_numbers import number
from rules.ledger import Ledger
from rules.rulebook import Rulebook
from rules.units import kilometres
from rules.vocabulary import BikeId
from rules.wear.comparison import FEWEST_READINGS, compare
from rules.wear.permutation import ALPHA, chance_less
from rules.wear.posterior import fit
from rules.wear.reading_arrays import measured

FEWEST_PAIRS = 5  # 1 in 2**5 = 0.031: with four, no lot can reach 0.05
LIKE_CHAINS = 0.2  # sd of ln rate of like chains on one bike: labelled assumption
# sd of a chain's ln rate as readings tell it beside the other of its pair, which met the same weather, by the
# rates of 120 simulated pairs; and what the model's own interval leaves open, which does not know that the
# weather was the same: by 300 simulated trials of seven tenths. Read by caliper after ten hours and on.
PAIR_ERROR, PAIR_DOUBT = 0.09, 0.23
SIMULATED = 2000
PACE = timedelta(days=365)
HALF_LIFE_KM = 2500.0  # to half the limit; common practice, no source


@lru_cache(maxsize=64)
def pair_power(pairs: int, wear_ratio: float, spread: float, error: float = PAIR_ERROR) -> float:
    """In which share of households would so many pairs show this ratio? 0..1; by both rules of a claim."""
    dice = np.random.default_rng(11)
    sd = math.hypot(spread, error)
    waxed = math.log(wear_ratio) + sd * dice.standard_normal((SIMULATED, pairs))
    lubed = sd * dice.standard_normal((SIMULATED, pairs))
    gaps = waxed - lubed
    signs = np.array(list(product((1.0, -1.0), repeat=pairs)))
    p = (np.abs(gaps) @ signs.T <= gaps.sum(axis=1, keepdims=True) + 1e-9).mean(axis=1)
    less = chance_less(waxed, lubed, max(error, PAIR_DOUBT))
    return float(((p <= ALPHA) & (less >= 1.0 - ALPHA)).mean())


def flips(gaps: Sequence[float]) -> float:
    """How often would coins on each pair favour wax as much? Exact, one-sided. gaps: ln waxed - ln lubed."""
    sums = [
        math.fsum(sign * abs(gap) for sign, gap in zip(signs, gaps, strict=True))
        for signs in product((1, -1), repeat=len(gaps))
    ]
    return sum(one <= math.fsum(gaps) + 1e-9 for one in sums) / len(sums)


def promise(ledger: Ledger, bike: BikeId, *, now: datetime, pairs_before: int = 0) -> tuple[str, ...]:
    """What could a trial on this bike find, and in how long? Said before it begins."""
    half, less = (round(100.0 * pair_power(FEWEST_PAIRS, ratio, LIKE_CHAINS)) for ratio in (0.5, 0.7))
    km = math.fsum(
        ride.distance_m / 1000.0 for ride in ledger.rides_on(bike) if now - PACE < ride.started_at <= now
    )
    apart = f"{math.exp(LIKE_CHAINS):.1f}"
    said = [
        "One pair of chains is one witness, and four can show nothing yet: their lot is never better than 1 "
        f"in 16. It takes {FEWEST_PAIRS} pairs; you have {pairs_before}.",
        f"With {FEWEST_PAIRS} pairs of chains that differ by a factor {apart} or so, read by caliper after "
        f"ten hours and at every other swap, a halving of wear would be shown in {half} of 100 households, "
        f"seven tenths of it in {less}.",
    ]
    if km >= 100.0:
        years = 2.0 * FEWEST_PAIRS * HALF_LIFE_KM / km
        said.append(
            f"At last year's {kilometres(km)} on {ledger.bike(bike).name}, and about "
            f"{kilometres(HALF_LIFE_KM)} to half a chain's limit, that is about {number(years, 0)} "
            f"year{'' if round(years) == 1 else 's'}. Bikes side by side are sooner done."
        )
    return tuple(said)


@dataclass(frozen=True, slots=True)
class Found:
    """What the household's trials have shown."""

    pairs: int  # that have two readings on each side
    p: float | None
    claimed: bool
    sentence: str


def found_by_trials(ledger: Ledger, rulebook: Rulebook, *, now: datetime) -> Found:
    """What do all trials together say? Claimed only when interval and coins agree.

    A pair counts once each of its chains was measured twice since the two began to take turns.
    """
    facts = measured(ledger, rulebook, now=now)
    blind = fit(facts, blind=True)
    gaps = []
    for trial in ledger.trials:
        both, until = (trial.waxed, trial.control), now if trial.ended_at is None else trial.ended_at
        counts = [
            sum(trial.started_at < one.taken_at <= min(now, until) for one in ledger.readings_of(chain))
            for chain in both
            if chain in facts.chains
        ]
        if len(counts) == len(both) and min(counts) >= FEWEST_READINGS:
            waxed, lubed = (float(blind.log_rate(chain, trial.bike).mean()) for chain in both)
            gaps.append(waxed - lubed)
    pairs = f"{len(gaps)} pair{'' if len(gaps) == 1 else 's'}"
    if not gaps:
        return Found(0, None, False, "No pair has two readings on each side since it began.")
    p = flips(gaps)
    ratio = compare(ledger, rulebook, now=now).ratio
    claimed = len(gaps) >= FEWEST_PAIRS and p <= ALPHA and ratio is not None and ratio.high < 1.0
    # The ratio that is drawn: a pair's own gap would be another figure, drawn towards no difference.
    seen = "" if ratio is None else (
        f"waxed chains wore at {number(ratio.value, 2)} times the rate of wet-lube ones (90 %, with all "
        f"chains: {number(ratio.low, 2)} to {number(ratio.high, 2)})"
    )  # fmt: skip
    if claimed:
        said = f"By {pairs} in fair trials wax wears less: {seen}; coins would say so in {100.0 * p:.1f} %."
    elif len(gaps) < FEWEST_PAIRS:
        what = f"{pairs} of the {FEWEST_PAIRS} that it takes{f'; {seen}' if seen else ''}"
        said = f"{what}: too few for coins to tell it from chance."
    else:
        said = f"{pairs}; {seen}: coins cannot tell it from chance."
    return Found(len(gaps), p, claimed, said)
