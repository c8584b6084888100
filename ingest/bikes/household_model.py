"""One model over all rides of a household: every ride's bike, and what each clue says of it.

    fit(rides, household, answers)   -> HouseholdFit: probabilities and weights, ride by ride

Clues that tell of the bike itself (the rider's word, its sensors, its gears, the profile) come first; habits
and speeds learn from the rides that those settle. Beliefs go round: where a sensor sits follows from its
rides' bikes, and these from where it sits. It starts cold, with soft voices, so that an early guess cannot
outvote what the riders said. The same facts give the same result, whatever the order in which they came.
"""

from __future__ import annotations

import math
from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np

from ingest.bikes.electronic_shifts import shifts_say
from ingest.bikes.fitted_gears import GearBelief
from ingest.bikes.log_odds import (
    COUNTS_FOR,
    HARD,
    LOUD_FROM_THE_START,
    WHAT_FOR,
    Clue,
    entropy_nats,
    ln_sum,
    softmax,
)
from ingest.bikes.ride_clues import RideClues
from ingest.bikes.rider_habits import RiderChain
from ingest.bikes.routes import same_ways
from ingest.bikes.ruled_out import not_here
from ingest.bikes.sensor_places import SensorPlaces, bounded_silence
from ingest.bikes.weekday_and_speed import (
    CHANNELS_LIKE_ALL,
    LIKE_ALL_RIDES,
    WAYS_LIKE_ALL,
    WORD_HEAD_START,
    Codes,
    Measure,
    Words,
    codes,
    ground_likeness,
    like_any_now_and_then,
    measures_of,
    part_of_week,
    rider_groups,
)
from ingest.ride.recording import Column
from rules.vocabulary import Bike, BikeId, Rider, Sensor

ROUNDS, WARM_AFTER, NOW_AND_THEN = 16, 0.7, 3
DENIED, DENIALS_BORNE = 0.02, 0.02  # an answer less likely than this by all else; such answers, of all
FIRST_VOICE = 0.05
KEEPS_OF_LAST = 0.3
MISHEARD = 1e-4  # what a rider's word leaves to every other bike
CANNOT = -60.0
LEAST_TAUGHT = 0.03
NOT_BOTH = 0.97
HARDLY_NONE = math.log(0.1)  # before any clue, when only clues of the bike itself are asked
OUTDOORS_ON_THE_TRAINER_BIKE, INDOORS_ON_ANOTHER = 6.0, 1.5


@dataclass(frozen=True, slots=True)
class Household:
    """Who rides what: the bikes, where their sensors were said to sit, and the riders."""

    bikes: tuple[Bike, ...]
    sensors: tuple[Sensor, ...] = ()
    riders: tuple[Rider, ...] = ()


@dataclass(frozen=True, slots=True)
class Start:
    """From which round on gears and profile may say where sensors sit: answers come first."""

    gears_from: int
    profile_from: int

    def silent(self, number: int) -> tuple[Clue, ...]:
        """The clues that may not yet say so in this round."""
        begins = ((Clue.GEARING, self.gears_from), (Clue.ACTIVITY, self.profile_from))
        return tuple(clue for clue, begin in begins if number < begin)


# The first suits most households; the second, one whose cassettes were changed: sensors teach it that.
STARTS: Final = (Start(0, 5), Start(5, 8), Start(ROUNDS, ROUNDS))


@dataclass(frozen=True, slots=True, eq=False)
class HouseholdFit:
    """What all rides together say.

    bikes: the columns; the last column of every array, one more, is 'none of ours'.
    log_odds: before they are made probabilities, (rides, bikes + 1); by_clue: what adds up to them.
    sensor_says: of each sensor on each ride and bike.  possible: 0, or far below where it cannot have been.
    outing: of each ride a number that it shares with the ways there and back of the same outing.
    """

    rides: Sequence[RideClues]
    household: Household
    answers: Mapping[int, BikeId | None]
    column_of_answer: Mapping[int, int]
    by_clue: Mapping[Clue, Column]
    log_odds: Column
    shares: Column
    places: SensorPlaces
    sensor_says: Column
    gears: GearBelief
    possible: Column
    outing: Codes

    def answer_chances(self) -> Column:
        """How likely each answer was by all that is known without it."""
        answered, columns = list(self.column_of_answer), list(self.column_of_answer.values())
        chances: Column = softmax(self.log_odds[answered])[np.arange(len(answered)), columns]
        return chances

    def answers_denied(self) -> int:
        """How many answers all else speaks against."""
        return int((self.answer_chances() < DENIED).sum())

    def answers_foretold(self) -> float:
        """How well all else foretells the answers: ln, each bounded, for a rider's tongue may slip."""
        return float(np.log(np.maximum(self.answer_chances(), DENIED / 2)).sum())


def fit(
    rides: Sequence[RideClues],
    household: Household,
    answers: Mapping[int, BikeId | None],
    *,
    impossible: Mapping[int, Mapping[BikeId, str]] | None = None,
) -> HouseholdFit:
    """Which bike each ride was on, by all of them together.

    rides: in order of their starts.  answers: what riders said, by place in `rides`; None = none of ours.
    impossible: bikes that cannot have been on a ride, by place in `rides`, each with why.
    Raises ValueError for a household without a bike.
    """
    if not household.bikes:
        raise ValueError("a household without a bike has nothing to judge")
    fitting = _Fitting(rides, household, answers, impossible or {})
    fitted = fitting.run(STARTS[0])
    if fitted.answers_denied() > DENIALS_BORNE * len(answers):
        # A whole sensor or two bikes changed places, and the riders' words stand against it.
        fitted = max((fitted, *map(fitting.run, STARTS[1:])), key=HouseholdFit.answers_foretold)
    return fitted


class _Fitting:
    def __init__(
        self,
        rides: Sequence[RideClues],
        household: Household,
        answers: Mapping[int, BikeId | None],
        impossible: Mapping[int, Mapping[BikeId, str]],
    ) -> None:
        self.rides, self.household, self.answers = rides, household, answers
        self.bikes = household.bikes
        self.column = {bike.id: index for index, bike in enumerate(self.bikes)}
        # None of ours, and a bike that is no longer known, stand in the last column.
        self.column_of_answer = {i: self.column.get(b, -1) if b else -1 for i, b in answers.items()}
        first = rides[0].started_at if rides else None
        day = (
            np.array([(r.started_at - first).total_seconds() / 86400 for r in rides])
            if first
            else np.zeros(0)
        )
        groups = rider_groups(rides)
        self.chain = RiderChain(rides, self.bikes, groups, self.column_of_answer)
        self.places = SensorPlaces(rides, self.bikes, household.sensors, day, answers)
        self.gears = GearBelief(rides, self.bikes, day, self.column_of_answer)
        like = ground_likeness(rides, self.bikes)
        self.words = {
            Clue.ACTIVITY: Words([r.activity for r in rides], groups, WORD_HEAD_START, like),
            Clue.CHANNELS: Words(
                [_channels(r) for r in rides], codes([r.indoor for r in rides]), CHANNELS_LIKE_ALL
            ),
            Clue.DEVICE: Words([r.device for r in rides], groups, LIKE_ALL_RIDES),
            Clue.WAY: Words(same_ways([r.way for r in rides]), groups, WAYS_LIKE_ALL),
            Clue.WEEK: Words([part_of_week(r) for r in rides], groups, LIKE_ALL_RIDES),
        }
        measured_alike = codes([(g, r.speed_source) for g, r in zip(groups.tolist(), rides, strict=True)])
        self.measures = {
            name: Measure(values, measured_alike if name == "roughness" else groups)
            for name, values in measures_of(rides).items()
        }
        self.possible = self._possible(impossible)
        self.overlaps = _overlaps(rides)
        self.fixed = {
            Clue.INDOOR: self._indoor(),
            Clue.SHIFTS: _with_none(shifts_say(rides, answers, self.bikes)),
        }

    def run(self, start: Start) -> HouseholdFit:
        """All rounds, from a start."""
        rides, columns = len(self.rides), len(self.bikes) + 1
        shares = softmax(self._hard({}, 0.0))
        by_clue: dict[Clue, Column] = {}
        unheard = np.zeros((rides, len(self.places.names), columns - 1))
        log_odds = np.zeros((rides, columns))
        for number in range(ROUNDS):
            voice = min(1.0, FIRST_VOICE + (1.0 - FIRST_VOICE) * number / (WARM_AFTER * ROUNDS))
            is_turn = number % NOW_AND_THEN == 0 or number == ROUNDS - 1
            if is_turn:
                elsewhere = log_odds - by_clue[Clue.GEARING] if by_clue else log_odds
                elsewhere = softmax(self._answered(elsewhere))
                by_clue[Clue.GEARING] = self.gears.weights(shares, elsewhere, voice)
            by_clue |= self.fixed
            witness = self._hard(by_clue, voice, leaving_out=start.silent(number), denying=False)
            if is_turn:
                alone = self.places.messages(self._elsewhere(witness, unheard))
            says = self.places.messages(self._elsewhere(witness, alone))
            says = np.where(self.places.in_company[:, :, None], alone, says)
            by_clue[Clue.SENSOR] = _with_none(bounded_silence(says))
            settled = self._settled(self._hard(by_clue, voice) + by_clue[Clue.SENSOR])
            belongs = settled[:, None] * shares[:, :-1]
            soft = {clue: COUNTS_FOR[clue] * words.weights(belongs) for clue, words in self.words.items()}
            measured = sum(measure.weights(belongs) for measure in self.measures.values())
            soft[Clue.MEASURED] = COUNTS_FOR[Clue.MEASURED] * np.asarray(measured)
            bounded = like_any_now_and_then(np.sum([soft[clue] for clue in WHAT_FOR], axis=0))
            by_clue |= {c: _with_none(said * bounded if c in WHAT_FOR else said) for c, said in soft.items()}
            by_clue[Clue.MEANWHILE] = self._meanwhile(shares)
            loud = [said if clue in LOUD_FROM_THE_START else voice * said for clue, said in by_clue.items()
                    if clue not in (Clue.HABIT, Clue.NEIGHBOURS, Clue.NONE_OF_OURS)]  # fmt: skip
            own = sum(loud) + self.possible
            answered = self._answered(own)
            by_clue[Clue.HABIT] = self.chain.usual(answered, settled)
            by_clue[Clue.NEIGHBOURS] = self.chain.neighbours(shares, own, loud, settled)
            log_odds = own + voice * (by_clue[Clue.HABIT] + by_clue[Clue.NEIGHBOURS])
            by_clue[Clue.NONE_OF_OURS] = self._no_rarer(by_clue)
            log_odds = log_odds + by_clue[Clue.NONE_OF_OURS]
            new = softmax(self._answered(log_odds))
            shares = KEEPS_OF_LAST * shares + (1.0 - KEEPS_OF_LAST) * new
        return HouseholdFit(
            self.rides,
            self.household,
            self.answers,
            self.column_of_answer,
            by_clue,
            log_odds,
            shares,
            self.places,
            says,
            self.gears,
            self.possible,
            self.chain.outing,
        )

    def _hard(
        self,
        by_clue: Mapping[Clue, Column],
        voice: float,
        leaving_out: Collection[Clue] = (),
        *,
        denying: bool = True,
    ) -> Column:
        """What answers, gears and the profile say of each ride, without sensors: ln, (rides, bikes + 1).

        denying: whether clues speak against a bike too: where a sensor sits is told by what fits, for what
        does not may be a new cassette, or a profile that was learned from this very sensor.
        """
        total = self.possible.copy()
        total[:, -1] += HARDLY_NONE
        for clue in HARD:
            if clue in by_clue and clue is not Clue.SENSOR and clue not in leaving_out:
                said = by_clue[clue] if denying else np.maximum(by_clue[clue], 0.0)
                total += (1.0 if clue in LOUD_FROM_THE_START else voice) * said
        return self._answered(total)

    def _elsewhere(self, hard: Column, alone: Column) -> Column:
        """Each ride's bike by all hard clues but one sensor: (rides, sensors, bikes).

        alone: what each sensor knows by itself; no more, or two that are heard together would prove each
        other. Silence is left out: one flat battery would speak on every ride anew of where all others sit.
        """
        loud = np.maximum(alone, 0.0)
        others = hard[:, None, :-1] + loud.sum(axis=1)[:, None, :] - loud
        none = hard[:, None, -1:]
        full = np.concatenate((others, np.broadcast_to(none, (*others.shape[:2], 1))), axis=2)
        return softmax(full)[:, :, :-1]

    def _settled(self, hard: Column) -> Column:
        """How far hard clues have settled each ride, 0.03..1: soft clues learn from it that much."""
        doubt = entropy_nats(softmax(hard)) / math.log(hard.shape[1])
        result: Column = np.maximum(LEAST_TAUGHT, (1.0 - doubt) ** 2)
        result[list(self.answers)] = 1.0
        return result

    def _answered(self, log_odds: Column) -> Column:
        """With the riders' words, which stand however many rides seem to say otherwise."""
        result = log_odds.copy()
        for index, column in self.column_of_answer.items():
            said = result[index, column]
            result[index] += math.log(MISHEARD)
            result[index, column] = said
        return result

    def _possible(self, impossible: Mapping[int, Mapping[BikeId, str]]) -> Column:
        result = np.zeros((len(self.rides), len(self.bikes) + 1))
        for index, ride in enumerate(self.rides):
            for bike in (*not_here(ride, self.bikes), *impossible.get(index, ())):
                if bike in self.column and bike != self.answers.get(index):
                    result[index, self.column[bike]] = CANNOT
        return result

    def _indoor(self) -> Column:
        result = np.zeros((len(self.rides), len(self.bikes) + 1))
        lives = np.array([bike.indoor for bike in self.bikes], dtype=bool)
        for index, ride in enumerate(self.rides):
            if not ride.indoor:
                result[index, :-1][lives] = -OUTDOORS_ON_THE_TRAINER_BIKE
            elif lives.any():
                result[index, :-1][~lives] = -INDOORS_ON_ANOTHER
        return result

    def _meanwhile(self, shares: Column) -> Column:
        """Nobody rides a bike that another is riding."""
        result = np.zeros_like(shares)
        for one, other in self.overlaps:
            result[one, :-1] += np.log1p(-NOT_BOTH * shares[other, :-1])
            result[other, :-1] += np.log1p(-NOT_BOTH * shares[one, :-1])
        return result

    def _no_rarer(self, by_clue: Mapping[Clue, Column]) -> Column:
        """By soft clues a bike that is none of ours is as likely as ever: its rides are like any of ours."""
        soft = sum(by_clue[clue] for clue in by_clue if clue in COUNTS_FOR and clue not in HARD)
        result = np.zeros_like(self.possible)
        habit = by_clue[Clue.HABIT][:, :-1] + self.possible[:, :-1]
        result[:, -1] = ln_sum(np.asarray(soft)[:, :-1] + habit) - ln_sum(habit)
        return result


def _channels(ride: RideClues) -> str | None:
    """What it measured, where no sensor of a bike was named: one that was says the same, and better."""
    return ride.channels if not ride.sensors else None


def _overlaps(rides: Sequence[RideClues]) -> list[tuple[int, int]]:
    """Pairs of rides of different riders that were under way at the same time."""
    pairs: list[tuple[int, int]] = []
    going: list[int] = []
    for index, ride in enumerate(rides):
        going = [other for other in going if rides[other].ended_at > ride.started_at]
        pairs += [(other, index) for other in going if rides[other].rider != ride.rider]
        going.append(index)
    return pairs


def _with_none(said: Column) -> Column:
    """With a column for 'none of ours', of which these clues say nothing."""
    return np.concatenate((said, np.zeros((len(said), 1))), axis=1)
