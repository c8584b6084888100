"""Which bike was it? Clues add up in log-odds; the verdict is certain, likely, or a question.

    clues_of(recording, ride, rider)      what the ride tells            -> RideClues, kept with the ride
    learn(known rides, household)         what answered rides teach      -> Habits
    judge(clues, household, habits)       the verdict with its evidence  -> Assignment

Every weight is the natural logarithm of how much likelier the clue is on this bike than on a bike of which
nothing is known. A clue that is missing, or of which a bike tells nothing, weighs exactly 0. 'None of ours'
is a candidate. The rider's word is never judged here: a caller that has it keeps it.
"""

from __future__ import annotations

import math
from collections import defaultdict
from collections.abc import Mapping
from dataclasses import dataclass
from enum import StrEnum

from ingest.bikes.clues import HeardSensor, RideClues, clues_of
from ingest.bikes.evidence import Clue, Evidence, weigh
from ingest.bikes.learning import Habits, Household, Known, learn
from rules.vocabulary import Bike, BikeId, DecidedBy

__all__ = [
    "Assignment",
    "Clue",
    "Evidence",
    "Habits",
    "HeardSensor",
    "Household",
    "Known",
    "RideClues",
    "Verdict",
    "clues_of",
    "judge",
    "learn",
]

CERTAIN_FROM = 0.99  # and a unique identifier
LIKELY_FROM = 0.93
IDENTIFIES_FROM = 4.0  # log-odds: a sensor that keeps to its bike
TELLS_APART_FROM = 3.0  # log-odds between two bikes: 20 to 1
TWIN_DOUBT_FROM = 0.02  # probability of look-alikes that keeps a ride without sensor and gears a question
SPEAKS_AGAINST_FROM = 4.6  # log-odds: 100 to 1
TELLING = frozenset(
    {Clue.SENSOR, Clue.GEARING, Clue.SHIFTS, Clue.WHEEL, Clue.ACTIVITY, Clue.DEVICE, Clue.INDOOR}
)


class Verdict(StrEnum):
    """How sure. Only 'certain' and 'likely' name a bike; 'ask' goes on the confirm list."""

    CERTAIN = "certain"
    LIKELY = "likely"
    ASK = "ask"


@dataclass(frozen=True, slots=True)
class Assignment:
    """The verdict on one ride.

    bike, decided_by: None when the verdict is 'ask'.
    probabilities: per bike, and under None for 'none of ours'; they add up to 1.  probability: of the leader.
    leader, runner_up: the two likeliest, either of which may be None, 'none of ours'.
    because: one sentence saying why it was decided or is asked.
    """

    bike: BikeId | None
    decided_by: DecidedBy | None
    verdict: Verdict
    probability: float
    leader: BikeId | None
    runner_up: BikeId | None
    probabilities: Mapping[BikeId | None, float]
    evidence: tuple[Evidence, ...]
    because: str

    def weight(self, clue: Clue, bike: BikeId | None) -> float:
        """What this clue says for this bike, in log-odds; 0 when it says nothing."""
        return sum(e.weight for e in self.evidence if e.clue is clue and e.bike == bike)


def judge(
    clues: RideClues,
    household: Household,
    habits: Habits,
    *,
    impossible: Mapping[BikeId, str] | None = None,
) -> Assignment:
    """Which bike this ride was on, how sure that is, and why.

    impossible: bikes that cannot have been it, each with the sentence saying why (see `impossibilities`).
    """
    ruled_out = {**_not_here(clues, household.bikes), **(impossible or {})}
    candidates = tuple(bike for bike in household.bikes if bike.id not in ruled_out)
    evidence = weigh(clues, candidates, habits)
    log_odds: dict[BikeId | None, float] = {bike.id: 0.0 for bike in candidates}
    log_odds[None] = 0.0
    for item in evidence:
        log_odds[item.bike] += item.weight
    probabilities = _shares(log_odds)
    ranked = sorted(probabilities, key=lambda bike: -probabilities[bike])
    weights = _Weights(evidence)
    said, by, because = _verdict(clues, candidates, ranked, probabilities, weights, habits)
    leader = ranked[0]
    if by is DecidedBy.ONLY_BIKE:
        leader = _only_bike(clues, candidates, habits)
    return Assignment(
        bike=None if said is Verdict.ASK else leader,
        decided_by=by,
        verdict=said,
        probability=probabilities[leader],
        leader=leader,
        runner_up=next((bike for bike in ranked if bike != leader), None),
        probabilities={**probabilities, **dict.fromkeys(ruled_out, 0.0)},
        evidence=(*evidence, *(Evidence(Clue.IMPOSSIBLE, b, -math.inf, why) for b, why in ruled_out.items())),
        because=because,
    )


class _Weights:
    """The evidence, summed by bike: what sensors say, what gears say, what any telling clue says."""

    def __init__(self, evidence: tuple[Evidence, ...]) -> None:
        self.sensor: dict[BikeId | None, float] = defaultdict(float)
        self.gearing: dict[BikeId | None, float] = defaultdict(float)
        self.telling: dict[BikeId | None, float] = defaultdict(float)
        for item in evidence:
            if item.clue in TELLING:
                self.telling[item.bike] += item.weight
            if item.clue is Clue.SENSOR:
                self.sensor[item.bike] += item.weight
            elif item.clue in (Clue.GEARING, Clue.SHIFTS, Clue.WHEEL):
                self.gearing[item.bike] += item.weight

    def gears_say_no(self, bike: BikeId | None) -> bool:
        """Whether the gears fit another bike, ours or not, a hundred times better."""
        best = max(0.0, *self.gearing.values()) if self.gearing else 0.0
        return self.gearing[bike] - best <= -SPEAKS_AGAINST_FROM


def _verdict(
    clues: RideClues,
    candidates: tuple[Bike, ...],
    ranked: list[BikeId | None],
    probabilities: Mapping[BikeId | None, float],
    weights: _Weights,
    habits: Habits,
) -> tuple[Verdict, DecidedBy | None, str]:
    """Certain needs a unique identifier and a gap; a contradiction or a look-alike is a question."""
    names: dict[BikeId | None, str] = {bike.id: bike.name for bike in candidates}
    names[None] = "none of ours"
    if not candidates:
        return Verdict.ASK, None, "No bike of the household can have been on this ride."
    identified = [bike.id for bike in candidates if weights.sensor[bike.id] >= IDENTIFIES_FROM]
    only = _only_bike(clues, candidates, habits)
    if only is not None and not weights.gears_say_no(only) and set(identified) <= {only}:
        return Verdict.CERTAIN, DecidedBy.ONLY_BIKE, f"{names[only]} is the only bike this rider had."
    if len(identified) > 1:
        heard = " and ".join(names[bike] for bike in identified)
        return Verdict.ASK, None, f"Sensors of {heard} were heard on the same ride."
    if identified and weights.gears_say_no(identified[0]):
        name = names[identified[0]]
        return Verdict.ASK, None, f"The sensor says {name}, the gears say it was not: was the sensor moved?"
    leader, rest = ranked[0], ranked[1:]
    if leader is None:
        return Verdict.ASK, None, "It looks like none of the household's bikes."
    for other in rest:
        gap = weights.telling[leader] - weights.telling[other]
        if other is not None and gap < TELLS_APART_FROM and habits.look_alike(leader, other):
            pair = f"{names[leader]} and {names[other]}"
            return (
                Verdict.ASK,
                None,
                f"{pair} have the same gears, and nothing on this ride tells them apart.",
            )
    if not identified and not weights.gearing:
        twins = [b.id for b in candidates if any(habits.look_alike(b.id, other.id) for other in candidates)]
        if leader not in twins and sum(probabilities[bike] for bike in twins) >= TWIN_DOUBT_FROM:
            pair = " or ".join(names[bike] for bike in twins)
            return Verdict.ASK, None, f"No sensor and no gears on this ride: it may have been {pair} as well."
    chance = f"{probabilities[leader]:.0%}"
    if identified == [leader] and probabilities[leader] >= CERTAIN_FROM:
        return Verdict.CERTAIN, DecidedBy.SENSOR, f"A sensor that sits on {names[leader]} was on this ride."
    if probabilities[leader] >= LIKELY_FROM:
        by = DecidedBy.SENSOR if identified == [leader] else DecidedBy.EVIDENCE
        return Verdict.LIKELY, by, f"The clues add up to {names[leader]}, {chance}."
    return Verdict.ASK, None, f"{names[leader]} is likeliest, but only {chance}; next is {names[rest[0]]}."


def _only_bike(clues: RideClues, candidates: tuple[Bike, ...], habits: Habits) -> BikeId | None:
    """The one bike this rider owns, if they were never known to ride another."""
    rider = clues.rider
    theirs = [bike.id for bike in candidates if bike.owner == rider or habits.known_rides(rider, bike.id)]
    return theirs[0] if len(theirs) == 1 and not habits.known_rides(rider, None) else None


def _not_here(clues: RideClues, bikes: tuple[Bike, ...]) -> dict[BikeId, str]:
    ruled_out = {}
    for bike in bikes:
        if bike.from_at is not None and clues.ended_at <= bike.from_at:
            ruled_out[bike.id] = f"{bike.name} was not in the household yet."
        elif bike.until_at is not None and clues.started_at >= bike.until_at:
            ruled_out[bike.id] = f"{bike.name} was no longer in the household."
    return ruled_out


def _shares(log_odds: Mapping[BikeId | None, float]) -> dict[BikeId | None, float]:
    """Log-odds against one reference, as probabilities that add up to 1."""
    top = max(log_odds.values())
    odds = {bike: math.exp(weight - top) for bike, weight in log_odds.items()}
    total = sum(odds.values())
    return {bike: weight / total for bike, weight in odds.items()}
