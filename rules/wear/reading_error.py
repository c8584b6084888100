"""How probable a reading is, given the elongation under the tool; with slope and curvature for the fit."""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import NamedTuple

import numpy as np
from scipy import special

from rules.vocabulary import ReadingTool
from rules.wear.reading_arrays import Array, Taken

# Labelled assumptions, as hands do it. A gauge's step is fuzzy: roller play and thumb decide at the edge.
READING_SD_PCT = {ReadingTool.GAUGE: 0.04, ReadingTool.RULER: 0.08, ReadingTool.CALIPER: 0.03}
MOST_RATIO = math.log(1e6)
TAIL = 8.0  # degrees of freedom of exact readings: now and then a hand slips


class Heard(NamedTuple):
    """Per reading (last axis): ln probability, its slope by elongation, and a curvature that is never < 0."""

    log: Array
    slope: Array
    curvature: Array


class Readings:
    """The readings of a household, ready to be asked how they fit expected elongations."""

    def __init__(self, taken: Sequence[Taken]) -> None:
        self.sd = np.array([READING_SD_PCT[one.tool] for one in taken])
        self.exact = np.array([one.exact_pct for one in taken])
        self.is_exact = ~np.isnan(self.exact)
        self.over = np.array([one.over_pct for one in taken])
        self.under = np.array([one.under_pct for one in taken])

    def hear(self, expected_pct: Array) -> Heard:
        """How probable are they all? expected_pct: draws x readings, tool bias included."""
        log, slope, curvature = (np.empty_like(expected_pct) for _ in range(3))
        e, g = self.is_exact, ~self.is_exact
        log[..., e], slope[..., e], curvature[..., e] = _exact(
            self.exact[e] - expected_pct[..., e], self.sd[e]
        )
        log[..., g], slope[..., g], curvature[..., g] = interval(
            self.over[g], self.under[g], expected_pct[..., g], self.sd[g]
        )
        return Heard(log, slope, curvature)


def _exact(off: Array, sd: Array) -> Heard:
    """Student's t with TAIL degrees of freedom: near the normal, and a slip of the hand pulls less."""
    r = off / sd
    log = (
        math.lgamma((TAIL + 1.0) / 2.0)
        - math.lgamma(TAIL / 2.0)
        - 0.5 * math.log(TAIL * math.pi)
        - np.log(sd)
        - (TAIL + 1.0) / 2.0 * np.log1p(r * r / TAIL)
    )
    pull = (TAIL + 1.0) / (TAIL + r * r)
    return Heard(log, pull * r / sd, pull / sd**2)


def interval(over: Array, under: Array, expected: Array, sd: Array) -> Heard:
    """A gauge's reading: the elongation lies over one step and under the next, the steps being fuzzy.

    From the tail that keeps its digits. The log probability is concave: the curvature is never negative.
    """
    low, high = (over - expected) / sd, (under - expected) / sd
    flip = low > 0.0  # both in the upper tail: mirrored, nothing is lost to rounding
    a, b = np.where(flip, -high, low), np.where(flip, -low, high)
    upper = special.log_ndtr(b)
    log = upper + np.log1p(-np.exp(np.minimum(special.log_ndtr(a) - upper, -1e-15)))
    at_low, at_high = _ratio(low, log), _ratio(high, log)
    slope = (at_low - at_high) / sd
    bend = (_finite(low) * at_low - _finite(high) * at_high) / sd**2
    return Heard(log, slope, np.maximum(slope * slope - bend, 0.0))


def _ratio(z: Array, log: Array) -> Array:
    """The normal density at z over the probability of the interval; 0 where z is infinite.

    It is about z in the tail: a million is beyond anything that a step of the walk may believe.
    """
    z = _finite(z, 1e6).clip(-1e6, 1e6)
    return np.asarray(np.exp(np.minimum(-0.5 * z * z - 0.5 * math.log(2.0 * math.pi) - log, MOST_RATIO)))


def _finite(z: Array, instead: float = 0.0) -> Array:
    return np.where(np.isfinite(z), z, instead)
