"""Least squares on a straight line, and honest intervals for what is read off it."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class Line:
    """y = intercept + slope * x, fitted by least squares."""

    intercept: float
    slope: float
    residual_sd: float
    degrees_of_freedom: int
    intercept_var: float
    slope_var: float
    covariance: float
    mean_x: float
    count: int

    @property
    def slope_se(self) -> float:
        """Standard error of the slope."""
        return math.sqrt(self.slope_var)

    @property
    def intercept_se(self) -> float:
        """Standard error of the intercept; 0 for a line through the origin."""
        return math.sqrt(self.intercept_var)


@dataclass(frozen=True, slots=True)
class Span:
    """A value with an interval around it."""

    value: float
    low: float
    high: float


def least_squares(xs: Sequence[float], ys: Sequence[float], *, through_origin: bool = False) -> Line:
    """Which straight line lies closest to these points?

    ValueError for fewer points than leave one degree of freedom, or for points that all share one x.
    """
    count = len(xs)
    free = count - (1 if through_origin else 2)
    if free < 1:
        raise ValueError("too few points for a line and its error")
    mean_x = 0.0 if through_origin else math.fsum(xs) / count
    mean_y = 0.0 if through_origin else math.fsum(ys) / count
    spread = math.fsum((x - mean_x) ** 2 for x in xs)
    if spread == 0.0:
        raise ValueError("all points share one x")
    slope = math.fsum((x - mean_x) * (y - mean_y) for x, y in zip(xs, ys, strict=True)) / spread
    intercept = mean_y - slope * mean_x
    squares = math.fsum((y - intercept - slope * x) ** 2 for x, y in zip(xs, ys, strict=True))
    variance = squares / free
    slope_var = variance / spread
    intercept_var = 0.0 if through_origin else variance / count + slope_var * mean_x**2
    return Line(
        intercept=intercept,
        slope=slope,
        residual_sd=math.sqrt(variance),
        degrees_of_freedom=free,
        intercept_var=intercept_var,
        slope_var=slope_var,
        covariance=-slope_var * mean_x,
        mean_x=mean_x,
        count=count,
    )


def prediction(line: Line, x: float, *, confidence: float, new_reading: bool = True) -> Span:
    """What does the line say at x, and between which ends would a new reading (or the line) lie?"""
    value = line.intercept + line.slope * x
    variance = line.intercept_var + 2.0 * x * line.covariance + x * x * line.slope_var
    if new_reading:
        variance += line.residual_sd**2
    half = student_t(confidence, line.degrees_of_freedom) * math.sqrt(variance)
    return Span(value, value - half, value + half)


def crossing(line: Line, level: float, *, confidence: float, new_reading: bool = False) -> Span | None:
    """At which x does the line reach this level, with Fieller's interval? None: the slope may be zero.

    new_reading: count the noise of one reading at that x as well.
    """
    noise = line.residual_sd**2 if new_reading else 0.0
    return _fieller(
        (level - line.intercept, line.intercept_var + noise),
        (line.slope, line.slope_var),
        -line.covariance,
        student_t(confidence, line.degrees_of_freedom),
    )


def ratio(
    upper: tuple[float, float], lower: tuple[float, float], *, confidence: float, degrees_of_freedom: int
) -> Span | None:
    """How many times the lower is the upper, with Fieller's interval? None: the lower could as well be zero.

    upper, lower: (value, standard error), independent of each other.
    Source: Fieller 1954, J. R. Statist. Soc. B 16:175–185 (from memory).
    """
    t = student_t(confidence, degrees_of_freedom)
    return _fieller((upper[0], upper[1] ** 2), (lower[0], lower[1] ** 2), 0.0, t)


def _fieller(
    upper: tuple[float, float], lower: tuple[float, float], covariance: float, t: float
) -> Span | None:
    """Interval for upper/lower from (value, variance) pairs: all r with (upper - r lower)^2 <= t^2 var."""
    a = lower[0] ** 2 - t * t * lower[1]
    b = upper[0] * lower[0] - t * t * covariance
    c = upper[0] ** 2 - t * t * upper[1]
    if a <= 0.0:
        return None
    root = math.sqrt(max(0.0, b * b - a * c))
    return Span(upper[0] / lower[0], (b - root) / a, (b + root) / a)


def student_t(confidence: float, degrees_of_freedom: int) -> float:
    """Which t holds this much probability between -t and t?

    confidence: 0..1, e.g. 0.95.
    """
    low, high = 0.0, 1.0
    while _central_t(high, degrees_of_freedom) < confidence:
        high *= 2.0
    for _ in range(200):
        middle = 0.5 * (low + high)
        if _central_t(middle, degrees_of_freedom) < confidence:
            low = middle
        else:
            high = middle
    return 0.5 * (low + high)


def _central_t(t: float, degrees_of_freedom: int) -> float:
    """Probability between -t and t for a whole number of degrees of freedom.

    Source: Abramowitz & Stegun 1964, 26.7.3 and 26.7.4 (from memory; checked against tables in the tests).
    """
    angle = math.atan(t / math.sqrt(degrees_of_freedom))
    cos2 = math.cos(angle) ** 2
    if degrees_of_freedom % 2 == 0:
        term = total = 1.0
        for k in range(1, degrees_of_freedom // 2):
            term *= cos2 * (2 * k - 1) / (2 * k)
            total += term
        return math.sin(angle) * total
    term = total = 0.0
    if degrees_of_freedom > 1:
        term = total = math.cos(angle)
        for k in range(1, (degrees_of_freedom - 1) // 2):
            term *= cos2 * (2 * k) / (2 * k + 1)
            total += term
    return 2.0 / math.pi * (angle + math.sin(angle) * total)
