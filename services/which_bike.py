"""Judging the bike of rides from what the store knows, and keeping the verdict."""

from __future__ import annotations

import json
import math
from collections.abc import Callable
from datetime import datetime

from ingest.bikes import Assignment, Household, Known, RideClues, judge, learn
from rules.vocabulary import BikeId, DecidedBy, Ride, RideId
from services.store import Transaction

THE_ROUND = "the round"


class Judge:
    """Judges rides by what is known of the household at one moment."""

    def __init__(self, household: Household, known: list[Known]) -> None:
        self._household = household
        self._habits = learn(known, household)

    @classmethod
    def of(cls, tx: Transaction) -> Judge:
        """The judge of everything decided so far."""
        known = [Known(RideClues.from_json(clues), bike, by) for clues, bike, by in tx.rides.known_clues()]
        return cls(Household(tx.garage.bikes(), tx.garage.sensors(), tx.garage.riders()), known)

    def verdict(self, clues: RideClues, impossible: dict[BikeId, str] | None = None) -> Assignment:
        """Which bike, how sure, and why; nothing is kept."""
        return judge(clues, self._household, self._habits, impossible=impossible or {})

    def decide(self, tx: Transaction, ride: RideId, clues: RideClues, now: datetime) -> Assignment:
        """Judge a ride and keep the verdict with its evidence. A rider's word on it stands."""
        others = tx.rides.overlapping(None, clues.started_at, clues.ended_at)
        verdict = self.verdict(clues, self._ridden_by_others(ride, clues, others))
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
        return verdict

    def _ridden_by_others(
        self, ride: RideId, clues: RideClues, others: tuple[Ride, ...]
    ) -> dict[BikeId, str]:
        """Bikes that somebody else was riding at the time, by their own certain or spoken word."""
        riders = {rider.id: rider.name for rider in self._household.riders}
        return {
            other.bike: f"{riders.get(other.rider, 'Somebody else')} was riding it at that time."
            for other in others
            if other.id != ride
            and other.bike is not None
            and other.rider != clues.rider
            and other.decided_by in (DecidedBy.RIDER, DecidedBy.SENSOR)
        }


def judge_again(
    tx: Transaction, now: datetime, *, on_progress: Callable[[], None] = lambda: None
) -> tuple[RideId, ...]:
    """Judge every ride again that no rider has spoken of; returns those whose bike is now another."""
    judge_of = Judge.of(tx)
    changed: list[RideId] = []
    for ride, kept, bike in tx.rides.open_clues():
        clues = RideClues.from_json(kept)
        if judge_of.verdict(clues).bike != bike and judge_of.decide(tx, ride, clues, now).bike != bike:
            changed.append(ride)
        on_progress()
    return tuple(changed)


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
