"""Whether what the wear pages promise is kept: what lifts a refusal, and what pairs of chains would find.

    python -m tests.benchmarks.wear_promises refusals --households 300
    python -m tests.benchmarks.wear_promises pairs --households 200

A refused forecast asks for another reading after so many drive hours, and says that a caliper tells more than
a gauge's steps. Here the reading is taken then, and the same chain is also read by caliper all along.
A trial is promised to find a difference in so many of a hundred households: here households ride it.
"""

from __future__ import annotations

import argparse
import os
import re
import secrets
from concurrent.futures import ProcessPoolExecutor

import numpy as np
from scipy import stats

from rules.rulebook import default_rulebook
from rules.wear.forecast import Forecast, Refusal, forecast
from rules.wear.posterior import fit
from rules.wear.reading_arrays import measured
from rules.wear.trial_pairs import LIKE_CHAINS, found_by_trials, pair_power
from tests.benchmarks.wear_worlds import ROWS, World, paired, world

RULEBOOK = default_rulebook()
ASKED = re.compile(r"after about ([\d ]+) more")
WITHHELD = re.compile(r"anything from ([\d ]+) to ([\d ]+) ")


def _figures(pattern: re.Pattern[str], said: str) -> list[float]:
    found = pattern.search(said.replace("\u2009", "").replace("\u202f", "").replace("\xa0", ""))
    assert found is not None, said
    return [float(one.replace(" ", "")) for one in found.groups()]


def _holds(said: Forecast | Refusal, life_h: float) -> float:
    """1 = its 80 % range holds the true life, 0 = it does not, nan = refused."""
    return float(said.life[0] <= life_h <= said.life[2]) if isinstance(said, Forecast) else np.nan


def one_refusal(task: tuple[str, int]) -> tuple[bool, float, float, float, float, float] | None:
    """Of one household with a gauge, at half its chain's life; None = fewer than two readings by then.

    Whether it is refused; the ratio of the range withheld, and whether it held; then whether the range holds
    once the reading asked for is taken (inf = the chain is worn before), and by caliper at once.
    """
    row, seed = task
    made: World = world(row, "gauge", seed)
    now = made.moments[0.5]
    if now is None:
        return None
    said = forecast(made.ledger, RULEBOOK, made.target, now=now)
    if isinstance(said, Forecast):
        return False, np.nan, np.nan, np.nan, np.nan, _holds(said, made.life_drive_h)
    low, high = _figures(WITHHELD, said.sentence)
    until_h = made.drive_h_at(now) + _figures(ASKED, said.wants)[0]
    taken = (one.taken_at for one in made.ledger.readings_of(made.target) if one.taken_at > now)
    later = next((at for at in taken if made.drive_h_at(at) >= until_h), None)
    then = np.inf
    if later is not None and made.elongation_at(later) < made.limit_pct:
        then = _holds(forecast(made.ledger, RULEBOOK, made.target, now=later), made.life_drive_h)
    other = world(row, "caliper", seed)
    by_caliper = _holds(forecast(other.ledger, RULEBOOK, other.target, now=now), made.life_drive_h)
    return True, high / low, float(low <= made.life_drive_h <= high), then, by_caliper, np.nan


def refusals(households: int, seed: int, rows: tuple[str, ...]) -> None:
    """Prints what came of refusals at half life by gauge."""
    print(f"seed {seed}, {households} households a row, load {os.getloadavg()[0]:.1f}")
    print(
        "world              asked refused  hi/lo  held | reading taken: told  held  worn | caliper: told held"
    )
    with ProcessPoolExecutor() as pool:
        for row in rows:
            tasks = [(row, seed + number) for number in range(households)]
            found = [one for one in pool.map(one_refusal, tasks, chunksize=4) if one is not None]
            mine = np.array([one for one in found if one[0]], dtype=float).reshape(-1, 6)
            then, by = mine[:, 3], mine[:, 4]
            in_time = then[~np.isinf(then)]
            cells = (
                np.median(mine[:, 1]),
                mine[:, 2].mean(),
                (~np.isnan(in_time)).mean(),
                np.nanmean(in_time),
            )
            print(
                f"{row:18} {len(found):5} {len(mine):7} {cells[0]:6.1f} {cells[1]:5.0%} | "
                f"{cells[2]:19.0%} {cells[3]:5.0%} {np.isinf(then).mean():5.0%} | "
                f"{(~np.isnan(by)).mean():13.0%} {np.nanmean(by):4.0%}",
                flush=True,
            )


def one_trial(task: tuple[float, int, float, int]) -> tuple[int, bool]:
    """How many pairs counted, and whether wax was claimed to wear less.

    Where the interval does not lie below 1 no coins are drawn, for they could claim nothing.
    """
    spread, pairs, ratio, seed = task
    ledger = paired(spread, pairs, seed, ratio=ratio)
    now = max(one.taken_at for one in ledger.readings)
    wax = fit(measured(ledger, RULEBOOK, now=now)).wax
    assert wax is not None
    if np.quantile(wax, 0.95) >= 0.0:
        return pairs, False
    found = found_by_trials(ledger, RULEBOOK, now=now)
    return found.pairs, found.claimed


def trials(households: int, seed: int, workers: int | None) -> None:
    """Prints how often pairs on one bike are claimed to differ, and how often that was promised."""
    print(f"seed {seed}, {households} households a cell, load {os.getloadavg()[0]:.1f}")
    print("wear ratio spread pairs  counted claimed               promised")
    cells = [(0.5, LIKE_CHAINS, 5), (0.7, LIKE_CHAINS, 5), (1.0, LIKE_CHAINS, 5), (1.0, 0.5, 5)]
    cells += [(0.5, LIKE_CHAINS, 6), (0.7, LIKE_CHAINS, 6)]
    with ProcessPoolExecutor(workers) as pool:
        for place, (ratio, spread, pairs) in enumerate(cells):
            first = seed + place * households
            tasks = [(spread, pairs, ratio, first + number) for number in range(households)]
            found = np.array(list(pool.map(one_trial, tasks, chunksize=4)), dtype=float)
            counted, claimed = found.mean(axis=0)
            exact = stats.binomtest(int(found[:, 1].sum()), households).proportion_ci(method="exact")
            print(
                f"{ratio:10} {spread:6} {pairs:5} {counted:8.1f} {claimed:7.1%} "
                f"({exact.low:5.1%}-{exact.high:5.1%}) {pair_power(pairs, ratio, spread):8.1%}",
                flush=True,
            )


def main() -> None:
    """Reads the command line and prints one table."""
    parser = argparse.ArgumentParser(description=__doc__.split("\n", maxsplit=1)[0])
    parser.add_argument("what", choices=("refusals", "pairs"))
    parser.add_argument("--households", type=int, default=200)
    parser.add_argument("--seed", type=int, default=None)
    parser.add_argument("--workers", type=int, default=None, help="of pairs; all processors by default")
    parser.add_argument("--rows", nargs="*", default=list(ROWS))
    asked = parser.parse_args()
    seed = secrets.randbelow(10**6) * 1000 if asked.seed is None else asked.seed
    if asked.what == "refusals":
        refusals(asked.households, seed, tuple(asked.rows))
    else:
        trials(asked.households, seed, asked.workers)


if __name__ == "__main__":
    main()
