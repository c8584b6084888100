"""How often wear forecasts hold, and how often wax is claimed to wear less where it does not.

    python -m tests.benchmarks.wear lives --households 300      forecasts, row by row, tool by tool
    python -m tests.benchmarks.wear claims --households 300     households where wax does nothing
    python -m tests.benchmarks.wear found --households 300      wear halved on one bike, against the promise
    python -m tests.benchmarks.wear ranks --households 200         simulation-based calibration
    python -m tests.benchmarks.wear weights --households 150     learned weights, by what the readings taught
    python -m tests.benchmarks.wear wipes --households 60        how far wipe tests would narrow the weights
    python -m tests.benchmarks.wear time                        what a fit costs, in seconds of this machine

Households come from `wear_worlds`, whose author had not seen the model; seeds are drawn anew unless given.
Coverage is of the 80 % range over the true life in drive hours; bias is the median of ln(said / true). 'all'
also counts the ranges that a refusal names. A row looks from the truth: at 0.3 of its life a chain taken to
be at 0.6 is told short, however right ranges of chains so taken are. The last table looks from what was said.
"""

from __future__ import annotations

import argparse
import math
import os
import secrets
import time
from collections.abc import Iterable
from concurrent.futures import ProcessPoolExecutor
from dataclasses import replace
from functools import partial

import numpy as np
from scipy import stats

from rules.rulebook import default_rulebook
from rules.vocabulary import BikeId, ChainId, ReadingTool
from rules.wear.chain_readings import KINDS
from rules.wear.comparison import compare
from rules.wear.forecast import Forecast, forecast, steady_wear
from rules.wear.learned_weights import learned_weights
from rules.wear.model import (
    FIRST_RATE,
    NEW_PCT,
    SPREAD,
    SPREADS,
    USED_PCT,
    USED_SHARE,
    WearModel,
)
from rules.wear.permutation import power
from rules.wear.posterior import _fit, fit
from rules.wear.reading_arrays import Measured, Part, Taken, measured
from rules.wear.reading_error import READING_SD_PCT, TAIL
from tests.benchmarks.wear_promises import WITHHELD, _figures
from tests.benchmarks.wear_worlds import FIRST_READ_H, ROWS, STEPS, World, null_arms, world

ASSUMED = ((2.0, 0.70), (5.0, 0.82), (1.0, 0.70), (1.0, 1.24))  # the rulebook's weights and ranges
TOOLS = ("caliper", "gauge", "ruler")
Cell = tuple[float, float, int, int, int]  # wear ratio, spread, chains a side, bikes, crossed
RULEBOOK = default_rulebook()


def one_household(
    task: tuple[str, str, int],
) -> list[tuple[float, float, float, float, float, float]]:
    """Share of life, true life, the range (middle nan = refused, as it names it), and hours ridden."""
    row, tool, seed = task
    made: World = world(row, tool, seed)
    rows = []
    for share, moment in made.moments.items():
        if moment is None:
            continue
        said = forecast(made.ledger, RULEBOOK, made.target, now=moment)
        if isinstance(said, Forecast):
            low, middle, high = said.life
        else:
            (low, high), middle = _figures(WITHHELD, said.sentence), np.nan
        rows.append((share, made.life_drive_h, low, middle, high, made.drive_h_at(moment)))
    return rows


def lives(households: int, seed: int, tools: tuple[str, ...], rows: tuple[str, ...]) -> None:
    """Prints the table of forecasts."""
    print(f"seed {seed}, {households} households a row, load {os.getloadavg()[0]:.1f}")
    print(
        f"{'world':18} {'tool':8} {'life':>4} {'n':>4} {'cover':>6} {'bias':>6} {'hi/lo':>6} {'refused':>8} "
        f"{'all':>5}"
    )
    by_tool: dict[str, list[np.ndarray]] = {tool: [] for tool in tools}
    with ProcessPoolExecutor() as pool:
        for row in rows:
            for tool in tools:
                tasks = [(row, tool, seed + number) for number in range(households)]
                many = pool.map(one_household, tasks, chunksize=8)
                found = np.array([one for of_one in many for one in of_one])
                by_tool[tool].append(found)
                for share in (0.3, 0.5, 0.8):
                    mine = found[found[:, 0] == share]
                    known = mine[~np.isnan(mine[:, 3])]
                    if not len(known):
                        print(f"{row:18} {tool:8} {share:4} {len(mine):4}   all refused")
                        continue
                    bias = np.median(np.log(known[:, 3] / known[:, 1]))
                    print(
                        f"{row:18} {tool:8} {share:4} {len(mine):4} {_held(known):6.2f} {bias:+6.2f} "
                        f"{np.median(known[:, 4] / known[:, 2]):6.2f} "
                        f"{1.0 - len(known) / len(mine):8.0%} {_held(mine):5.2f}",
                        flush=True,
                    )
    print("tool     taken to be at     n  cover  below  above   of all worlds, by what was said")
    for tool, parts in by_tool.items():
        found = np.concatenate(parts)
        known = found[~np.isnan(found[:, 3])]
        taken_at = known[:, 5] / known[:, 3]
        for begin, end in ((0.0, 0.3), (0.3, 0.45), (0.45, 0.6), (0.6, 0.75), (0.75, 0.9)):
            mine = known[(begin <= taken_at) & (taken_at < end)]
            if len(mine):
                below, above = (mine[:, 1] < mine[:, 2]).mean(), (mine[:, 1] > mine[:, 4]).mean()
                print(
                    f"{tool:8} {begin:.2f} to {end:.2f} {len(mine):9} {1.0 - below - above:6.0%} "
                    f"{below:6.0%} {above:6.0%}",
                    flush=True,
                )


def _held(found: np.ndarray) -> float:
    """In which share of forecasts, or of refusals, did the range hold the true life?"""
    return float(((found[:, 2] <= found[:, 1]) & (found[:, 1] <= found[:, 4])).mean())


def one_claim(task: Cell, seed: int) -> tuple[bool, bool, bool, int]:
    """Is wax claimed, is the 90 % interval below 1, does it hold the true ratio; a chain's fewest readings.

    Where the interval does not lie below 1 no lot is drawn, for it could claim nothing.
    """
    ratio, spread, per_arm, bikes, crossed = task
    ledger = null_arms(
        spread, per_arm, seed, ratio=ratio, confounded=bikes == 0, crossed=crossed,
        bikes_shared=max(bikes, 1), first_h=None if ratio == 1.0 else FIRST_READ_H,
    )  # fmt: skip
    now = max(one.taken_at for one in ledger.readings)
    wax = fit(measured(ledger, RULEBOOK, now=now)).wax
    assert wax is not None
    low, high = np.exp(np.quantile(wax, (0.05, 0.95)))
    claimed = bool(high < 1.0) and compare(ledger, RULEBOOK, now=now).claimed
    least = min(len(ledger.readings_of(chain.id)) for chain in ledger.chains)
    return claimed, bool(high < 1.0), bool(low <= ratio <= high), least


# On two bikes, on one, and (0) waxed chains on a bike that wears half as fast as that of the others, but for
# one of each where a fifth figure says so.
NULL: list[Cell] = [(1.0, spread, arm, 2, 0) for spread in (0.2, 0.4, 0.6) for arm in (3, 4, 5)]
NULL += [(1.0, 0.4, 4, 1, 0), (1.0, 0.6, 3, 1, 0)]
NULL += [(1.0, 0.2, 4, 0, 0), (1.0, 0.6, 4, 0, 0), (1.0, 0.2, 4, 0, 1), (1.0, 0.4, 5, 0, 1)]
HALVED: list[Cell] = [(0.5, spread, arm, 1, 0) for spread in (0.2, 0.4) for arm in (3, 4, 5)]


def claims(cells: list[Cell], households: int, seed: int, workers: int | None) -> None:
    """Prints how often a claim is made, with exact 95 % intervals of what was counted."""
    print(f"seed {seed}, {households} households a cell, load {os.getloadavg()[0]:.1f}")
    print("wear ratio spread  arm  bikes crossed  claimed     of            interval  holds promised once")
    with ProcessPoolExecutor(workers) as pool:
        for place, cell in enumerate(cells):
            seeds = range(seed + place * households, seed + (place + 1) * households)
            found = np.array(list(pool.map(partial(one_claim, cell), seeds, chunksize=8)), dtype=float)
            claimed, below, holds, _ = np.mean(found, axis=0)
            ratio, spread, per_arm, bikes, crossed = cell
            promised = f"{power(per_arm, ratio, spread):8.0%}" if bikes == 1 else " " * 8
            low, high = exact_interval(int(found[:, 0].sum()), households)
            print(
                f"{ratio:10} {spread:6} {per_arm:4} {bikes:6} {crossed:7} {claimed:8.1%} {households:6} "
                f"({low:5.1%}-{high:5.1%}) {below:8.1%} {holds:6.0%} {promised} "
                f"{(found[:, 3] < 2).mean():4.0%}",
                flush=True,
            )


def exact_interval(count: int, of: int) -> tuple[float, float]:
    """Between which shares does the true one lie, 95 %? Clopper & Pearson 1934, Biometrika 26:404."""
    found = stats.binomtest(count, of).proportion_ci(method="exact")
    return float(found.low), float(found.high)


def one_weighing(task: tuple[str, int]) -> list[tuple[str, float, float, float, float, bool]]:
    """Kind, true weight, the range said, and whether readings moved it, after all readings of a household."""
    row, seed = task
    made = world(row, "caliper", seed)
    # a world draws what its dirt costs first of all
    dice = np.random.default_rng((list(ROWS).index(row), seed, 2))
    true = dict(zip(KINDS, dice.uniform(*np.transpose(ROWS[row].cost)), strict=True))
    now = max(one.taken_at for one in made.ledger.readings)
    found = learned_weights(made.ledger, RULEBOOK, now=now)
    return [(one.kind, float(true[one.kind]), *one.said, one.moved) for one in found]


def weights(households: int, seed: int, rows: tuple[str, ...]) -> None:
    """Prints how often the 80 % range of a learned weight holds the true one."""
    print(f"seed {seed}, {households} households a row, load {os.getloadavg()[0]:.1f}")
    print(
        f"{'world':18} {'kind':6} {'n':>5} {'cover':>6} {'below':>6} {'above':>6} {'hi/lo':>6} {'moved':>6}"
    )
    with ProcessPoolExecutor() as pool:
        for row in rows:
            tasks = [(row, seed + number) for number in range(households)]
            found = [one for many in pool.map(one_weighing, tasks, chunksize=8) for one in many]
            for kind in (*KINDS, "all", "moved"):
                mine = [one for one in found if kind in (one[0], "all") or (kind == "moved" and one[5])]
                if not mine:
                    continue
                true, low, _, high, moved = np.array([one[1:] for one in mine], dtype=float).T
                below, above = (true < low).mean(), (true > high).mean()
                print(
                    f"{row:18} {kind:6} {len(mine):5} {1.0 - below - above:6.2f} {below:6.2f} {above:6.2f} "
                    f"{np.median(high / low):6.2f} {moved.mean():6.0%}",
                    flush=True,
                )


def one_rubbing(task: tuple[int, int]) -> tuple[float, float]:
    """What so many wipe tests leave of the spread of ln a_w and ln a_d: McCullagh 1980, JRSS B 42:109.

    P(grade <= k) = 1 / (1 + exp(-b (c_k - ln G))), G the grit-hours since the chain was clean; by weighing
    fifty thousand draws of the priors with what a rider drawn from them saw.
    """
    seed, tests = task
    dice = np.random.default_rng(seed)
    hours = dice.uniform(1.0, 14.0, tests)
    wet, dusty = hours * dice.beta(0.5, 1.5, tests), hours * dice.beta(0.5, 1.5, tests)

    def drawn(count: int) -> tuple[np.ndarray, ...]:
        water, dust = (np.exp(math.log(mid) + 0.70 * dice.standard_normal(count)) for mid in (2.0, 1.0))
        steep = np.exp(math.log(2.0) + 0.4 * dice.standard_normal(count))
        gaps = np.log(np.divide((5.0, 14.0, 32.0), (1.5, 5.0, 14.0)))
        steps = np.exp(np.log(gaps) + 0.35 * dice.standard_normal((count, 3)))
        first = math.log(1.5) + 0.6 * dice.standard_normal(count)
        return water, dust, steep, np.column_stack([first, steps]).cumsum(axis=1)

    def chances(
        water: np.ndarray, dust: np.ndarray, steep: np.ndarray, cuts: np.ndarray, at: int
    ) -> np.ndarray:
        log_grit = np.log(hours[at] + water * wet[at] + dust * dusty[at])
        up_to = 1.0 / (1.0 + np.exp(-steep[:, None] * (cuts - log_grit[:, None])))
        whole = np.column_stack([np.zeros(len(water)), up_to, np.ones(len(water))])
        return np.diff(whole, axis=1)

    rider = drawn(1)
    grades = [int(dice.choice(5, p=chances(*rider, at)[0])) for at in range(tests)]
    prior = drawn(50_000)
    logs = sum(np.log(np.maximum(chances(*prior, at)[:, grade], 1e-12)) for at, grade in enumerate(grades))
    share = np.exp(logs - np.max(logs))
    share /= share.sum()
    spreads = []
    for one in (np.log(prior[0]), np.log(prior[1])):
        mean = (share * one).sum()
        spreads.append(math.sqrt((share * (one - mean) ** 2).sum()))
    return spreads[0], spreads[1]


def wipes(households: int, seed: int) -> None:
    """Prints the spread left of the weights of water and dust; 0.70 is what is assumed without a test."""
    print(f"seed {seed}, {households} riders a row, load {os.getloadavg()[0]:.1f}")
    print("wipe tests   sd ln water   sd ln dust")
    with ProcessPoolExecutor() as pool:
        for tests in (5, 10, 20, 40):
            found = list(pool.map(one_rubbing, [(seed + number, tests) for number in range(households)]))
            water, dust = np.mean(found, axis=0)
            print(f"{tests:10} {water:13.2f} {dust:12.2f}", flush=True)


def ranked(task: tuple[int, float]) -> dict[str, int]:
    """The rank of each true value among 99 draws, for one world drawn from the model's own priors.

    Four chains, two of them waxed, each on two bikes; so many of them (task's second) are read by one gauge,
    each until it is read to be worn.
    """
    seed, by_gauge = task
    dice = np.random.default_rng(seed)
    parts: list[Part] = []
    taken: list[Taken] = []
    for chain in range(4):
        total, tool = 0.0, ReadingTool.GAUGE if dice.random() < by_gauge else ReadingTool.CALIPER
        for _ in range(5):
            hours = float(dice.uniform(20.0, 60.0))
            water, mud, dust, salt, _ = hours * dice.dirichlet((1.0, 0.4, 1.0, 0.5, 4.0))
            stretch = len(parts)
            parts.append(Part(chain, int(dice.integers(2)), stretch, (hours, water, mud, dust, salt)))
            total += hours
            taken.append(Taken(chain, tool, "", -np.inf, np.inf, 0.0, total, len(parts)))
    ids, bikes = tuple(map(ChainId, range(1, 5))), (BikeId(1), BikeId(2))
    waxed, limits = (True, False, True, False), (0.5,) * 4
    facts = Measured(ids, waxed, limits, ASSUMED, bikes, tuple(parts), tuple(taken), len(parts))
    model = WearModel(facts)
    at = model.at
    spread = float(dice.choice(SPREADS, p=spread_prior()))
    truth = model.prior_mean + model.prior_sd * dice.standard_normal(at.count)
    weight = 1.0 + model.mean_dirt @ np.exp(truth[at.weights])
    truth[at.rate] = FIRST_RATE[0] + np.log(weight) + FIRST_RATE[1] * dice.standard_normal()
    truth[at.chains] = spread * dice.standard_normal(4)
    used = dice.random(4) < USED_SHARE
    new = NEW_PCT[0] + NEW_PCT[1] * dice.standard_normal(4)
    truth[at.starts] = np.where(used, USED_PCT[0] + USED_PCT[1] * dice.standard_normal(4), new)
    under_tool = expected(model, truth[None, :])[0]
    seen = _until_worn(map(partial(_read_by, dice), taken, under_tool))
    found = fit(replace(facts, taken=seen))
    draws = found.draws[dice.permutation(len(found.draws))[:99]]
    places = {f"ln {KINDS[kind]}": at.weights.start + place for place, kind in enumerate(model.kinds)}
    places |= {"ln wax : lube": at.wax.start, "a bike": at.bikes.start}
    places |= {"a gauge's bias": at.tools.start} if model.tools else {}
    places |= {"acceleration": at.acceleration, "running-in": at.running_in}
    ranks = {name: int((draws[:, place] < truth[place]).sum()) for name, place in places.items()}
    ranks["rate of a chain"] = int((rate_of(model, draws) < rate_of(model, truth[None, :])).sum())
    ranks["life of it"] = int((life_of(model, draws) < life_of(model, truth[None, :])).sum())
    return ranks


def _until_worn(readings: Iterable[Taken]) -> tuple[Taken, ...]:
    """A chain read to be past its limit is read no more: what is left out hangs on readings alone."""
    kept, worn = [], set()
    for one in readings:
        if one.chain not in worn:
            kept.append(one)
        if one.over_pct >= 0.5 or one.exact_pct >= 0.5:
            worn.add(one.chain)
    return tuple(kept)


def _read_by(dice: np.random.Generator, one: Taken, pct: float) -> Taken:
    """What the tool says of so much under it."""
    if one.tool is ReadingTool.CALIPER:
        return replace(one, exact_pct=float(pct + READING_SD_PCT[one.tool] * dice.standard_t(TAIL)))
    seen = float(pct + READING_SD_PCT[one.tool] * dice.standard_normal())
    over, under = [step for step in STEPS if seen >= step], [step for step in STEPS if seen < step]
    return replace(
        one, over_pct=max(over, default=-np.inf), under_pct=min(under, default=np.inf), exact_pct=np.nan
    )


def rate_of(model: WearModel, draws: np.ndarray) -> np.ndarray:
    """ln of the first chain's rate in average hours; it is waxed, and on the first bike."""
    at = model.at
    return draws[:, [at.rate, at.chains.start, at.wax.start, at.bikes.start]].sum(axis=1)


def life_of(model: WearModel, draws: np.ndarray) -> np.ndarray:
    """The first chain's life in average hours on the first bike."""
    at = model.at
    before = draws[:, at.starts.start] + np.exp(draws[:, at.running_in])
    return steady_wear(0.5, before, np.exp(draws[:, at.acceleration]), 0.5) / np.exp(rate_of(model, draws))


def expected(model: WearModel, draws: np.ndarray) -> np.ndarray:
    """What each reading would show without an error of the hand: draws x readings. [%]"""
    at, kappa = model.at, np.exp(draws[:, model.at.acceleration])[:, None]
    z = model.steady_pct(draws)
    worn = z * (1.0 + kappa * z / model.limits) / (1.0 + 0.5 * kappa)
    run = np.exp(draws[:, at.running_in])[:, None] * model.run_in
    return draws[:, at.starts] @ model.of_chain.T + run + worn + draws[:, at.tools] @ model.of_tool.T


def spread_prior() -> np.ndarray:
    """The prior of the spread on the fit's own grid."""
    share = np.exp(-0.5 * ((np.log(SPREADS) - SPREAD[0]) / SPREAD[1]) ** 2)
    return np.asarray(share / share.sum())


def ranks(worlds: int, seed: int) -> None:
    """Prints the uniformity of ranks: Talts et al. 2018, arXiv:1804.06788."""
    print(f"seed {seed}, {worlds} worlds, 20 bins; chi-squared(19) stays under 43.8 in 99.9 % of cases")
    for said, by_gauge in (("all by caliper", 0.0), ("each by caliper or gauge", 0.5), ("all by gauge", 1.0)):
        with ProcessPoolExecutor() as pool:
            tasks = [(seed + number, by_gauge) for number in range(worlds)]
            found = list(pool.map(ranked, tasks, chunksize=8))
        print(f"four chains, two waxed, two bikes, {said}")
        for name in sorted({name for one in found for name in one}):
            mine = [one[name] // 5 for one in found if name in one]
            of_20 = np.bincount(mine, minlength=20)
            chi = float(((of_20 - len(mine) / 20) ** 2 / (len(mine) / 20)).sum())
            middle = of_20[2:18].sum() / len(mine)
            bins = " ".join(map(str, of_20))
            print(f"{name:15} chi2 {chi:5.1f}  in the middle 80 %: {middle:4.0%}   {bins}", flush=True)


def time_of_a_fit() -> None:
    """Prints seconds of CPU for one chain, and for a household of twelve."""
    print(f"load {os.getloadavg()[0]:.1f}")
    for name, ledger in (
        ("one chain", world("weather", "caliper", 1).ledger),
        ("twelve chains", null_arms(0.4, 6, 1)),
    ):
        now = max(one.taken_at for one in ledger.readings)
        facts = measured(ledger, RULEBOOK, now=now)
        begin = time.process_time()
        found = _fit(WearModel(facts))
        spent = time.process_time() - begin
        print(
            f"{name}: {len(facts.chains)} chains, {len(facts.taken)} readings, "
            f"{found.draws.shape[1]} parameters, {spent * 1000:.0f} ms CPU, {found.accepted:.2f} taken"
        )


def main() -> None:
    """Reads the command line and prints one table."""
    parser = argparse.ArgumentParser(description=__doc__.split("\n", maxsplit=1)[0])
    parser.add_argument("what", choices=("lives", "claims", "found", "ranks", "weights", "wipes", "time"))
    parser.add_argument("--households", type=int, default=300)
    parser.add_argument("--seed", type=int, default=None)
    parser.add_argument(
        "--workers", type=int, default=None, help="of claims and found; all processors by default"
    )
    parser.add_argument("--tools", nargs="*", default=list(TOOLS))
    parser.add_argument("--rows", nargs="*", default=list(ROWS))
    asked = parser.parse_args()
    seed = secrets.randbelow(10**6) * 1000 if asked.seed is None else asked.seed
    if asked.what == "lives":
        lives(asked.households, seed, tuple(asked.tools), tuple(asked.rows))
    elif asked.what == "claims":
        claims(NULL, asked.households, seed, asked.workers)
    elif asked.what == "found":
        claims(HALVED, asked.households, seed, asked.workers)
    elif asked.what == "weights":
        weights(asked.households, seed, tuple(asked.rows))
    elif asked.what == "wipes":
        wipes(asked.households, seed)
    elif asked.what == "ranks":
        ranks(asked.households, seed)
    else:
        time_of_a_fit()


if __name__ == "__main__":
    main()
