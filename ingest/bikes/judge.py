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
from numpy.typing import NDArray

from ingest.bikes.calibration import divided_by
from ingest.bikes.chances import softmax
from ingest.bikes.clues import HeardSensor, RideClues, clues_of
from ingest.bikes.evidence import BelievedCounts, Evidence, evidence_on
from ingest.bikes.household_fit import CANNOT, Clue, Household, HouseholdFit, fit
from ingest.bikes.ways import same_ways
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
WAY_OF_JUDGING = "all rides by all, enough is what a file can tell, sensors of long ago may have moved"

CERTAIN_FROM = 0.99  # and a sensor that says so, of which a rider spoke lately
# The probability from which a bike is named, by what the ride's file could tell. Of rides without a sensor's
# name those said at 85 % by gears, or at 91 % by habits, proved as right as those with one at 95 %; of
# recorders that hear nothing one in eight said at 95 to 97 % was wrong. Found on 63 made households.
LIKELY_FROM, BY_GEARS_FROM, BY_HABITS_FROM, DEAF_FROM = 0.95, 0.85, 0.91, 0.97
LIKELY_FROM_AT_FIRST = 0.99  # until that bike has two answers: early errors come in whole seasons
ANSWERS_A_BIKE = 2
HEARD_OF_LATELY_D = 120.0  # a sensor that no rider spoke of for longer may sit elsewhere: a judgement
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
        answered = np.array(sorted(fitted.column_of_answer), dtype=np.intp)
        # A light that a rider spoke of yesterday is on another bike today.
        on = (fitted.places.heard & fitted.places.stays).astype(np.float32)
        shares = on @ on[answered].T > 0  # a sensor that stays: each ride with each answered one
        self._last_word = _last_words(fitted, answered, shares)
        self.one_answer: Mapping[int, Hashable] = {i: (said_at[i], self.alike(i)) for i in fitted.answers}
        self._words = _words(fitted, answered, shares, self.one_answer)
        self._came_since = _came_since(fitted, answered, shares)
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
        # Without a sensor that stays where it is, rides that look alike are of several bikes: each is alone.
        return clues.rider, clues.indoor, sensors or -ride - 1

    @cached_property
    def ways(self) -> Sequence[int | None]:
        """Of each ride: which way it took, if others did as well."""
        return same_ways([ride.way for ride in self.fit.rides])

    def likely_from(self, ride: int, bike: BikeId | None) -> float:
        """The probability from which this bike is named; higher for a bike or sensor hardly spoken of."""
        unspoken = self.fit.places.heard[ride].any() and ride not in self._last_word
        known = self._answers_a_bike[bike] >= ANSWERS_A_BIKE and not unspoken
        return self._enough(ride) if known or ride in self._vouched else LIKELY_FROM_AT_FIRST

    def _enough(self, ride: int) -> float:
        """The probability that is enough for what the ride's file could tell, once its bike is known."""
        places = self.fit.places
        if (places.heard[ride] & places.stays).any():
            return LIKELY_FROM
        if self.fit.rides[ride].sold is not None:
            return BY_GEARS_FROM
        return BY_HABITS_FROM if places.hears[ride] else DEAF_FROM

    def _leader(self, ride: int) -> int:
        """The column of its likeliest bike; the last is none of ours."""
        return int(self.probabilities[ride].argmax())

    def hardly_said(self, ride: int) -> bool:
        """Did at most one answer say that its sensors are its likeliest bike's, where answers spoke of them?

        One may be a slip; none is a move that nobody said.
        """
        words, leader = self._words[ride], self._leader(ride)
        return bool(ride not in self._vouched and words.any() and words[leader] <= 1)

    def moved_unsaid(self, ride: int) -> bool:
        """Do answers name other bikes for its sensors, and none its likeliest?"""
        words, leader = self._words[ride, :-1], self._leader(ride)
        return bool(ride not in self._vouched and words.any() and leader < len(words) and words[leader] == 0)

    def newcomer(self, ride: int) -> BikeId | None:
        """A bike that came after anybody spoke of this ride's sensors and that gears do not rule out.

        Sensors are moved to bikes that are new, and of these nothing is known that would speak for them.
        """
        if ride in self._vouched:
            return None
        leader = self._leader(ride)
        gears = self.fit.by_clue[Clue.GEARING][ride]
        can = (self.probabilities[ride] > 0.0) & (gears[leader] - gears < IDENTIFIES_FROM)
        came = self._came_since[ride] & can[:-1]
        return (
            self.candidates[int(came.argmax())]
            if came.any() and not came[leader : leader + 1].any()
            else None
        )

    def may_have_moved(self, ride: int) -> bool:
        """Does all but its sensor leave its bike open, where no rider spoke of that sensor for long?

        It may have moved since: gears would show it, and who rides where without one shows it hardly.
        """
        long_ago = self._last_word.get(ride, (0, 0.0))[1] > HEARD_OF_LATELY_D
        if not long_ago or ride in self._vouched or self.fit.rides[ride].sold is not None:
            return False
        return bool(self._without_sensors[ride, self._leader(ride)] < BY_ALL_ELSE_FROM)

    @cached_property
    def _without_sensors(self) -> Column:
        """Each ride's probabilities by all but sensors, and but the rides beside it, which these taught."""
        fitted = self.fit
        rest = fitted.log_odds - fitted.by_clue[Clue.SENSOR] - fitted.by_clue[Clue.NEIGHBOURS]
        return softmax(rest / self.doubt[:, None])

    def unheard_of(self, ride: int) -> bool:
        """Would its verdict rest on a sensor's move, or on its not having moved, of which nobody spoke?"""
        return self.moved_unsaid(ride) or self.may_have_moved(ride) or self.newcomer(ride) is not None

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
        column, days = self._last_word.get(ride, (order[0], math.inf))
        heard_of = ride in self._vouched or (
            column == order[0] and days <= HEARD_OF_LATELY_D and not self.hardly_said(ride)
        )
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
        if said.probability >= self._enough(ride):
            return f"{names[leader]} is likeliest, {chance}, but too few rides on it are known yet."
        return f"{names[leader]} is likeliest, but only {chance}; next is {names[runner_up]}."


def _words(
    fitted: HouseholdFit,
    answered: NDArray[np.intp],
    shares: NDArray[np.bool_],
    one_answer: Mapping[int, Hashable],
) -> Column:
    """How many answers on rides that share a sensor with a ride named each bike: (rides, bikes + 1).

    What one answer alone says of a sensor may be a slip, and would be all that its rides go by.
    one_answer: what answered rides that count as one answer have in common.
    """
    columns = len(fitted.household.bikes) + 1
    once = {(column % columns, one_answer[i]): i for i, column in fitted.column_of_answer.items()}
    named = np.zeros((len(once), columns))
    named[np.arange(len(once)), [column for column, _ in once]] = 1.0
    words: Column = shares[:, np.searchsorted(answered, list(once.values()))] @ named
    return words


def _came_since(
    fitted: HouseholdFit, answered: NDArray[np.intp], shares: NDArray[np.bool_]
) -> NDArray[np.bool_]:
    """Of each ride the bikes that came after the last answer that shares a sensor: (rides, bikes)."""
    starts = np.array([one.started_at.timestamp() for one in fitted.rides])
    came = [one.from_at.timestamp() if one.from_at else -math.inf for one in fitted.household.bikes]
    last = np.where(shares, starts[answered], -math.inf).max(axis=1, initial=-math.inf)
    since: NDArray[np.bool_] = (last[:, None] < np.array(came)) & (np.array(came) <= starts[:, None])
    since &= np.isfinite(last)[:, None]
    return since


def _last_words(
    fitted: HouseholdFit, answered: NDArray[np.intp], shares: NDArray[np.bool_]
) -> dict[int, tuple[int, float]]:
    """Of each ride with a sensor: the bike of the answer nearest in time that shares one, and how far. [d]"""
    if not len(answered):
        return {}
    day = np.array([one.started_at.timestamp() / 86400.0 for one in fitted.rides])
    apart_d = np.where(shares, np.abs(day[:, None] - day[answered][None, :]), np.inf)
    nearest = apart_d.argmin(axis=1)
    columns = len(fitted.household.bikes)
    return {
        ride: (fitted.column_of_answer[int(answered[of])] % (columns + 1), float(apart_d[ride, of]))
        for ride, of in enumerate(nearest.tolist())
        if np.isfinite(apart_d[ride, of])
    }
