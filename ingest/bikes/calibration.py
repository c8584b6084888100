"""How much less sure than they look the odds of a household are, by what its riders answered.

The odds of a ride that a rider spoke of, without that word, are a forecast that came true or did not. Where
a household's forecasts were surer than right, all its odds are divided; being right makes nobody surer.
"""

from __future__ import annotations

from typing import Final

import numpy as np

from ingest.bikes.chances import softmax
from ingest.ride.recording import Column

DIVISORS: Final = np.geomspace(1.0, 8.0, 49)
SPREAD = 0.35  # of ln divisor from one household to another, before any answer; a judgement
SLIP = 0.02  # of answers are a slip of the rider's; common practice, no source


def divided_by(log_odds: Column, answers: Column) -> float:
    """By what the odds of this household are divided: 1 = they were as right as they said.

    log_odds: of the answered rides without their answers, (answers, bikes + 1).  answers: each one's column.
    The likeliest by the answers and a prior around 1; a slip of the rider's weighs little.
    """
    weight = -0.5 * (np.log(DIVISORS) / SPREAD) ** 2
    if len(answers):
        rows = np.arange(len(answers))
        for place, divisor in enumerate(DIVISORS):
            chance = softmax(log_odds / divisor)[rows, answers]
            weight[place] += np.log((1.0 - SLIP) * chance + SLIP / log_odds.shape[1]).sum()
    return float(DIVISORS[weight.argmax()])
