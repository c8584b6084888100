"""How much less sure than they look the odds of a household are, by what its riders answered.

The odds of a ride that a rider spoke of, without that word, are a forecast that came true or did not. Where
a household's forecasts were surer than right, all its odds are divided; being right makes nobody surer. They
are divided further while few rides were spoken of, for so those of invented households proved to be.
"""

from __future__ import annotations

from typing import Final

import numpy as np

from ingest.bikes.log_odds import softmax
from ingest.ride.recording import Column

DIVISORS: Final = np.geomspace(1.0, 8.0, 49)
SPREAD = 0.35  # of ln divisor from one household to another, before any answer; a judgement
# By so much further without an answer, by half of that after ten. In 21 invented households with 20 answers
# each, of what was said at 90 to 95 % 87 % came true; divided by 1.1, 93 %.
FIRST_DOUBT, HALVED_BY = 0.3, 10.0
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
    unknown = FIRST_DOUBT / (1.0 + len(answers) / HALVED_BY)
    return float(DIVISORS[weight.argmax()] * (1.0 + unknown))
