"""What readings say of a chain's wear: the likelihood of a line, and the posterior over lines.

Elongation y [%] grows as intercept + slope * X, X being what was ridden over the chain's life. A gauge gives
an interval, a ruler or caliper a number; each tool has its own intercept (its own bias), all share the slope.
The posterior is a grid: no dice, the same answer every time.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from enum import StrEnum
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from rules.contamination import ChainHistory, Entry
from rules.ledger import RiddenHour
from rules.vocabulary import Reading, ReadingTool
from rules.wording import number

Array = NDArray[np.float64]

READING_SD_PCT = {ReadingTool.GAUGE: 0.05, ReadingTool.RULER: 0.08, ReadingTool.CALIPER: 0.03}
# A new chain may be up to 0.15 % long under its measuring load (ISO 606, from memory), and runs in by under
# 0.1 % in about 20 h (chain-guide.com, 2.2.4): so the line does not start at 0.
NEW_MEAN_PCT, NEW_SD_PCT = 0.05, 0.05
# Labelled assumption: one chain in twenty already had some wear when its ledger began.
USED_SHARE, USED_MEAN_PCT, USED_SD_PCT = 0.05, 0.3, 0.3
_TABLE_FROM, _TABLE_TO, _STEPS_PER_SD = -0.5, 3.0, 50  # expected elongation [%]; beyond, the ends hold
_INTERCEPTS = np.linspace(-0.15, 1.25, 71)
FIRST_SLOPE_PCT_PER_H = 0.0015  # labelled assumption: 0.5 % in 300 drive hours
KM_PER_DRIVE_HOUR = 25.0  # common practice speaks in kilometres on dry pavement
FIRST_SLOPE_FACTOR = 3.0  # times or divided by this, at one standard deviation


class Measure(StrEnum):
    """What wear is reckoned against."""

    DRIVE_HOURS = "drive hours"
    GRIT_HOURS = "grit-hours"
    KILOMETRES = "km"

    @property
    def first_slope(self) -> float:
        """The assumed slope of a first chain. [% per unit of this measure]"""
        return FIRST_SLOPE_PCT_PER_H / (KM_PER_DRIVE_HOUR if self is Measure.KILOMETRES else 1.0)

    def of(self, entry: Entry) -> float:
        """What one line of a chain's history adds."""
        if entry.exposure is None or not isinstance(entry.fact, RiddenHour):
            return 0.0
        if self is Measure.KILOMETRES:
            return entry.fact.hour.distance_m / 1000.0
        return entry.exposure.drive_h if self is Measure.DRIVE_HOURS else entry.exposure.grit_h

    def over_life(self, past: ChainHistory) -> float:
        """What a chain has behind it."""
        return math.fsum(self.of(entry) for entry in past.entries)


@dataclass(frozen=True, slots=True)
class WearPoint:
    """A reading, and what the chain had behind it when it was taken."""

    reading: Reading
    x: float  # drive hours, grit-hours or kilometres over life


@dataclass(frozen=True, slots=True)
class SlopePrior:
    """What is believed of the slope before the first reading: log-normal. [% per unit of the measure]"""

    median: float
    log_sd: float
    because: str


@dataclass(frozen=True, slots=True)
class Posterior:
    """Probability over a grid of intercepts (rows) and slopes (columns); it sums to 1."""

    intercept: Array  # of the tool used last [%]
    slope: Array
    weight: Array

    def quantiles(self, values: Array, at: Sequence[float]) -> tuple[float, ...]:
        """The value below which each share of the probability lies. values: one per grid point."""
        order = np.argsort(values, axis=None)
        mass = np.cumsum(self.weight.ravel()[order])
        flat = values.ravel()[order]
        # mid-mass, so that coarse cells do not push every quantile upwards
        middle = mass - 0.5 * self.weight.ravel()[order]
        return tuple(float(np.interp(share, middle, flat)) for share in at)

    def slopes(self) -> Array:
        """The slope at every grid point."""
        return np.broadcast_to(self.slope, self.weight.shape)

    def elongation(self, x: float) -> Array:
        """The elongation at x at every grid point. [%]"""
        return np.asarray(self.intercept[:, None] + self.slope[None, :] * x)

    def chance_over(self, limit_pct: float, x: float) -> float:
        """With which probability is the chain at or over this elongation at x?"""
        return float(self.weight[self.elongation(x) >= limit_pct].sum())


def log_likelihood(
    points: Sequence[WearPoint], intercept: Array, slope: Array, *, sd_pct: float | None = None
) -> Array:
    """How probable are these readings, given the line? Natural log, per pair of intercept and slope.

    intercept, slope: arrays that broadcast. sd_pct: one error for all; None = each tool's own.
    """
    total = np.zeros(np.broadcast_shapes(intercept.shape, slope.shape))
    for point in points:
        sd = READING_SD_PCT[point.reading.tool] if sd_pct is None else sd_pct
        expected = intercept + slope * point.x
        exact = point.reading.exact_pct
        if exact is not None:
            total += -0.5 * ((exact - expected) / sd) ** 2 - math.log(sd * math.sqrt(2.0 * math.pi))
        else:
            total += _log_interval(point.reading.over_pct, point.reading.under_pct, sd, expected)
    return total


def _log_interval(over: float | None, under: float | None, sd: float, expected: Array) -> Array:
    """ln P(over < reading <= under) for each expected elongation, by three-point interpolation in a table."""
    logs = _interval_table(over, under, sd)
    position = np.clip((expected - _TABLE_FROM) / (sd / _STEPS_PER_SD), 1.0, len(logs) - 2.0)
    near = np.rint(position).astype(np.intp)
    off = position - near
    before, at, after = logs[near - 1], logs[near], logs[near + 1]
    return np.asarray(at + 0.5 * off * (after - before) + 0.5 * off**2 * (after - 2.0 * at + before))


@lru_cache(maxsize=64)
def _interval_table(over: float | None, under: float | None, sd: float) -> Array:
    low = -math.inf if over is None else over
    high = math.inf if under is None else under
    means = np.arange(_TABLE_FROM, _TABLE_TO, sd / _STEPS_PER_SD)
    return np.array([math.log(max(1e-300, _between(low, high, float(mean), sd))) for mean in means])


def _between(low: float, high: float, mean: float, sd: float) -> float:
    """Normal probability of [low, high], by the tail that keeps its digits."""
    a, b = (low - mean) / sd / math.sqrt(2.0), (high - mean) / sd / math.sqrt(2.0)
    if a > 0.0:
        return 0.5 * (math.erfc(a) - math.erfc(b))
    return 0.5 * (math.erfc(-b) - math.erfc(-a))


def posterior(points: Sequence[WearPoint], prior: SlopePrior) -> Posterior:
    """What do prior and readings together say of intercept and slope?

    A coarse grid finds where the probability lies, finer ones fill that box.
    """
    spread = 4.0 * prior.log_sd
    intercept = _INTERCEPTS
    log_slope = math.log(prior.median) + np.linspace(-spread, spread, 121)
    for rows, columns in ((41, 121), (61, 241)):
        log_weight = _log_weight(points, intercept, log_slope, prior)
        near = log_weight > log_weight.max() - 20.0
        intercept = _box(intercept, near.any(axis=1), rows)
        log_slope = _box(log_slope, near.any(axis=0), columns)
    log_weight = _log_weight(points, intercept, log_slope, prior)
    weight = np.exp(log_weight - log_weight.max())
    return Posterior(intercept, np.exp(log_slope), weight / weight.sum())


def _log_weight(points: Sequence[WearPoint], intercept: Array, log_slope: Array, prior: SlopePrior) -> Array:
    """Unnormalised log posterior of the last tool's intercept (rows) and ln slope (columns)."""
    slope = np.exp(log_slope)[None, :]
    weight = -0.5 * ((log_slope - math.log(prior.median)) / prior.log_sd) ** 2
    weight = weight + _log_intercept_prior(intercept)[:, None]
    last_tool = points[-1].reading.tool if points else None
    for tool in sorted({point.reading.tool for point in points}):
        own = [point for point in points if point.reading.tool is tool]
        if tool is last_tool:
            weight = weight + log_likelihood(own, intercept[:, None], slope)
        else:
            # another tool's bias is summed out: only what it says of the slope is kept
            weight = weight + _of_slope_alone(own, slope)[None, :]
    return weight


def _log_intercept_prior(intercept: Array) -> Array:
    """Unnormalised log density of the elongation at the start: new, or now and then used. [%]"""
    new = (1.0 - USED_SHARE) / NEW_SD_PCT * np.exp(-0.5 * ((intercept - NEW_MEAN_PCT) / NEW_SD_PCT) ** 2)
    used = USED_SHARE / USED_SD_PCT * np.exp(-0.5 * ((intercept - USED_MEAN_PCT) / USED_SD_PCT) ** 2)
    return np.asarray(np.log(new + used))


def _of_slope_alone(points: Sequence[WearPoint], slope: Array) -> Array:
    """What one tool's readings say of the slope, its own intercept summed out. Log, one per slope."""
    intercept = _INTERCEPTS[:, None]
    logs = log_likelihood(points, intercept, slope) + _log_intercept_prior(intercept)
    peak = logs.max(axis=0)
    return np.asarray(peak + np.log(np.exp(logs - peak).sum(axis=0)))


def _box(axis: Array, near: NDArray[np.bool_], count: int) -> Array:
    """A finer axis over the part of this one where something is, and one step beyond."""
    where = np.flatnonzero(near)
    first, last = max(0, int(where[0]) - 1), min(len(axis) - 1, int(where[-1]) + 1)
    return np.linspace(axis[first], axis[last], count)


def falling_chance(points: Sequence[WearPoint], prior: SlopePrior) -> float:
    """With which probability do the readings alone, without a prior on the slope, say that nothing wears?"""
    furthest = max((point.x for point in points), default=0.0)
    reach = max(prior.median * 10.0, 1.0 / max(1.0, furthest))
    slope = np.linspace(-reach, reach, 401)
    logs = np.zeros(slope.shape)
    for tool in sorted({point.reading.tool for point in points}):
        own = [point for point in points if point.reading.tool is tool]
        logs = logs + _of_slope_alone(own, slope[None, :])
    weight = np.exp(logs - logs.max())
    return float(weight[slope <= 0.0].sum() / weight.sum())


def first_prior(measure: Measure, factor: float = FIRST_SLOPE_FACTOR) -> SlopePrior:
    """What is believed of a first chain's slope? The factor is one standard deviation, up or down."""
    because = f"assumed: {measure.first_slope:.2g} % per unit, times or divided by {number(factor)}"
    return SlopePrior(measure.first_slope, math.log(factor), because)
