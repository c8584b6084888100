"""Judging the bike of rides from what the store knows, and keeping the verdict."""

from __future__ import annotations

import json
import math
from collections.abc import Iterable
from dataclasses import dataclass
from datetime import datetime

from ingest.bikes.judge import Assignment, Household, Known, RideClues, Verdict, judge, learn
from ingest.bikes.questions import Question, Taken, confirm_list, impossibilities
from rules.vocabulary import DecidedBy, RideId
from services.store import FirstDecision, RideSpan, Transaction

THE_ROUND = "the round"
SETTLED = (DecidedBy.RIDER, DecidedBy.SENSOR)  # so sure that nobody else can have been on that bike meanwhile


class Judge:
    """Judges rides, in the order they were ridden, by what is known of the household."""

    def __init__(self, tx: Transaction, *, words_only: bool = False) -> None:
        """Gathers everything decided so far; every verdict given since then counts as 'the ride before'.

        words_only: only what riders said counts as decided, as if nothing had been judged yet.
        """
        garage = tx.equipment
        self._fittings = garage.fittings()
        self._household = Household(garage.bikes(), garage.sensors(), garage.riders())
        known = [
            Known(RideClues.from_json(clues), bike, by)
            for clues, bike, by in tx.rides.known_clues()
            if by is DecidedBy.RIDER or not words_only
        ]
        self._habits = learn(known, self._household)

    def verdict(self, tx: Transaction, ride: RideId | None, clues: RideClues) -> Assignment:
        """Which bike, how sure, and why; nothing is kept. ride: its own number, None = not stored yet."""
        others = tx.rides.spans(clues.started_at, clues.ended_at)
        return self.verdict_among([other for other in others if other.id != ride], clues)

    def verdict_among(self, others: Iterable[RideSpan], clues: RideClues) -> Assignment:
        """The same, when the rides under way at the time are known already."""
        taken = [
            Taken(other.bike, other.rider, other.started_at, other.ended_at)
            for other in others
            if other.bike is not None and other.decided_by in SETTLED
        ]
        ruled_out = impossibilities(clues, self._household, taken=taken, fittings=self._fittings)
        return judge(clues, self._household, self._habits, impossible=ruled_out)

    def decide(self, tx: Transaction, ride: RideId, clues: RideClues, now: datetime) -> Assignment:
        """Judge a ride and keep the verdict with its evidence. A rider's word on it stands."""
        verdict = self.verdict(tx, ride, clues)
        self.keep(tx, ride, clues, verdict, now)
        return verdict

    def keep(
        self, tx: Transaction, ride: RideId, clues: RideClues, verdict: Assignment, now: datetime
    ) -> int:
        """Keep a verdict and remember it; returns the number of the decision."""
        kept = tx.rides.record(
            ride=ride,
            bike=verdict.bike,
            decided_by=verdict.decided_by,
            verdict=verdict.verdict.value,
            probability=verdict.probability,
            evidence=evidence_json(verdict),
            at=now,
            by=THE_ROUND,
        )
        self.remember(clues, verdict)
        return kept.id

    def keep_first(self, tx: Transaction, judged: Iterable[tuple[RideId, Assignment]], now: datetime) -> None:
        """Keep the first verdicts on many new rides at once; `remember` is the caller's, ride by ride."""
        decisions = [
            FirstDecision(
                ride=ride,
                bike=verdict.bike,
                decided_by=verdict.decided_by,
                probability=verdict.probability,
                verdict=verdict.verdict.value,
                evidence=evidence_json(verdict),
            )
            for ride, verdict in judged
        ]
        tx.rides.record_first(decisions, at=now, by=THE_ROUND)

    def remember(self, clues: RideClues, verdict: Assignment) -> None:
        """The next ride of this rider is judged with this one as the ride before."""
        if verdict.bike is not None and verdict.decided_by is not None:
            self._habits = self._habits.after(Known(clues, verdict.bike, verdict.decided_by))


@dataclass(frozen=True, slots=True)
class JudgedAgain:
    """What judging again decided: the decisions it kept, and the rides whose bike is now another."""

    decisions: tuple[int, ...] = ()
    moved: tuple[RideId, ...] = ()


def judge_again(tx: Transaction, now: datetime) -> JudgedAgain:
    """Judge again what an answer may settle: open questions and merely likely bikes."""
    doubtful = {ride.id for ride in (*tx.rides.confirm_list(), *tx.rides.likely())}
    if not doubtful:
        return JudgedAgain()
    judge_of = Judge(tx)
    decisions: list[int] = []
    moved: list[RideId] = []
    for ride, kept, bike in tx.rides.open_clues():
        if ride not in doubtful:
            continue
        clues = RideClues.from_json(kept)
        verdict = judge_of.verdict(tx, ride, clues)
        if verdict.bike != bike:
            decisions.append(judge_of.keep(tx, ride, clues, verdict, now))
            moved.append(ride)
    return JudgedAgain(tuple(decisions), tuple(moved))


def judge_anew(tx: Transaction, now: datetime) -> JudgedAgain:
    """Judge every ride that no rider has spoken of, in the order ridden: bikes or sensors are others now."""
    judge_of = Judge(tx, words_only=True)
    held = tx.rides.assignments_in_force()
    decisions: list[int] = []
    moved: list[RideId] = []
    for ride, kept, bike in tx.rides.open_clues():
        clues = RideClues.from_json(kept)
        verdict = judge_of.verdict(tx, ride, clues)
        was = held.get(ride)
        if was is None or (was.verdict, was.bike, was.decided_by) != (
            verdict.verdict.value,
            verdict.bike,
            verdict.decided_by,
        ):
            decisions.append(judge_of.keep(tx, ride, clues, verdict, now))
        else:
            judge_of.remember(clues, verdict)
        if (None if verdict.verdict is Verdict.ASK else verdict.bike) != bike:
            moved.append(ride)
    return JudgedAgain(tuple(decisions), tuple(moved))


def open_questions(tx: Transaction) -> tuple[Question[RideId], ...]:
    """The confirm list, the shortest useful question first, each with the bikes worth offering."""
    asked = {ride.id for ride in tx.rides.confirm_list()}
    if not asked:
        return ()
    judge_of = Judge(tx)
    open_rides: dict[RideId, tuple[RideClues, Assignment]] = {}
    for ride, kept, _ in tx.rides.open_clues():
        if ride in asked:
            clues = RideClues.from_json(kept)
            open_rides[ride] = (clues, judge_of.verdict(tx, ride, clues))
    return confirm_list(open_rides)


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
