"""Which bike a ride was on: every decision is kept, and the newest in force wins.

A rider's decision is never overruled by a machine's, however new: only by a rider's, or by undoing it.
"""

from __future__ import annotations

import json
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Any, Literal

from sqlalchemy import or_, select

from rules.vocabulary import BikeId, DecidedBy, Ride, RideId
from services.store.errors import FactRefused
from services.store.facet import AnyRow, Facet
from services.store.ride_rows import counted_ids, load_rides
from services.store.tables_rides import ride, ride_assignment

Verdict = Literal["certain", "likely", "ask"]


@dataclass(frozen=True, slots=True)
class Decision:
    """One decision on a ride's bike, as it was made.

    bike: None with verdict 'ask' = a question; None otherwise = none of the household's.
    evidence: what it was made from, as JSON values, strongest first.
    undone: a later decision took this one back.
    """

    id: int
    ride: RideId
    bike: BikeId | None
    decided_by: DecidedBy | None
    probability: float | None
    verdict: Verdict
    evidence: tuple[Any, ...]
    at: datetime
    by: str
    undoes: int | None = None
    undone: bool = False


def in_force(history: Sequence[Decision]) -> Decision | None:
    """Which of these decisions, oldest first, holds? A rider's newest, else the newest; none undone."""
    standing = [decision for decision in history if not decision.undone]
    by_rider = [decision for decision in standing if decision.decided_by is DecidedBy.RIDER]
    return next(reversed(by_rider or standing), None)


class Assignments(Facet):
    """Decisions on bikes."""

    def record(
        self,
        ride_id: RideId,
        bike_id: BikeId | None,
        *,
        decided_by: DecidedBy | None,
        verdict: Verdict,
        probability: float | None = None,
        evidence: Sequence[Any] = (),
        at: datetime,
        by: str,
        undoes: int | None = None,
    ) -> Decision:
        """Keep a decision, and return the one now in force: not this one, if the rider has spoken before.

        undoes: the id of an earlier decision that this one takes back, even a rider's. Raises NotFound,
        FactRefused.
        """
        self._row(ride, ride_id, "ride")
        if verdict != "ask" and decided_by is None:
            raise FactRefused("Say who decided which bike it was.")
        row_id = self._insert(
            ride_assignment,
            ride=ride_id,
            bike=bike_id,
            decided_by=None if decided_by is None else decided_by.value,
            probability=probability,
            verdict=verdict,
            evidence=json.loads(json.dumps(list(evidence), default=str)),
            made_at=at,
            made_by=by,
            undoes=undoes,
            is_undone=False,
        )
        if undoes is not None:
            undone = self._row(ride_assignment, undoes, "decision")
            if undone.ride != ride_id:
                raise FactRefused(f"Decision {undoes} is about another ride.")
            self._update(ride_assignment, undoes, is_undone=True)
        holds = in_force(self.assignments_of(ride_id))
        assert holds is not None
        asks = holds.verdict == "ask"
        if holds.id == row_id or undoes is not None:
            self._update(
                ride,
                ride_id,
                bike=None if asks else holds.bike,
                decided_by=None if asks or holds.decided_by is None else holds.decided_by.value,
                verdict=holds.verdict,
            )
        return holds

    def assignments_of(self, ride_id: RideId) -> tuple[Decision, ...]:
        """Every decision on this ride's bike, oldest first."""
        query = (
            select(ride_assignment).where(ride_assignment.c.ride == ride_id).order_by(ride_assignment.c.id)
        )
        return tuple(_decision(row) for row in self._all(query))

    def assignment_in_force(self, ride_id: RideId) -> Decision | None:
        """The decision that holds for this ride; None = nobody judged it yet."""
        return in_force(self.assignments_of(ride_id))

    def assignments_in_force(self) -> dict[RideId, Decision]:
        """The decision that holds for each ride, in one look; rides nobody judged are left out."""
        histories: dict[RideId, list[Decision]] = {}
        for row in self._all(select(ride_assignment).order_by(ride_assignment.c.id)):
            histories.setdefault(RideId(row.ride), []).append(_decision(row))
        held = {ride_id: in_force(history) for ride_id, history in histories.items()}
        return {ride_id: decision for ride_id, decision in held.items() if decision is not None}

    def confirm_list(self) -> tuple[Ride, ...]:
        """Rides whose bike is a question or was never judged, oldest first."""
        unclear = or_(ride.c.verdict.is_(None), ride.c.verdict == "ask")
        return load_rides(self._connection, counted_ids().where(unclear))

    def likely(self) -> tuple[Ride, ...]:
        """Rides that were given a likely bike which no rider has confirmed, oldest first."""
        return load_rides(self._connection, counted_ids().where(ride.c.verdict == "likely"))


def _decision(row: AnyRow) -> Decision:
    return Decision(
        id=row.id,
        ride=RideId(row.ride),
        bike=None if row.bike is None else BikeId(row.bike),
        decided_by=None if row.decided_by is None else DecidedBy(row.decided_by),
        probability=row.probability,
        verdict=row.verdict,
        evidence=tuple(row.evidence),
        at=row.made_at,
        by=row.made_by,
        undoes=row.undoes,
        undone=row.is_undone,
    )
