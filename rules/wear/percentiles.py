"""Which points of many equally likely draws are told: the 10, 50 and 90 % points."""

from __future__ import annotations

import numpy as np

from rules.wear.reading_arrays import Array


def triple(draws: Array) -> tuple[float, float, float]:
    """The 10, 50 and 90 % points of equally likely draws."""
    low, middle, high = np.quantile(draws, (0.1, 0.5, 0.9))
    return float(low), float(middle), float(high)
