"""The kinds of clue and how far each counts; log-odds made probabilities, and how much doubt these leave."""

from __future__ import annotations

from collections.abc import Mapping
from enum import StrEnum
from typing import Final

import numpy as np
from numpy.typing import NDArray

from ingest.ride.recording import Column


class Clue(StrEnum):
    """The kinds of evidence, as the rider reads them."""

    SENSOR = "sensor"
    GEARING = "gearing"
    SHIFTS = "gear changes"
    ACTIVITY = "profile"
    CHANNELS = "what it measured"
    DEVICE = "head unit"
    INDOOR = "trainer"
    HABIT = "habit"
    NEIGHBOURS = "rides before and after"
    WAY = "the way it took"
    WEEK = "time of the week"
    MEASURED = "speed and ground"
    MEANWHILE = "meanwhile"
    NONE_OF_OURS = "none of ours"
    IMPOSSIBLE = "impossible"


# How far each clue counts for what it seems to say: clues share causes (a weekday, its road, its speed).
COUNTS_FOR: Final[Mapping[Clue, float]] = {
    Clue.ACTIVITY: 0.9,
    Clue.CHANNELS: 0.7,
    Clue.MEASURED: 0.6,
    Clue.DEVICE: 0.5,
    Clue.WAY: 0.8,
    Clue.WEEK: 0.5,
}
LOUD_FROM_THE_START: Final = (Clue.SENSOR, Clue.GEARING, Clue.SHIFTS, Clue.INDOOR)
WHAT_FOR: Final = (Clue.WAY, Clue.WEEK, Clue.MEASURED)  # what a ride was for shows in all of these
HARD: Final = (Clue.SENSOR, Clue.GEARING, Clue.SHIFTS, Clue.ACTIVITY, Clue.INDOOR, Clue.MEANWHILE)


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
