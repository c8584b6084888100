"""Wear forecasts in a world of another physics, written when the model was final: nothing in it was tuned to.

    python -m tests.benchmarks.wear_otherwise --households 100

Pins have a hard shell, and wear two or three times as fast once it is through. A cared-for film keeps grit
out until there is too much of it; from then on wear jumps. A chain that stands wet for weeks rusts, and some
were stored damp before they were ever ridden. Riders push harder in summer. Nobody measures by plan: a rider
does when a chain feels worn, after a filthy ride, or on a whim. The weather is told in five whole words.
"""

from __future__ import annotations

import argparse
import math
import os
import secrets
from concurrent.futures import ProcessPoolExecutor
from datetime import UTC, datetime, timedelta

import numpy as np

from rules.rulebook import default_rulebook
from rules.vocabulary import ChainId
from rules.wear.forecast import Forecast, forecast
from tests.rules.notation import ledger_of

TOOLS = ("caliper", "gauge", "thirds")  # thirds: of a gauge's step, by eye, entered as a ruler's figure
LIMIT_PCT, STEPS = 0.5, (0.25, 0.5, 0.75)
SHARES = (0.5, 0.8)  # of the target's life, at which a judge is asked
FIRST = datetime(2018, 1, 1, 8, tzinfo=UTC)
# Grit that an hour brings on, and how wet it is: by the words of the ledger.
BRINGS = {"dry": (0.02, 0.0), "dusty": (0.5, 0.0), "damp": (0.1, 0.3), "wet": (0.3, 1.0), "muddy": (0.9, 1.0)}


class Household:
    """One rider, one bike, chains one after the other; the last is the one asked about."""

    def __init__(self, seed: int, tool: str) -> None:
        self.rng = rng = np.random.default_rng(seed)
        self.hand = np.random.default_rng(
            (seed, 1)
        )  # a stream of its own: a seed lives alike under every tool
        self.tool, self.bias = tool, self.hand.normal(0.0, 0.02)
        self.lines, self.when = ["bike Plover"], FIRST + timedelta(days=int(rng.integers(365)))
        self.base = LIMIT_PCT / math.exp(rng.uniform(math.log(150), math.log(700)))  # % per easy, clean hour
        self.shell, self.soft = rng.uniform(0.5, 0.9) * LIMIT_PCT, rng.uniform(2.0, 3.0)
        self.film, self.gritty = rng.uniform(1.0, 3.0), rng.uniform(1.5, 4.0)
        self.care_h, self.dusty = rng.uniform(8.0, 20.0), rng.uniform(0.0, 0.6)
        self.per_week, self.spread = rng.uniform(2.0, 5.0), rng.uniform(0.1, 0.4)
        self.wet, self.moments, self.life_h = False, {}, math.nan
        names = [f"Chain{number}" for number in range(1 + int(rng.integers(4)))]
        for name in names:
            self.lines.append(f"chain {name}  12-speed")
            self.live(name, target=name == names[-1])
        self.target, self.ledger = ChainId(len(names)), ledger_of("\n".join(self.lines))

    def live(self, name: str, *, target: bool) -> None:
        """Ride a chain to its limit, or about; the target beyond it."""
        rng = self.rng
        rate = self.base * math.exp(rng.normal(0.0, self.spread))
        length = rng.normal(0.02, 0.02) + (rng.random() < 0.15) * rng.uniform(0.02, 0.08)  # stored damp
        early = rng.uniform(0.0, 0.08)
        self.note("fitted", f"{name}  on Plover")
        self.when += timedelta(hours=1)
        if rng.random() < 0.5:
            self.measure(name, length)
        hours = grit = cared = wet_since = 0.0
        last_read, stop = 0.0, math.inf if target else LIMIT_PCT * rng.uniform(0.85, 1.1)
        track = []
        while length < stop and not (target and length > LIMIT_PCT * 1.05):
            idle = timedelta(days=float(rng.exponential(7.0 / self.per_week)))
            idle += timedelta(days=int(rng.integers(14, 80))) * bool(rng.random() < 0.01)  # ill, or away
            rust = wet_since > 0.5 and idle > timedelta(days=14)
            self.when = max(self.when + timedelta(hours=10), (self.when + idle).replace(hour=8, minute=0))
            self.wet = rng.random() < (0.6 if self.wet else 0.15)
            wet, dry = rng.choice(("damp", "wet", "muddy"), p=(0.4, 0.45, 0.15)), rng.random() < self.dusty
            word = str(wet) if self.wet else ("dry", "dusty")[dry]
            ride_h = float(np.clip(rng.lognormal(0.5, 0.4), 0.5, 5.0))
            push = 1.0 + 0.25 * math.sin(2.0 * math.pi * (self.when.timetuple().tm_yday - 100) / 365.0)
            push *= math.exp(rng.normal(0.0, 0.15))
            grit += BRINGS[word][0] * ride_h
            worn = rate * push * ride_h * (self.gritty if grit > self.film else 1.0)
            worn *= self.soft if length > self.shell else 1.0
            worn += rust * rng.uniform(0.005, 0.03) + early * (
                math.exp(-hours / 6.0) - math.exp(-(hours + ride_h) / 6.0)
            )
            if math.isnan(self.life_h) and target and length < LIMIT_PCT <= length + worn:
                self.life_h = hours + ride_h * (LIMIT_PCT - length) / worn
            length, hours, wet_since = length + worn, hours + ride_h, BRINGS[word][1]
            self.note("rode", f"{ride_h:.2f} h  on Plover  {word}")
            self.when += timedelta(hours=ride_h)
            track.append((hours, self.when + timedelta(hours=1)))
            if hours - cared > self.care_h:
                self.note("immersed" if rng.random() < 0.7 else "dripped", name)
                cared, grit = hours, grit * rng.uniform(0.0, 0.4)
            feels_worn = 0.3 * max(0.0, length / LIMIT_PCT - 0.6)
            if hours - last_read > 5.0 and rng.random() < 0.02 + feels_worn + 0.1 * (word == "muddy"):
                self.measure(name, length)
                last_read = hours
        self.when += timedelta(hours=3)
        self.note("removed", name)
        self.when += timedelta(hours=12)
        for share in SHARES:
            self.moments[share] = next((at for ridden, at in track if ridden >= share * self.life_h), None)

    def measure(self, name: str, true_pct: float) -> None:
        """Lay the tool on."""
        sd = 0.03 if self.tool == "caliper" else 0.04
        seen = float(true_pct + self.hand.normal(0.0, sd) + (self.bias if self.tool != "caliper" else 0.0))
        if self.tool == "gauge":
            over, under = [one for one in STEPS if seen >= one], [one for one in STEPS if seen < one]
            said = (f"over {over[-1]} " if over else "") + (f"under {under[0]}" if under else "")
        else:
            said = f"{seen:.2f}" if self.tool == "caliper" else f"{round(seen * 12) / 12:.3f}  ruler"
        self.note("measured", f"{name}  {said}")

    def note(self, verb: str, told: str) -> None:
        self.lines.append(f"{self.when:%Y-%m-%d %H:%M}  {verb}  {told}")
        self.when += timedelta(minutes=1)


def one_household(task: tuple[str, int]) -> list[tuple[float, float, float, float, float]]:
    """Share of life, true life, and the range said in drive hours (nan = refused); measured chains alone."""
    tool, seed = task
    made, book, found = Household(seed, tool), default_rulebook(), []
    for share, moment in made.moments.items():
        if all(one.taken_at > moment for one in made.ledger.readings_of(made.target)):
            continue
        said = forecast(made.ledger, book, made.target, now=moment)
        found.append((share, made.life_h, *(said.life if isinstance(said, Forecast) else (math.nan,) * 3)))
    return found


def main() -> None:
    """Reads the command line and prints one table."""
    parser = argparse.ArgumentParser(description=__doc__.split("\n", maxsplit=1)[0])
    parser.add_argument("--households", type=int, default=100)
    parser.add_argument("--seed", type=int, default=None)
    asked = parser.parse_args()
    seed = secrets.randbelow(10**6) * 1000 if asked.seed is None else asked.seed
    print(f"seed {seed}, {asked.households} households a tool, load {os.getloadavg()[0]:.1f}")
    print("tool     life measured cover  below  above   bias  hi/lo  refused")
    with ProcessPoolExecutor() as pool:
        for tool in TOOLS:
            tasks = [(tool, seed + number) for number in range(asked.households)]
            many = np.array([one for rows in pool.map(one_household, tasks, chunksize=4) for one in rows])
            for share in SHARES:
                mine = many[many[:, 0] == share]
                true, low, middle, high = mine[~np.isnan(mine[:, 3]), 1:].T
                below, above = (true < low).mean(), (true > high).mean()
                print(
                    f"{tool:8} {share:4} {len(mine):8} {1 - below - above:6.0%} {below:6.0%} {above:6.0%} "
                    f"{np.median(np.log(middle / true)):+6.2f} {np.median(high / low):6.2f} "
                    f"{1.0 - len(true) / len(mine):8.0%}",
                    flush=True,
                )


if __name__ == "__main__":
    main()
