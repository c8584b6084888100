"""Judging the bikes of a household's rides, all by all, and keeping what is now another verdict."""

from __future__ import annotations

import json
import math
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import UTC, datetime, timedelta
from functools import cached_property

import numpy as np

from ingest.bikes.judge import (
    WAY_OF_JUDGING,
    Assignment,
    Household,
    Judgement,
    RideClues,
    Said,
    Verdict,
    judge,
)
from ingest.bikes.questions import Question, questions
from ingest.bikes.routes import way_of
from ingest.bikes.ruled_out import had_no_chain
from ingest.ride.track import track_points
from rules.dates_and_numbers import listed
from rules.reminder import THE_ROUND
from rules.vocabulary import BikeId, DecidedBy, Fitting, RideId
from services.store import JudgedRide, MachineDecision, Store, Transaction
from services.store.bookkeeping import BIKES_FITTED, BIKES_JUDGED_BY

AGAIN = "to be judged again"
BUT_THE_NEWEST = "all rides by all, but the newest"
THIS_WAY = (WAY_OF_JUDGING, BUT_THE_NEWEST, AGAIN)
MANY = 600  # rides: with more, those that just came are judged by some of the others first
HEARD_AT_FIRST = 200
WORTH_SAYING_ANEW = 0.05  # of probability, for a question to be put in other words
FIT_EVERY = timedelta(hours=6)  # and after that by all, in a round


@dataclass(frozen=True, slots=True)
class Move:
    """A ride whose verdict is now another. was: None = it was never judged."""

    ride: RideId
    was: Said | None
    now: Said

    @property
    def changes_bike(self) -> bool:
        """Whether a ride that was judged before is on another bike now, or asks."""
        return self.was is not None and self.was.bike != self.now.bike


class HouseholdJudgement:
    """The verdicts on all rides that count, as the facts stand in one transaction."""

    def __init__(
        self,
        tx: Transaction,
        answers: Mapping[RideId, BikeId | None] | None = None,
        *,
        newest: int | None = None,
    ) -> None:
        """answers: what riders might say beside what they have said; nothing is kept.

        newest: hear only so many rides, of the newest and of those a rider has spoken for.
        """
        equipment = tx.equipment
        self.rides = tx.rides.judged_rides(newest=newest)
        self._household = Household(equipment.bikes(), equipment.sensors(), equipment.riders())
        spans: dict[BikeId, list[Fitting]] = {}
        for fitting in equipment.fittings():
            spans.setdefault(fitting.bike, []).append(fitting)
        names = {bike.id: bike.name for bike in self._household.bikes}
        self._clues = _with_ways(tx, self.rides)
        self._impossible = {
            place: ruled_out
            for place, clues in enumerate(self._clues)
            if (ruled_out := had_no_chain(clues.started_at, spans, names))
        }
        said = {one.id: one.bike for one in self.rides if one.decided_by is DecidedBy.RIDER} | dict(
            answers or {}
        )
        self._answers = {place: said[one.id] for place, one in enumerate(self.rides) if one.id in said}
        # Rides of which somebody might say something are one answer, as yet without a time.
        self._said_at = {place: self.rides[place].said_at for place in self._answers}

    @classmethod
    def to_ask(cls, tx: Transaction) -> HouseholdJudgement:
        """For asking a rider who waits: of many rides those whose bike is open, and some of the others."""
        return cls(tx, newest=HEARD_AT_FIRST if tx.rides.are_more_than(MANY) else None)

    @cached_property
    def judgement(self) -> Judgement:
        """What all rides together say; this is where the work is done."""
        return judge(
            self._clues,
            self._household,
            self._answers,
            impossible=self._impossible,
            said_at=self._said_at,
        )

    def moves(self) -> list[tuple[int, Move]]:
        """Rides of which no rider has spoken and whose verdict is now another, with their places."""
        found: list[tuple[int, Move]] = []
        if not self._household.bikes:
            return found
        for place, ride in enumerate(self.rides):
            if place in self._answers:
                continue
            said = self.judgement.said(place)
            held = _held(ride)
            if held is None or (held.verdict, held.bike, held.decided_by) != (
                said.verdict,
                said.bike,
                said.decided_by,
            ):
                found.append((place, Move(ride.id, held, said)))
        return found

    def asked_otherwise(self) -> list[int]:
        """Places of rides that are asked about, as before, but not with the same probability any more."""
        found = []
        for place, ride in enumerate(self.rides):
            if place in self._answers or ride.verdict != Verdict.ASK or ride.probability is None:
                continue
            said = self.judgement.said(place)
            moved = abs(said.probability - ride.probability) >= WORTH_SAYING_ANEW
            if said.verdict is Verdict.ASK and moved:
                found.append(place)
        return found

    def renewed_clues(self) -> Iterator[tuple[RideId, str]]:
        """Clues that an older version kept, as this one keeps them: what had to be worked out is kept too."""
        for ride, clues in zip(self.rides, self._clues, strict=True):
            text = clues.to_json()
            if text != ride.clues:
                yield ride.id, text

    def assignment(self, ride: RideId) -> Assignment:
        """The verdict on one ride with every clue behind it."""
        return self.judgement.assignment(next(p for p, one in enumerate(self.rides) if one.id == ride))

    def questions(self, at_most: int | None = None) -> tuple[OpenQuestion, ...]:
        """What to ask, the most useful first."""
        if not self.rides or not self._household.bikes:
            return ()
        return tuple(self._open(question) for question in questions(self.judgement, at_most))

    def _open(self, question: Question) -> OpenQuestion:
        ids = [one.id for one in self.rides]
        return OpenQuestion(
            tuple(ids[place] for place in question.rides),
            tuple(ids[place] for place in question.shown),
            question.because,
            question.is_check,
        )


@dataclass(frozen=True, slots=True)
class OpenQuestion:
    """Rides that one answer settles. See `ingest.bikes.questions.Question`."""

    rides: tuple[RideId, ...]
    shown: tuple[RideId, ...]
    because: str
    is_check: bool


def _with_ways(tx: Transaction, rides: Sequence[JudgedRide]) -> list[RideClues]:
    """The clues of rides; those that an older version kept learn from the kept track where the ride went."""
    clues = [RideClues.from_json(one.clues) for one in rides]
    wayless = {one.id: place for place, one in enumerate(rides) if '"way":' not in one.clues}
    for ride, track in tx.rides.tracks(tuple(wayless)).items() if wayless else ():
        points = track_points(track)
        places = np.array([(point.latitude_deg, point.longitude_deg) for point in points]).reshape(-1, 2)
        place = wayless[ride]
        if not clues[place].indoor:
            clues[place] = replace(clues[place], way=way_of(places[:, 0], places[:, 1]))
    return clues


def judge_household(tx: Transaction, now: datetime) -> tuple[Move, ...]:
    """Judge every ride by all of them and keep each verdict that is now another. The rider's word stands.

    Returns the rides whose bike is now another.
    """
    household = HouseholdJudgement(tx)
    return _keep(tx, household, household.moves(), now)


def judge_later(tx: Transaction, now: datetime) -> None:
    """Something was said that may move rides: whoever judges next judges all of them, even after a kill."""
    tx.notes.put(BIKES_JUDGED_BY, AGAIN, at=now)


def waits_for_a_round(tx: Transaction) -> bool:
    """Whether something was said by which all rides are still to be judged."""
    return bool(tx.notes.get(BIKES_JUDGED_BY) == AGAIN)


def judge_new_rides(store: Store, now: datetime, *, at_once: bool = True) -> tuple[Move, ...]:
    """The same, if any ride was never judged, or all are to be judged again.

    at_once: somebody waits. Of a household with many rides those that just came are then judged by some of
    the others; all by all is left to a round.
    The ledger is not held up meanwhile. A word that comes in between stands, and has all judged once more.
    """
    with store.reading() as tx:
        anew, judged_by = tx.rides.has_unjudged(), tx.notes.get(BIKES_JUDGED_BY)
        fitted_at = tx.notes.written_at(BIKES_FITTED) or datetime.min.replace(tzinfo=UTC)
        waits = judged_by == BUT_THE_NEWEST and fitted_at <= now < fitted_at + FIT_EVERY
        some = (
            judged_by in THIS_WAY
            and (at_once or waits)
            and tx.rides.are_more_than(MANY)
            and not tx.rides.has_unjudged(more_than=HEARD_AT_FIRST)
        )
        if not anew and (some or judged_by == WAY_OF_JUDGING):
            return ()
        household = HouseholdJudgement(tx, newest=HEARD_AT_FIRST if some else None)
    moves = household.moves()
    if some:
        return _keep_new(store, household, moves, now)
    with store.writing() as tx:
        tx.notes.put(BIKES_FITTED, len(household.rides), at=now)
        judged_by = tx.notes.get(BIKES_JUDGED_BY)
        if judged_by != WAY_OF_JUDGING:
            tx.notes.put(BIKES_JUDGED_BY, WAY_OF_JUDGING, at=now)
        if judged_by not in THIS_WAY:
            for ride, clues in household.renewed_clues():
                tx.rides.set_clues(ride, clues)
        still = {one.id: _held(one) for one in tx.rides.judged_rides(clues=False)}
        return _keep(tx, household, [(p, move) for p, move in moves if still.get(move.ride) == move.was], now)


def _keep_new(
    store: Store, household: HouseholdJudgement, moves: Sequence[tuple[int, Move]], now: datetime
) -> tuple[Move, ...]:
    """Keep the verdicts on rides nobody judged before; all are to be judged by all in a while."""
    with store.writing() as tx:
        if tx.notes.get(BIKES_JUDGED_BY) == WAY_OF_JUDGING:
            tx.notes.put(BIKES_JUDGED_BY, BUT_THE_NEWEST, at=now)
        still = {one.id for one in tx.rides.judged_rides(clues=False, newest=0) if one.verdict is None}
        return _keep(tx, household, [(p, move) for p, move in moves if move.ride in still], now)


def _keep(
    tx: Transaction, household: HouseholdJudgement, moves: Iterable[tuple[int, Move]], now: datetime
) -> tuple[Move, ...]:
    moves = tuple(moves)
    tx.rides.record_judged([_decision(household, place) for place, _ in moves], at=now, by=THE_ROUND)
    tx.rides.ask_otherwise([_decision(household, place) for place in household.asked_otherwise()])
    return tuple(move for _, move in moves if move.changes_bike)


def _decision(household: HouseholdJudgement, place: int) -> MachineDecision:
    verdict = household.judgement.assignment(place)
    return MachineDecision(
        ride=household.rides[place].id,
        bike=verdict.bike,
        decided_by=verdict.decided_by,
        probability=verdict.probability,
        verdict=verdict.verdict.value,
        evidence=evidence_json(verdict),
    )


def _held(ride: JudgedRide) -> Said | None:
    """What is kept of it; None = it was never judged."""
    if ride.verdict is None:
        return None
    bike = None if ride.verdict == Verdict.ASK else ride.bike
    return Said(bike, ride.decided_by, Verdict(ride.verdict), 0.0)


def told(moves: Iterable[Move], names: Mapping[BikeId, str]) -> str:
    """'3 rides from Plover to Dunlin, 20 rides to Plover and ride 12 to the questions'."""
    ways: dict[str, list[RideId]] = {}
    for move in moves:
        was = names.get(move.was.bike) if move.was and move.was.bike else None
        now = names.get(move.now.bike) if move.now.bike else None
        way = f"from {was} to {now}" if was and now else f"to {now or 'the questions'}"
        ways.setdefault(way, []).append(move.ride)
    return listed(
        [f"{f'ride {of[0]}' if len(of) == 1 else f'{len(of)} rides'} {way}" for way, of in ways.items()]
    )


def also_moved(tx: Transaction, moves: Sequence[Move]) -> list[str]:
    """The sentence on rides whose bike is now another, if there are any."""
    if not moves:
        return []
    return [f"That also moved {told(moves, {bike.id: bike.name for bike in tx.equipment.bikes()})}."]


def evidence_json(verdict: Assignment) -> str:
    """The reasons of a verdict as JSON: the verdict in one sentence, and each clue with its weight."""
    return json.dumps(
        {
            "because": verdict.because,
            "leader": verdict.leader,
            "runner_up": verdict.runner_up,
            "probabilities": [[bike, round(p, 6)] for bike, p in verdict.probabilities.items()],
            "clues": [
                {
                    "clue": item.clue.value,
                    "bike": item.bike,
                    "weight": round(item.weight, 4) if math.isfinite(item.weight) else None,
                    "sentence": item.sentence,
                }
                for item in verdict.evidence
            ],
        },
        ensure_ascii=False,
    )
