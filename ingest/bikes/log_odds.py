"""Log-odds made probabilities, and how much doubt these leave."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from ingest.ride.recording import Column


def softmax(log_odds: Column) -> Column:
    """Probabilities that add up to 1 along the last axis."""
    odds = np.exp(log_odds - log_odds.max(axis=-1, keepdims=True))
    shares: Column = odds / odds.sum(axis=-1, keepdims=True)
    return shares


def entropy_nats(shares: Column) -> Column:
    """How much doubt probabilities along the last axis leave: 0 where one is 1. [nats]"""
    with np.errstate(divide="ignore", invalid="ignore"):
        entropy: Column = -np.where(shares > 0, shares * np.log(shares), 0.0).sum(axis=-1)
    return entropy


def ln_sum(values: NDArray[np.floating]) -> Column:
    """ln of what the last axis adds up to, of values that are ln themselves."""
    top = values.max(axis=-1, keepdims=True)
    total: Column = np.log(np.exp(values - top).sum(axis=-1, dtype=np.float64)) + top[..., 0]
    return total
