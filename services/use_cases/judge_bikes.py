"""Judging the bike of rides from what the store knows, and keeping the verdict."""

from __future__ import annotations

import json
import math
from collections.abc import Iterable
from datetime import datetime

from ingest.bikes.judge import Assignment, Household, Known, RideClues, judge, learn
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
    ) -> None:
        """Keep a verdict and remember it."""
        tx.rides.record(
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


def judge_again(tx: Transaction, now: datetime, *, heard: str | None = None) -> tuple[RideId, ...]:
    """Judge again what an answer may settle: open questions and merely likely bikes.

    heard: a sensor that was said to have moved; every ride it was heard on is judged again too, but never one
    that a rider has spoken of. Returns the rides whose bike is now another.
    """
    doubtful = {ride.id for ride in (*tx.rides.confirm_list(), *tx.rides.likely())}
    if not doubtful and heard is None:
        return ()
    judge_of = Judge(tx)
    changed: list[RideId] = []
    for ride, kept, bike in tx.rides.open_clues():
        if ride not in doubtful and (heard is None or heard not in kept):
            continue
        clues = RideClues.from_json(kept)
        verdict = judge_of.verdict(tx, ride, clues)
        if verdict.bike != bike:
            judge_of.keep(tx, ride, clues, verdict, now)
            changed.append(ride)
    return tuple(changed)


def judge_anew(tx: Transaction, now: datetime) -> tuple[RideId, ...]:
    """Judge every ride that no rider has spoken of, in the order ridden: bikes or sensors are others now.

    Returns the rides whose bike is now another.
    """
    judge_of = Judge(tx, words_only=True)
    changed: list[RideId] = []
    for ride, kept, bike in tx.rides.open_clues():
        clues = RideClues.from_json(kept)
        verdict = judge_of.verdict(tx, ride, clues)
        held = tx.rides.assignment_in_force(ride)
        if held is None or (held.verdict, held.bike) != (verdict.verdict.value, verdict.bike):
            judge_of.keep(tx, ride, clues, verdict, now)
        else:
            judge_of.remember(clues, verdict)
        if (None if verdict.verdict.value == "ask" else verdict.bike) != bike:
            changed.append(ride)
    return tuple(changed)


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
