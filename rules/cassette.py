"""How many chains a cassette outlives."""

from __future__ import annotations

import math

# When each is changed at this elongation [%]. Common practice, no source.
_CHAINS_UPTO_PCT = ((0.5, 3.0), (0.75, 2.0), (math.inf, 1.0))


def chains_outlived(limit_pct: float) -> float:
    """How many chains does one cassette outlive, each changed at this elongation [%]?"""
    return next(count for upto_pct, count in _CHAINS_UPTO_PCT if limit_pct <= upto_pct)
