"""Which bike was it? Every ride of the household is judged by all rides of the household.

    clues_of(recording, ride, rider)            what the ride tells          -> RideClues, kept with the ride
    judge(rides, household, answers)            all rides at once            -> Judgement
    judgement.assignment(ride)                  one verdict, every clue in log-odds and in words

Nothing but the facts decides: the same rides, equipment and answers give the same verdicts, in whatever order
they came. The rider's word is never judged here: a caller that has it keeps it.
"""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Hashable, Mapping, Sequence
from dataclasses import dataclass
from enum import StrEnum
from functools import cached_property

import numpy as np

from ingest.bikes.calibration import divided_by
from ingest.bikes.clue_sentences import BelievedCounts, Evidence, evidence_on
from ingest.bikes.household_model import CANNOT, HARDLY_NONE, Household, HouseholdFit, fit
from ingest.bikes.log_odds import HARD, Clue, softmax
from ingest.bikes.ride_clues import HeardSensor, RideClues, clues_of
from ingest.bikes.routes import same_ways
from ingest.bikes.sensor_answers import SaidOfSensors
from ingest.ride.recording import Column
from rules.vocabulary import BikeId, DecidedBy

__all__ = [
    "Assignment",
    "Clue",
    "Evidence",
    "HeardSensor",
    "Household",
    "Judgement",
    "RideClues",
    "Verdict",
    "clues_of",
    "judge",
]

# Another name has every ledger judged anew, once.
WAY_OF_JUDGING = "all rides by all, an outing is on one bike and testifies once, roaming sensors ask"

CERTAIN_FROM = 0.99  # and a sensor that says so, of which a rider spoke lately
# The probability from which a bike is named, by what the ride's file could tell. Of rides without a sensor's
# name those said at 85 % by gears, or at 91 % by habits, proved as right as those with one at 95 %; of
# recorders that hear nothing one in eight said at 95 to 97 % was wrong. Found on 63 made households.
LIKELY_FROM, BY_GEARS_FROM, BY_HABITS_FROM, DEAF_FROM = 0.95, 0.85, 0.91, 0.97
LIKELY_FROM_AT_FIRST = 0.99  # until that bike has two answers: early errors come in whole seasons
ANSWERS_A_BIKE = 2
BY_ALL_ELSE_FROM = 0.9  # probability without it from which such a sensor need not be asked about
IDENTIFIES_FROM = 2.0  # log-odds, after what clues share was taken off


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
    evidence: its weights for one bike less those for another are ln of how their probabilities compare.
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


@dataclass(frozen=True, slots=True)
class Said:
    """A verdict without its evidence: what is compared to see whether anything moved."""

    bike: BikeId | None
    decided_by: DecidedBy | None
    verdict: Verdict
    probability: float


def judge(
    rides: Sequence[RideClues],
    household: Household,
    answers: Mapping[int, BikeId | None],
    *,
    impossible: Mapping[int, Mapping[BikeId, str]] | None = None,
    said_at: Mapping[int, object] | None = None,
) -> Judgement:
    """Which bike each ride was on, how sure that is, and why.

    rides: in order of their starts.  answers: the riders' words by place in `rides`; None = none of ours.
    impossible: bikes that cannot have been on a ride, by place in `rides`, with the sentence saying why.
    said_at: when each answer was given; those of one moment are one answer, to a group. None = each its own.
    """
    fitted = fit(rides, household, answers, impossible=impossible)
    return Judgement(fitted, impossible or {}, said_at or {place: place for place in answers})


class Judgement:
    """The verdicts on all rides of a household."""

    def __init__(
        self,
        fitted: HouseholdFit,
        impossible: Mapping[int, Mapping[BikeId, str]],
        said_at: Mapping[int, object],
    ) -> None:
        self.fit = fitted
        self.impossible = impossible
        self.candidates: tuple[BikeId | None, ...] = (*(bike.id for bike in fitted.household.bikes), None)
        spoken_of, heard = (
            list(fitted.column_of_answer),
            np.array(list(fitted.column_of_answer.values()), int),
        )
        self.divided_by = divided_by(fitted.log_odds[spoken_of], heard)
        self.doubt: Column = np.full(len(fitted.rides), self.divided_by)
        self.doubt[fitted.places.vouched] = 1.0  # a rider said where that sensor sits
        self._vouched = frozenset(np.flatnonzero(fitted.places.vouched).tolist())
        self.one_answer: Mapping[int, Hashable] = {i: (said_at[i], self.alike(i)) for i in fitted.answers}
        self.said_of_sensors = SaidOfSensors(fitted, self.one_answer)
        can = fitted.possible > CANNOT / 2
        # Two bikes of which nothing tells are alike to the last digit, whatever rounding makes of them.
        log_odds = np.round(fitted.log_odds / self.doubt[:, None], 10)
        self.probabilities: Column = softmax(np.where(can, log_odds, -np.inf))
        self._counts = BelievedCounts(fitted)

    @cached_property
    def anchored(self) -> frozenset[BikeId]:
        """Bikes of which at least one ride or one sensor is known by a rider's word."""
        return frozenset(b for b in self._answers_a_bike if b is not None) | {
            sensor.bike for sensor in self.fit.household.sensors
        }

    @cached_property
    def _answers_a_bike(self) -> Counter[BikeId | None]:
        """Of each bike, how many answers named it; one to a group of rides that are alike is one."""
        said = self.fit.answers.items()
        return Counter(
            bike for bike, _ in {(bike, self.one_answer[i]) for i, bike in said if bike is not None}
        )

    def alike(self, ride: int) -> Hashable:
        """What a ride has in common with those that one answer may settle with it."""
        clues, places = self.fit.rides[ride], self.fit.places
        sensors = tuple(np.flatnonzero(places.heard[ride] & places.stays).tolist())
        # Without a sensor that stays where it is, rides that look alike are of several bikes: only the ways
        # there and back of one outing are together.
        return clues.rider, clues.indoor, sensors or -int(self.fit.outing[ride]) - 1

    @cached_property
    def ways(self) -> Sequence[int | None]:
        """Of each ride: which way it took, if others did as well."""
        return same_ways([ride.way for ride in self.fit.rides])

    def likely_from(self, ride: int, bike: BikeId | None) -> float:
        """The probability from which this bike is named; higher for a bike or sensor hardly spoken of."""
        unspoken = self.fit.places.heard[ride].any() and self.said_of_sensors.last_word(ride) is None
        known = self._answers_a_bike[bike] >= ANSWERS_A_BIKE and not unspoken
        return self._enough(ride) if known or ride in self._vouched else LIKELY_FROM_AT_FIRST

    def _enough(self, ride: int) -> float:
        """The probability that is enough for what the ride's file could tell, once its bike is known."""
        places = self.fit.places
        if (places.heard[ride] & places.stays).any():
            return LIKELY_FROM
        if self._gears_tell(ride):
            return BY_GEARS_FROM
        return BY_HABITS_FROM if places.hears[ride] else DEAF_FROM

    def _gears_tell(self, ride: int) -> bool:
        """Do its gears set the likeliest of our bikes apart from the next?"""
        gears = self.fit.by_clue[Clue.GEARING][ride] / self.doubt[ride]
        ours = np.argsort(-self.probabilities[ride, :-1], kind="stable")[:2]
        return len(ours) < 2 or bool(gears[ours[0]] - gears[ours[1]] >= IDENTIFIES_FROM)

    def _leader(self, ride: int) -> int:
        """The column of its likeliest bike; the last is none of ours."""
        return int(self.probabilities[ride].argmax())

    def hardly_said(self, ride: int) -> bool:
        """Did at most one answer put its sensors on its likeliest bike, where answers spoke of them?"""
        return self.said_of_sensors.hardly(ride, self._leader(ride))

    def moved_unsaid(self, ride: int) -> bool:
        """Do answers name other bikes for its sensors, and none its likeliest?"""
        return self.said_of_sensors.moved_unsaid(ride, self._leader(ride))

    def hangs_on_a_roamer(self, ride: int) -> bool:
        """Would it hang on a sensor alone that answers put on several bikes, and not lately on this one?"""
        leader = self._leader(ride)
        by_itself = float(self._without_what_sensors_taught[ride, leader])
        return by_itself < BY_ALL_ELSE_FROM and self.said_of_sensors.by_a_roamer(ride, leader)

    def newcomer(self, ride: int) -> BikeId | None:
        """A bike that came after anybody spoke of this ride's sensors and that gears do not rule out.

        Sensors are moved to bikes that are new, and of these nothing is known that would speak for them.
        """
        if ride in self._vouched:
            return None
        leader = self._leader(ride)
        gears = self.fit.by_clue[Clue.GEARING][ride]
        can = (self.probabilities[ride] > 0.0) & (gears[leader] - gears < IDENTIFIES_FROM)
        came = self.said_of_sensors.came_since[ride] & can[:-1]
        return (
            self.candidates[int(came.argmax())]
            if came.any() and not came[leader : leader + 1].any()
            else None
        )

    def may_have_moved(self, ride: int) -> bool:
        """Does all but its sensor leave its bike open, where no rider spoke of that sensor for long?

        It may have moved since: gears would show it, and who rides where without one shows it hardly.
        """
        if (
            not self.said_of_sensors.long_ago(ride)
            or ride in self._vouched
            or self.fit.rides[ride].sold is not None
        ):
            return False
        return bool(self._without_sensors[ride, self._leader(ride)] < BY_ALL_ELSE_FROM)

    @cached_property
    def _without_sensors(self) -> Column:
        """Each ride's probabilities by all but sensors, and but the rides beside it, which these taught."""
        fitted = self.fit
        rest = fitted.log_odds - fitted.by_clue[Clue.SENSOR] - fitted.by_clue[Clue.NEIGHBOURS]
        return softmax(rest / self.doubt[:, None])

    @cached_property
    def _without_what_sensors_taught(self) -> Column:
        """Each ride's probabilities by what it tells of the bike itself, but for sensors."""
        told = sum(self.fit.by_clue[clue] for clue in HARD if clue is not Clue.SENSOR) + self.fit.possible
        told[:, -1] += HARDLY_NONE
        return softmax(told / self.doubt[:, None])

    def unheard_of(self, ride: int) -> bool:
        """Would its verdict rest on a sensor's move, or on its not having moved, of which nobody spoke?"""
        by_sensor = self.moved_unsaid(ride) or self.may_have_moved(ride) or self.hangs_on_a_roamer(ride)
        return by_sensor or self.newcomer(ride) is not None

    def is_only_unsaid(self, ride: int) -> bool:
        """Is it asked about although its bike is likely enough, because too little was said?"""
        leader = self._leader(ride)
        return self.candidates[leader] is not None and bool(
            self.probabilities[ride, leader] >= self._enough(ride)
        )

    def said(self, ride: int) -> Said:
        """The verdict on one ride, without its evidence."""
        chances = self.probabilities[ride]
        order = np.argsort(-chances, kind="stable")
        leader, probability = self.candidates[order[0]], float(chances[order[0]])
        if leader is None:
            return Said(None, None, Verdict.ASK, probability)
        if len(self.fit.household.bikes) == 1:
            return Said(leader, DecidedBy.ONLY_BIKE, Verdict.CERTAIN, probability)
        likely_from = self.likely_from(ride, leader)
        if leader not in self.anchored or probability < likely_from or self.unheard_of(ride):
            return Said(None, None, Verdict.ASK, probability)
        sensor = self.fit.by_clue[Clue.SENSOR][ride] / self.doubt[ride]
        by_sensor = float(sensor[order[0]] - sensor[order[1]]) >= IDENTIFIES_FROM
        lately = self.said_of_sensors.lately(ride, int(order[0]))
        heard_of = ride in self._vouched or (lately and not self.hardly_said(ride))
        sure = by_sensor and heard_of and likely_from == self._enough(ride) and probability >= CERTAIN_FROM
        verdict = Verdict.CERTAIN if sure else Verdict.LIKELY
        return Said(leader, DecidedBy.SENSOR if by_sensor else DecidedBy.EVIDENCE, verdict, probability)

    def assignment(self, ride: int) -> Assignment:
        """The verdict on one ride with every clue behind it."""
        said = self.said(ride)
        leader, runner_up = self._ranked(ride)[:2]
        ruled_out = self.impossible.get(ride, {})
        return Assignment(
            bike=said.bike,
            decided_by=said.decided_by,
            verdict=said.verdict,
            probability=said.probability,
            leader=leader,
            runner_up=runner_up,
            probabilities=dict(zip(self.candidates, self.probabilities[ride].tolist(), strict=True)),
            evidence=evidence_on(self._counts, ride, float(self.doubt[ride]), ruled_out),
            because=self.because(ride),
        )

    def _ranked(self, ride: int) -> list[BikeId | None]:
        """The candidates, likeliest first."""
        return [self.candidates[k] for k in np.argsort(-self.probabilities[ride], kind="stable")]

    def because(self, ride: int) -> str:
        """One sentence saying why it was decided or is asked."""
        said = self.said(ride)
        leader, runner_up = self._ranked(ride)[:2]
        names: dict[BikeId | None, str] = {bike.id: bike.name for bike in self.fit.household.bikes}
        names[None] = "none of ours"
        chance = f"{math.floor(100 * said.probability)} %"
        if said.decided_by is DecidedBy.ONLY_BIKE:
            return f"{names[leader]} is the only bike of the household."
        if said.decided_by is DecidedBy.SENSOR:
            return f"A sensor that sits on {names[leader]} was on this ride, {chance}."
        if said.decided_by is DecidedBy.EVIDENCE:
            return f"The clues add up to {names[leader]}, {chance}."
        if leader is None:
            return "It looks like none of the household's bikes."
        if leader not in self.anchored:
            return f"{names[leader]} is likeliest, but no ride is known to have been on it yet: was this one?"
        if (newcomer := self.newcomer(ride)) is not None:
            since = f"{names[newcomer]} came since anybody spoke of its sensor"
            return f"{names[leader]} is likeliest, {chance}, but {since}."
        if self.moved_unsaid(ride):
            return f"{names[leader]} is likeliest, {chance}, but nobody said that its sensor sits there."
        if self.may_have_moved(ride):
            return f"{names[leader]} is likeliest, {chance}, but for long nobody spoke of its sensor."
        if self.hangs_on_a_roamer(ride):
            return f"{names[leader]} is likeliest, {chance}, but its sensor was on several bikes, you said."
        if said.probability >= self._enough(ride):
            return f"{names[leader]} is likeliest, {chance}, but too few rides on it are known yet."
        return f"{names[leader]} is likeliest, but only {chance}; next is {names[runner_up]}."
