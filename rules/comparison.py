"""Does waxing pay? Wear of waxed chains against wet-lube ones, and what each costs.

One chain is one witness, however often it was measured: its readings share a bike, sprockets and a rider.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime
from itertools import combinations

from rules.contamination import history
from rules.ledger import Ledger
from rules.rulebook import Rulebook
from rules.straight_line import Span, ratio
from rules.vocabulary import Chain, ChainId, Regime
from rules.wear import CHAIN_TO_CHAIN_LOG_SD, Forecast, forecast, wear_points
from rules.wear_model import Measure, first_prior, posterior
from rules.wording import listed, number

FEWEST_PER_ARM = 3  # below, the smallest possible p of a fair test stays above 0.05
FEWEST_READINGS = 2
MOST_WAYS = 200_000  # of sharing the chains out; ten and ten make 184 756
VAGUE_FACTOR = 10.0  # a prior this wide leaves the comparison to the readings
Z80 = 1.2815515655446004
Z90 = 1.6448536269514722  # normal quantiles of two-sided 80 and 90 % intervals
WORTH_FINDING = 0.7  # a chain that wears at 70 % of the other's rate lasts 1.4 times as long

CONFOUNDS = (
    "the bikes and how worn their sprockets are",
    "who rides, and how hard",
    "the share of wet and dusty hours",
    "the make and width of the chains",
    "how often and how they were cleaned",
    "the season",
)


@dataclass(frozen=True, slots=True)
class ChainWear:
    """One chain as a witness."""

    chain: ChainId
    name: str
    regime: Regime
    readings: int
    x: float  # at its last reading, in the measure
    slope: tuple[float, float, float]  # 10, 50, 90 %, % per unit of the measure
    log_middle: float  # ln of the middle slope
    log_sd: float


@dataclass(frozen=True, slots=True)
class Comparison:
    """Waxed against wet lube, by one measure."""

    measure: Measure
    waxed: tuple[ChainWear, ...]
    control: tuple[ChainWear, ...]
    too_early: tuple[ChainId, ...]  # chains with fewer than two readings
    ratio: (
        Span | None
    )  # wear rate waxed / wet lube, 90 %: partial pooling with a stated chain-to-chain spread
    ratio_of_means: (
        Span | None
    )  # the same by Fieller from the chains' slopes alone, two chains per arm or more
    p_value: float | None  # exact one-sided permutation test over chains: waxed wears less
    p_floor: float | None  # the smallest p these numbers of chains can give at all
    descriptive_only: bool
    sentence: str
    wants: str  # what it would take to say more
    confounds: tuple[str, ...]


def compare(
    ledger: Ledger, rulebook: Rulebook, *, now: datetime, measure: Measure = Measure.DRIVE_HOURS
) -> Comparison:
    """Do waxed chains wear more slowly than wet-lube ones?

    By grit-hours the answer is 'per equivalent hour': wetness is already in the measure.
    """
    witnesses, too_early = [], []
    for chain in ledger.chains:
        found = chain_wear(ledger, rulebook, chain, measure, now=now)
        if found is None:
            too_early.append(chain.id)
        else:
            witnesses.append(found)
    waxed = tuple(one for one in witnesses if one.regime is Regime.WAXED)
    control = tuple(one for one in witnesses if one.regime is Regime.WET_LUBE)
    fewest = min(len(waxed), len(control))
    return Comparison(
        measure=measure,
        waxed=waxed,
        control=control,
        too_early=tuple(too_early),
        ratio=_pooled_ratio(waxed, control),
        ratio_of_means=_ratio_of_means(waxed, control),
        p_value=permutation_p([one.log_middle for one in waxed], [one.log_middle for one in control]),
        p_floor=permutation_floor(len(waxed), len(control)),
        descriptive_only=fewest < FEWEST_PER_ARM,
        sentence=_sentence(waxed, control, measure),
        wants=_wants(waxed, control),
        confounds=CONFOUNDS,
    )


def chain_wear(
    ledger: Ledger, rulebook: Rulebook, chain: Chain, measure: Measure, *, now: datetime
) -> ChainWear | None:
    """How fast does this chain wear by its own readings? None with fewer than two readings."""
    points = wear_points(history(ledger, chain.id, rulebook).until(now), measure)
    if len(points) < FEWEST_READINGS:
        return None
    found = posterior(points, first_prior(measure, VAGUE_FACTOR))
    low, middle, high = found.quantiles(found.slopes(), (0.1, 0.5, 0.9))
    log_sd = math.log(high / low) / (2.0 * Z80)
    return ChainWear(
        chain.id,
        chain.name,
        chain.regime,
        len(points),
        points[-1].x,
        (low, middle, high),
        math.log(middle),
        log_sd,
    )


def _pooled_ratio(waxed: Sequence[ChainWear], control: Sequence[ChainWear]) -> Span | None:
    if not waxed or not control:
        return None
    arms = []
    for arm in (waxed, control):
        weights = [1.0 / (one.log_sd**2 + CHAIN_TO_CHAIN_LOG_SD**2) for one in arm]
        mean = sum(w * one.log_middle for w, one in zip(weights, arm, strict=True)) / sum(weights)
        arms.append((mean, 1.0 / sum(weights)))
    gap, sd = arms[0][0] - arms[1][0], math.sqrt(arms[0][1] + arms[1][1])
    return Span(math.exp(gap), math.exp(gap - Z90 * sd), math.exp(gap + Z90 * sd))


def _ratio_of_means(waxed: Sequence[ChainWear], control: Sequence[ChainWear]) -> Span | None:
    if min(len(waxed), len(control)) < 2:
        return None
    arms = [[one.slope[1] for one in arm] for arm in (waxed, control)]
    means = [math.fsum(arm) / len(arm) for arm in arms]
    free = len(waxed) + len(control) - 2
    squares = math.fsum((slope - mean) ** 2 for arm, mean in zip(arms, means, strict=True) for slope in arm)
    errors = [math.sqrt(squares / free / len(arm)) for arm in arms]
    return ratio((means[0], errors[0]), (means[1], errors[1]), confidence=0.9, degrees_of_freedom=free)


def permutation_p(waxed: Sequence[float], control: Sequence[float]) -> float | None:
    """How often would shuffled labels favour the first group at least as much? One-sided.

    Exact: every way of choosing which values belong to the first group is counted once. None if a group is
    empty, or if the ways are too many to count; then the interval has chains enough to speak for itself.
    """
    if not waxed or not control or math.comb(len(waxed) + len(control), len(waxed)) > MOST_WAYS:
        return None
    pool = [*waxed, *control]
    observed = math.fsum(waxed)
    sums = [math.fsum(chosen) for chosen in combinations(pool, len(waxed))]
    return sum(one <= observed + 1e-12 for one in sums) / len(sums)


def permutation_floor(waxed: int, control: int) -> float | None:
    """Which p can a permutation test over so many chains not go below? None if a group is empty."""
    if not waxed or not control:
        return None
    return 1.0 / math.comb(waxed + control, waxed)


def chains_needed(wear_ratio: float, log_sd: float) -> float:
    """How many chains per arm find this ratio in four cases out of five, at 5 % two-sided?

    Normal approximation with Guenther's correction; log_sd: spread of ln slope from chain to chain.
    Source: Guenther 1981, The American Statistician 35:243–244 (from memory; the tests hold it to t power).
    """
    alpha, power = 1.959963984540054, 0.8416212335729143
    effect = abs(math.log(wear_ratio)) / log_sd
    return 2.0 * ((alpha + power) / effect) ** 2 + alpha**2 / 4.0


def _sentence(waxed: Sequence[ChainWear], control: Sequence[ChainWear], measure: Measure) -> str:
    found = _pooled_ratio(waxed, control)
    if found is None:
        missing = [
            f"no {regime} chain with two readings"
            for regime, arm in ((Regime.WAXED, waxed), (Regime.WET_LUBE, control))
            if not arm
        ]
        return f"Nothing to compare yet: {listed(missing)}."
    counts = f"{_count(waxed, 'waxed')} against {_count(control, 'wet-lube')}"
    said = (
        f"Per {_UNIT[measure]}, waxed chains wore at {number(found.value, 2)} times the rate of wet-lube "
        f"ones (90 %: {number(found.low, 2)} to {number(found.high, 2)}; {counts})."
    )
    if min(len(waxed), len(control)) < FEWEST_PER_ARM:
        return f"{said} Descriptive only: too few chains to tell wax from chance."
    if found.low <= 1.0 <= found.high:
        return f"{said} No difference can be told from chance yet."
    return said


def _count(arm: Sequence[ChainWear], name: str) -> str:
    return f"{len(arm)} {name} chain{'' if len(arm) == 1 else 's'}"


_UNIT = {Measure.DRIVE_HOURS: "drive hour", Measure.GRIT_HOURS: "grit-hour", Measure.KILOMETRES: "km"}


def _wants(waxed: Sequence[ChainWear], control: Sequence[ChainWear]) -> str:
    witnesses = [*waxed, *control]
    spreads = [math.hypot(one.log_sd, CHAIN_TO_CHAIN_LOG_SD) for one in witnesses]
    spread = sum(spreads) / len(spreads) if spreads else CHAIN_TO_CHAIN_LOG_SD
    per_arm = math.ceil(chains_needed(WORTH_FINDING, spread))
    return (
        f"About {per_arm} chains of each kind, each measured to half its limit or further, would find a wear "
        f"rate of {number(WORTH_FINDING)} times in four cases out of five; "
        f"you have {len(waxed)} and {len(control)}."
    )


@dataclass(frozen=True, slots=True)
class Cost:
    """What chains of one regime cost to run."""

    regime: Regime
    distance_km: float
    money_per_1000_km: float | None  # chain wear and treatments; None = no distance or nothing noted
    chains_per_1000_km: float | None  # the part of it that is chain
    treatments_per_1000_km: float | None
    minutes_per_1000_km: float | None
    missing: tuple[str, ...]  # what is not noted, so that the sum is a lower bound


def cost(ledger: Ledger, rulebook: Rulebook, regime: Regime, *, now: datetime) -> Cost:
    """What do 1000 km cost on chains of this regime, in money and in minutes of hands?

    A retired chain counts with its whole price, one in use with the ridden share of its expected life.
    Treatments with no cost or minutes noted count as nothing and are named as missing.
    """
    distance_km = chain_money = care_money = minutes = 0.0
    missing: dict[str, None] = {}
    for chain in ledger.chains:
        if chain.regime is not regime:
            continue
        past = history(ledger, chain.id, rulebook).until(now)
        ridden_km = Measure.KILOMETRES.over_life(past)
        if ridden_km == 0.0:
            continue
        distance_km += ridden_km
        share = _share_of_life(ledger, rulebook, chain, now)
        if chain.price is None:
            missing[f"the price of {chain.name}"] = None
        elif share is None:
            missing[f"the expected life of {chain.name}"] = None
        else:
            chain_money += chain.price * share
        for treatment in ledger.treatments_of(chain.id):
            if treatment.done_at > now:
                continue
            care_money += treatment.cost or 0.0
            minutes += treatment.minutes or 0.0
            if treatment.cost is None:
                missing[f"the cost of some treatments of {chain.name}"] = None
            if treatment.minutes is None:
                missing[f"the minutes of some treatments of {chain.name}"] = None
    if distance_km == 0.0:
        return Cost(regime, 0.0, None, None, None, None, tuple(missing))
    per = 1000.0 / distance_km
    return Cost(
        regime,
        distance_km,
        (chain_money + care_money) * per,
        chain_money * per,
        care_money * per,
        minutes * per,
        tuple(missing),
    )


def _share_of_life(ledger: Ledger, rulebook: Rulebook, chain: Chain, now: datetime) -> float | None:
    if chain.retired_at is not None and chain.retired_at <= now:
        return 1.0
    answer = forecast(ledger, rulebook, chain.id, now=now, measure=Measure.KILOMETRES)
    if not isinstance(answer, Forecast):
        return None
    return min(1.0, answer.x_now / answer.life[1])
