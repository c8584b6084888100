"""One model of wear for a whole household: what its chains share, and what is each one's own.

A chain gets longer by `rate * (H + a_w W + a_m M + a_d D + a_s S)`, H being drive hours and W, M, D, S those
times water, mud, dust and salt. The rate has a part that all share, one of wax, one of the bike, one of the
chain, and one of each stretch between two readings (a model is never quite right). To that come the length a
new chain has already, its running-in, and a slow acceleration towards the limit; a tool adds its own bias.

Priors are labelled assumptions; what they rest on stands beside each. No published trial of wax against oil,
and no published cost of a wet hour, was found.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import NamedTuple

import numpy as np

from rules.vocabulary import ReadingTool
from rules.wear.reading_arrays import Array, Measured, Whole
from rules.wear.reading_error import Readings

FIRST_RATE = (math.log(0.0011), 0.8)  # ln % per grit-hour: 0.5 % in about 300 h at weight 1.5, x or / 3.7
WAX = (0.0, 0.5)  # ln ratio waxed / wet lube: sceptical, centred on no effect
BIKE_SD = 0.3  # ln: sprockets, rider, chain line
SPREAD = (math.log(0.35), 0.5)  # ln of how much chains of one rider differ (sd of ln rate): .15-.8
SPREADS = np.geomspace(0.1, 1.0, 7)
NEW_PCT = (0.02, 0.04)  # a new chain may be up to 0.15 % long under its measuring load (ISO 606, from memory)
# Where the search looks for it: a first reading so high that a rate ten times the usual would not explain it.
NEW_BY_NOW_PCT, FIRST_PCT_PER_DRIVE_H = 0.17, 0.0016
USED_PCT, USED_SHARE = (0.3, 0.3), 0.05  # one chain in twenty was ridden before its ledger began
# Running-in: under 0.1 % in about 20 h (chain-guide.com, 2.2.4); 2 mm on 114 links in the first 100-200 km
# (Smolik, Online-Glossar Velotechnik, 2000): 0.14 %. Between the two, and as little as .03 or as much as .23.
RUNNING_IN = (math.log(0.085), 0.6)  # ln %
RUNNING_IN_H = 10.0
# ln of the extra rate at the limit. Wear is slow and steady, and fast near 1.5-2 %, well beyond a limit
# (the same guide): a straight line is nearer than a bend before it, .01-.7.
ACCELERATION = (math.log(0.08), 1.3)
STRETCH_SD, STRETCH_GRIT_H = 0.25, 40.0  # a stretch of 40 grit-hours is a quarter off its rate
SHORTEST_GRIT_H = 10.0
# Of one gauge or ruler, mean and sd. Drop-in gauges add the play of a roller (common practice, no source;
# 0.15 mm of it over ten pitches are 0.12 %), some more than others. A caliper has none to speak of.
BIAS_PCT = {ReadingTool.GAUGE: (0.02, 0.04), ReadingTool.RULER: (0.0, 0.01)}
LEAST_SHARE = 1e-3  # a kind of dirt that was hardly met is left out


def stretch_variance(grit_h: Array) -> Array:
    """How far may a stretch so long be off its rate? Variance of ln rate."""
    return np.asarray(STRETCH_SD**2 * STRETCH_GRIT_H / np.maximum(grit_h, SHORTEST_GRIT_H))


class Judged(NamedTuple):
    """The log posterior of every draw (the spread's own prior left out), and its gradient."""

    log: Array  # draws
    gradient: Array  # draws x parameters


@dataclass(frozen=True, slots=True)
class Places:
    """Where in a draw each parameter stands."""

    rate: int
    wax: slice
    bikes: slice
    weights: slice
    running_in: int
    acceleration: int
    tools: slice
    chains: slice
    starts: slice
    stretches: slice
    count: int


class WearModel:
    """The posterior of a household's wear, up to a constant, at many draws at once."""

    def __init__(self, facts: Measured, *, blind: bool = False) -> None:
        """blind: it is not told which chains are waxed, for a fair lot over them."""
        self.facts = facts
        self.readings = Readings(facts.taken)
        hours = facts.part_hours
        self.kinds = [kind for kind, share in enumerate(facts.mean_hour[1:]) if share > LEAST_SHARE]
        self.drive_h = hours[:, 0] if len(hours) else np.zeros(0)
        self.dirty_h = hours[:, [1 + kind for kind in self.kinds]]
        self.mean_dirt = facts.mean_hour[[1 + kind for kind in self.kinds]]
        tools = {(one.tool, one.instrument) for one in facts.taken if one.tool in BIAS_PCT}
        self.tools = sorted(tools)  # each gauge and ruler by its name
        self.has_wax = not blind and len(set(facts.waxed)) == 2
        self.many_bikes = len(facts.bikes) > 1
        self.at = self._places()
        self.limits = np.array([facts.limits_pct[one.chain] for one in facts.taken])
        self.run_in = 1.0 - np.exp(-np.array([one.drive_h for one in facts.taken]) / RUNNING_IN_H)
        self.of_chain = _indicator([one.chain for one in facts.taken], len(facts.chains))
        self.of_tool = _indicator(
            [
                self.tools.index((one.tool, one.instrument)) if one.tool in BIAS_PCT else -1
                for one in facts.taken
            ],
            len(self.tools),
        )
        self.before = facts.came_before
        self.worn_share = _worn_share(facts)
        self.design, self.offset = self._design()
        self.prior_mean, self.prior_sd = self._prior()

    def _places(self) -> Places:
        counts = (
            1,
            int(self.has_wax),
            len(self.facts.bikes) if self.many_bikes else 0,
            len(self.kinds),
            1,
            1,
            len(self.tools),
            len(self.facts.chains),
            len(self.facts.chains),
            self.facts.intervals,
        )
        ends = np.cumsum(counts)
        s = [slice(int(end - count), int(end)) for end, count in zip(ends, counts, strict=True)]
        return Places(
            s[0].start, s[1], s[2], s[3], s[4].start, s[5].start, s[6], s[7], s[8], s[9], int(ends[-1])
        )

    def _design(self) -> tuple[Array, Array]:
        """parameters x parts: what adds to the log rate of each part; and what is added to all of it."""
        facts, parts = self.facts, self.facts.parts
        design = np.zeros((self.at.count, len(parts)))
        design[self.at.rate] = 1.0
        assumed = 1.0 + self.mean_dirt @ [facts.assumed[kind][0] for kind in self.kinds]
        grit_h = np.zeros(facts.intervals)
        for part in parts:
            grit_h[part.interval] += part.hours[0] * assumed
        variance = stretch_variance(grit_h)
        offset = np.zeros(len(parts))
        for column, part in enumerate(parts):
            if self.has_wax and facts.waxed[part.chain]:
                design[self.at.wax, column] = 1.0
            if self.many_bikes:
                design[self.at.bikes.start + part.bike, column] = 1.0
            design[self.at.chains.start + part.chain, column] = 1.0
            design[self.at.stretches.start + part.interval, column] = math.sqrt(variance[part.interval])
            offset[column] = -0.5 * variance[part.interval]  # so that its mean rate is the rate
        return design, offset

    def _prior(self) -> tuple[Array, Array]:
        """Means and sds of the parameters that are normal a priori; chains and starts are not among them."""
        mean, sd = np.zeros(self.at.count), np.ones(self.at.count)
        mean[self.at.rate], sd[self.at.rate] = FIRST_RATE  # of the rate per grit-hour, see `at_draws`
        if self.has_wax:
            mean[self.at.wax], sd[self.at.wax] = WAX
        sd[self.at.bikes] = BIKE_SD
        for place, kind in enumerate(self.kinds, start=self.at.weights.start):
            median, spread = self.facts.assumed[kind]
            mean[place], sd[place] = math.log(median), spread
        mean[self.at.running_in], sd[self.at.running_in] = RUNNING_IN
        mean[self.at.acceleration], sd[self.at.acceleration] = ACCELERATION
        for place, (tool, _) in enumerate(self.tools, start=self.at.tools.start):
            mean[place], sd[place] = BIAS_PCT[tool]
        return mean, sd

    def start(self) -> Array:
        """Where the search for the best fit begins: the prior's middle, a used chain where it was found."""
        draw = self.prior_mean.copy()
        draw[self.at.rate] += math.log(1.0 + self.mean_dirt @ np.exp(draw[self.at.weights]))
        draw[self.at.starts] = NEW_PCT[0]
        for reading in reversed(self.facts.taken):  # so that a chain's first reading has the last word
            place = self.at.starts.start + reading.chain
            first_pct = reading.over_pct if np.isnan(reading.exact_pct) else reading.exact_pct
            beyond = first_pct - NEW_BY_NOW_PCT
            came_used = beyond > 0.0 and beyond > 10.0 * FIRST_PCT_PER_DRIVE_H * reading.drive_h
            draw[place] = first_pct if came_used else NEW_PCT[0]
        return draw

    def sped_up(self, log_kappa: Array) -> Array:
        """ln of how much longer than steadily worn a chain is, where it was read last, on average."""
        kappa = np.exp(log_kappa)
        return np.asarray(np.log1p(kappa * self.worn_share) - np.log1p(0.5 * kappa))

    def steady_pct(self, draws: Array) -> Array:
        """Wear at each reading as if it did not accelerate: draws x readings. [%]"""
        return self._walk(draws)[0]

    def _walk(self, draws: Array) -> tuple[Array, Array, Array, Array, Array]:
        """Steady wear z at each reading; and what the gradient needs: c, weight, grit and mean weight."""
        weight = np.exp(draws[:, self.at.weights])
        mean_weight = 1.0 + weight @ self.mean_dirt
        grit_h = self.drive_h + weight @ self.dirty_h.T
        log_rate = draws @ self.design + self.offset - np.log(mean_weight)[:, None]
        grown = np.exp(np.minimum(log_rate, 50.0)) * grit_h
        return grown @ self.before.T, grown, weight, grit_h, mean_weight

    def at_draws(self, draws: Array, spread: Array) -> Judged:
        """How good is each draw, and which way is better?

        draws: draws x parameters. spread: the sd of ln rate from chain to chain, one per draw.
        The rate is that of an average hour at mid-life: so it is nearly independent of weights and
        acceleration, and a search walks no ridge. Its prior is of the rate per grit-hour.
        """
        at, before = self.at, self.before
        z, grown, weight, grit_h, mean_weight = self._walk(draws)
        kappa = np.exp(draws[:, at.acceleration])[:, None]
        running_in = np.exp(draws[:, at.running_in])[:, None]
        half = 1.0 + 0.5 * kappa
        worn = z * (1.0 + kappa * z / self.limits) / half
        by_z = (1.0 + 2.0 * kappa * z / self.limits) / half
        by_kappa = (z * z / self.limits - 0.5 * worn) / half
        seen = (
            draws[:, at.starts] @ self.of_chain.T
            + running_in * self.run_in
            + worn
            + draws[:, at.tools] @ self.of_tool.T
        )
        heard = self.readings.hear(seen)
        pull = heard.slope
        by_part = ((pull * by_z) @ before) * grown
        gradient = by_part @ self.design.T
        gradient[:, at.starts] += pull @ self.of_chain
        gradient[:, at.tools] += pull @ self.of_tool
        gradient[:, at.running_in] += running_in[:, 0] * (pull @ self.run_in)
        gradient[:, at.acceleration] += kappa[:, 0] * (pull * by_kappa).sum(axis=1)
        share = weight * self.mean_dirt / mean_weight[:, None]
        with np.errstate(invalid="ignore", divide="ignore"):
            per_grit = np.where(grit_h > 0.0, by_part / grit_h, 0.0)
        gradient[:, at.weights] += weight * (per_grit @ self.dirty_h) - share * by_part.sum(axis=1)[:, None]

        off = draws - self.prior_mean
        off[:, at.rate] -= np.log(mean_weight)
        off[:, at.chains] = off[:, at.starts] = 0.0
        log = heard.log.sum(axis=1) - 0.5 * ((off / self.prior_sd) ** 2).sum(axis=1)
        gradient -= off / self.prior_sd**2
        gradient[:, at.weights] += (off[:, at.rate] / self.prior_sd[at.rate] ** 2)[:, None] * share
        own = draws[:, at.chains]
        log -= 0.5 * (own**2).sum(axis=1) / spread**2 + own.shape[1] * np.log(spread)
        gradient[:, at.chains] -= own / spread[:, None] ** 2
        start_log, start_slope, _ = _started(draws[:, at.starts])
        log += start_log.sum(axis=1)
        gradient[:, at.starts] += start_slope
        return Judged(log, gradient)

    def spread_anew(self, judged: Judged, draws: Array, before: Array, spread: Array) -> Judged:
        """The same draws judged by another spread each, which moves the chains' own prior alone."""
        own, gradient = draws[:, self.at.chains], judged.gradient.copy()
        tighter = 1.0 / spread**2 - 1.0 / before**2
        gradient[:, self.at.chains] -= own * tighter[:, None]
        moved = 0.5 * (own**2).sum(axis=1) * tighter + own.shape[1] * np.log(spread / before)
        return Judged(judged.log - moved, gradient)

    def curvature(self, draw: Array, spread: float) -> Array:
        """The Gauss-Newton Hessian of minus the log posterior at one draw: never indefinite."""
        at, row = self.at, draw[None, :]
        z, grown, weight, grit_h, mean_weight = (one[0] for one in self._walk(row))
        kappa, running_in = math.exp(draw[at.acceleration]), math.exp(draw[at.running_in])
        half = 1.0 + 0.5 * kappa
        worn = z * (1.0 + kappa * z / self.limits) / half
        by_z = (1.0 + 2.0 * kappa * z / self.limits) / half
        reach = self.before * grown
        share = weight * self.mean_dirt / mean_weight
        by = by_z[:, None] * (reach @ self.design.T)
        by[:, at.starts] += self.of_chain
        by[:, at.tools] += self.of_tool
        by[:, at.running_in] += running_in * self.run_in
        by[:, at.acceleration] += kappa * (z * z / self.limits - 0.5 * worn) / half
        dirty = self.dirty_h / np.maximum(grit_h, 1e-12)[:, None] * weight
        by[:, at.weights] += by_z[:, None] * (reach @ dirty - (reach.sum(axis=1)[:, None] * share))
        seen = (
            self.of_chain @ draw[at.starts] + running_in * self.run_in + worn + self.of_tool @ draw[at.tools]
        )
        heard = self.readings.hear(seen[None, :])
        found = by.T @ (heard.curvature[0][:, None] * by)
        precision = 1.0 / self.prior_sd**2
        precision[at.chains] = 1.0 / spread**2
        precision[at.starts] = _started(draw[at.starts])[2]
        # the rate's prior is of rate minus ln mean weight
        ridge = np.zeros(at.count)
        ridge[at.rate] = 1.0
        ridge[at.weights] = -share
        found += np.outer(ridge, ridge) * precision[at.rate]
        precision[at.rate] = 0.0
        found[np.diag_indices_from(found)] += precision
        return np.asarray(found)


def _worn_share(facts: Measured) -> float:
    """How far were the chains worn when they were read last? Mean share of the limit, by eye."""
    last = {one.chain: one for one in facts.taken}
    seen = [
        (one.over_pct if np.isnan(one.exact_pct) else one.exact_pct) / facts.limits_pct[chain]
        for chain, one in last.items()
    ]
    return float(np.clip(seen, 0.2, 1.0).mean()) if seen else 0.5


def _started(pct: Array) -> tuple[Array, Array, Array]:
    """ln prior of an elongation at the start, its slope, and a curvature > 0: new, or now and then used."""
    logs, slopes, precisions = [], [], []
    for share, (mean, sd) in ((1.0 - USED_SHARE, NEW_PCT), (USED_SHARE, USED_PCT)):
        off = (pct - mean) / sd
        logs.append(math.log(share / sd / math.sqrt(2.0 * math.pi)) - 0.5 * off**2)
        slopes.append(-off / sd)
        precisions.append(1.0 / sd**2)
    log = np.logaddexp(*logs)
    new = np.exp(logs[0] - log)
    slope = new * slopes[0] + (1.0 - new) * slopes[1]
    return log, slope, new * precisions[0] + (1.0 - new) * precisions[1]


def _indicator(positions: list[int], count: int) -> Array:
    """Rows with a 1 at each position; -1 = none."""
    found = np.zeros((len(positions), count))
    rows: Whole = np.array([row for row, position in enumerate(positions) if position >= 0], dtype=np.intp)
    found[rows, [position for position in positions if position >= 0]] = 1.0
    return found
