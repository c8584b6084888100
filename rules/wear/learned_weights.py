"""What a household's readings say of the rulebook's weights, and how far they moved them."""

from __future__ import annotations

import math
from dataclasses import dataclass
from datetime import datetime

import numpy as np

from rules.dates_and_numbers import number
from rules.ledger import Ledger
from rules.rulebook import Rulebook
from rules.wear.chain_readings import KINDS
from rules.wear.percentiles import triple
from rules.wear.posterior import fit
from rules.wear.reading_arrays import measured

SURE_SD = 0.4  # of the ln weight: below, a rider may take the weight over
SAME = 0.1  # a weight this near to what is offered is the one taken over
UNMOVED = 0.85  # of the assumed spread left, or more: next to nothing was said (400 draws stray by 0.04)


@dataclass(frozen=True, slots=True)
class LearnedWeight:
    """One weight: assumed, and what the readings make of it. 10, 50 and 90 % points."""

    kind: str  # water, mud, dust or salt
    assumed: float
    said: tuple[float, float, float]
    log_sd: float  # of ln weight
    moved: bool  # the readings said something
    sure: bool  # enough to be taken over, if the rider agrees; not once it is
    offered: float  # what would be taken over: the middle, within the rulebook's range
    sentence: str


def learned_weights(ledger: Ledger, rulebook: Rulebook, *, now: datetime) -> tuple[LearnedWeight, ...]:
    """What do the readings say of water, mud, dust and salt? Only kinds that the chains met.

    Nothing is taken over: reminders go on by what is assumed until a rider agrees.
    """
    found = fit(measured(ledger, rulebook, now=now))
    rows = []
    for place in found.model.kinds:
        draws = found.weights[:, 1 + place]
        kind, (assumed, assumed_sd) = KINDS[place], found.facts.assumed[place]
        low, middle, high = triple(draws)
        log_sd = float(np.log(draws).std())
        moved = log_sd < UNMOVED * assumed_sd or abs(math.log(middle / assumed)) > 0.5 * assumed_sd
        if moved:
            said = f"your readings say {number(low)} to {number(high)}, four times out of five"
        else:
            said = "your readings say next to nothing of it"
        sentence = f"{kind.capitalize()}: {number(assumed)} assumed; {said}."
        judgement = rulebook.judgement(f"weight.{kind}")
        offered = round(min(max(middle, judgement.low), judgement.high), 2)
        own = {rulebook.overrides.get(("rider", one.name), {}).get(kind) for one in ledger.riders}
        if len(own) == 1 and (set_to := own.pop()) is not None:
            sentence += f" You reckon with {number(set_to, 2)}."
            taken = abs(set_to - offered) <= SAME * offered
        else:
            taken = False
        sure = log_sd < SURE_SD and not taken
        rows.append(LearnedWeight(kind, assumed, (low, middle, high), log_sd, moved, sure, offered, sentence))
    return tuple(rows)
