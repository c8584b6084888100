"""Which bike a ride was on: every decision is kept, and the newest in force wins.

A rider's decision is never overruled by a machine's, however new: only by a rider's, or by undoing it.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from datetime import datetime
from typing import Any

from sqlalchemy import ColumnElement, TextClause, and_, bindparam, case, func, literal, or_, select, true

from rules.vocabulary import BikeId, DecidedBy, Ride, RideId, RiderId
from services.store.errors import FactRefused
from services.store.repository import Repository
from services.store.ride_rows import counted_ids, counts, load_rides
from services.store.rows_of_facts import Shape, words_of
from services.store.tables import retraction
from services.store.tables_rides import (
    IS_LIKELY,
    IS_SPOKEN_FOR,
    IS_UNCLEAR,
    ride_assignment,
    ride_track,
    same_outing,
)
from services.store.tables_rides import ride as rides


@dataclass(frozen=True, slots=True)
class Decision:
    """One decision on a ride's bike, as it was made.

    bike: None with verdict 'ask' = a question; None otherwise = none of the household's.
    verdict: 'certain', 'likely' or 'ask'.  evidence: what it was made from, as JSON; "" = nothing was noted.
    undone: a later decision took this one back.
    """

    id: int
    ride: RideId
    bike: BikeId | None
    decided_by: DecidedBy | None
    probability: float | None
    verdict: str
    evidence: str
    at: datetime
    by: str
    undoes: int | None = None
    undone: bool = False


@dataclass(frozen=True, slots=True)
class MachineDecision:
    """What `record` takes, for a ride of which no rider has spoken."""

    ride: RideId
    bike: BikeId | None
    decided_by: DecidedBy | None
    probability: float | None
    verdict: str
    evidence: str


@dataclass(frozen=True, slots=True)
class JudgedRide:
    """A ride's clues and the decision in force on it; verdict None = it was never judged."""

    id: RideId
    clues: str
    bike: BikeId | None
    decided_by: DecidedBy | None
    verdict: str | None
    said_at: datetime | None = None  # when its rider said so; None = nobody did
    probability: float | None = None  # as it stands in a question


_decided = words_of(DecidedBy)
_DECISION = Shape(
    Decision,
    ride_assignment,
    called={"at": "made_at", "by": "made_by", "undone": "is_undone"},
    decided_by=_decided,
)
_BY_MACHINE = Shape(MachineDecision, ride_assignment, decided_by=_decided)
# A question that a machine put, and that stands.
_ASKS = (ride_assignment.c.verdict == "ask", ride_assignment.c.decided_by.is_(None))


def in_force(history: Sequence[Decision]) -> Decision | None:
    """Which of these decisions, oldest first, holds? A rider's newest, else the newest; none undone."""
    standing = [decision for decision in history if not decision.undone]
    by_rider = [decision for decision in standing if decision.decided_by is DecidedBy.RIDER]
    return next(reversed(by_rider or standing), None)


class Assignments(Repository):
    """Decisions on bikes."""

    def record(
        self,
        ride: RideId,
        bike: BikeId | None,
        *,
        decided_by: DecidedBy | None,
        verdict: str = "certain",
        probability: float | None = None,
        evidence: str = "",
        at: datetime,
        by: str,
        undoes: int | None = None,
    ) -> Decision:
        """Keep a decision, and return the one now in force: not this one, if the rider has spoken before.

        undoes: the id of an earlier decision that this one takes back, even a rider's. Raises NotFound,
        FactRefused.
        """
        self._row(rides, ride, "ride")
        if verdict != "ask" and decided_by is None:
            raise FactRefused("Say who decided which bike it was.")
        if undoes is not None and self._row(ride_assignment, undoes, "decision").ride != ride:
            raise FactRefused(f"Decision {undoes} is about another ride.")
        made = Decision(0, ride, bike, decided_by, probability, verdict, evidence, at, by, undoes)
        self._insert(ride_assignment, **_DECISION.values(made))
        if undoes is not None:
            self._update(ride_assignment, undoes, is_undone=True)
        return self._mirror(ride)

    def record_judged(self, decisions: Sequence[MachineDecision], *, at: datetime, by: str) -> None:
        """Keep decisions on many rides of which no rider has spoken, all at once: the newest is in force."""
        if not decisions:
            return
        of_now = {"made_at": at, "made_by": by, "undoes": None, "is_undone": False}
        self._insert_many(ride_assignment, [_BY_MACHINE.values(one) | of_now for one in decisions])
        self._connection.execute(
            rides.update().where(rides.c.id == bindparam("of_ride")),
            [{"of_ride": one.ride, **_mirrored(one)} for one in decisions],
        )

    def ask_otherwise(self, decisions: Sequence[MachineDecision]) -> None:
        """Open questions get another probability and sentence; no decision is made."""
        newest = select(func.max(ride_assignment.c.id)).where(
            ride_assignment.c.ride == bindparam("of_ride"), ~ride_assignment.c.is_undone
        )
        asked = ride_assignment.update().where(ride_assignment.c.id == newest.scalar_subquery(), *_ASKS)
        if decisions:
            self._connection.execute(
                asked.values(probability=bindparam("now"), evidence=bindparam("why")),
                [{"of_ride": one.ride, "now": one.probability, "why": one.evidence} for one in decisions],
            )

    def judge_anew(self, ride: RideId) -> None:
        """This ride counts as never judged, unless a rider has spoken of it: its clues are others now."""
        nobody = or_(rides.c.decided_by.is_(None), rides.c.decided_by != DecidedBy.RIDER.value)
        reset = rides.update().where(rides.c.id == ride, nobody)
        self._connection.execute(reset.values(bike=None, decided_by=None, verdict=None))

    def take_back_decision(self, decision: int, *, at: datetime, by: str) -> None:
        """A decision holds no more, even a rider's: what stood before it does again. Raises NotFound.

        Who took it back and when is kept as a decision that counts for nothing itself.
        """
        ride = RideId(self._row(ride_assignment, decision, "decision").ride)
        self._update(ride_assignment, decision, is_undone=True)
        holds = in_force(self.assignments_of(ride))
        was = holds or Decision(0, ride, None, None, None, "ask", "", at, by)
        taken_back = replace(was, at=at, by=by, undoes=decision, undone=True)
        self._insert(ride_assignment, **_DECISION.values(taken_back))
        if holds is None:
            self._update(rides, ride, bike=None, decided_by=None, verdict=None)
        else:
            self._mirror(ride)

    def _mirror(self, ride: RideId) -> Decision:
        holds = in_force(self.assignments_of(ride))
        assert holds is not None
        self._update(rides, ride, **_mirrored(holds))
        return holds

    def assignments_of(self, ride_id: RideId) -> tuple[Decision, ...]:
        """Every decision on this ride's bike, oldest first."""
        query = select(*_DECISION.columns).where(ride_assignment.c.ride == ride_id)
        return self._made(_DECISION, query.order_by(ride_assignment.c.id))

    def assignment_in_force(self, ride_id: RideId) -> Decision | None:
        """The decision that holds for this ride; None = nobody judged it yet."""
        return in_force(self.assignments_of(ride_id))

    def judged_rides(self, *, clues: bool = True, newest: int | None = None) -> list[JudgedRide]:
        """Every ride that counts and has clues, with the decision in force, by start.

        clues: without them, only the decisions are wanted.  newest: those nobody judged yet, and of the
        newest so many: of all, of those that a rider has spoken for, and of those whose bike is open.
        """
        # Of each ride by itself: a list of all decisions would be made however few rides are wanted.
        mine = and_(ride_assignment.c.ride == rides.c.id, ~ride_assignment.c.is_undone)
        spoken = (mine, ride_assignment.c.decided_by == DecidedBy.RIDER.value)
        said_at = select(func.max(ride_assignment.c.made_at)).where(*spoken).scalar_subquery()
        newest_of_it = select(func.max(ride_assignment.c.id)).where(mine).correlate(rides).scalar_subquery()
        asked = ride_assignment.alias()
        query = (
            select(
                rides.c.id,
                ride_track.c.clues if clues else literal("").label("clues"),
                *(rides.c.bike, rides.c.decided_by, rides.c.verdict),
                case((IS_SPOKEN_FOR, said_at)).label("said_at"),
                asked.c.probability,
            )
            .join_from(rides, ride_track, ride_track.c.ride == rides.c.id)
            .outerjoin(
                asked,
                and_(
                    rides.c.verdict == "ask",
                    *(asked.c.verdict == "ask", asked.c.decided_by.is_(None)),
                    asked.c.id == newest_of_it,
                ),
            )
            .where(counts(), ride_track.c.clues != "")
            .order_by(rides.c.started_at, rides.c.id)
        )
        if newest is not None:
            by_start = select(rides.c.id).order_by(rides.c.started_at.desc()).limit(newest)
            some = [by_start.where(one).subquery() for one in (true(), IS_SPOKEN_FOR, IS_UNCLEAR)]
            unjudged = select(rides.c.id).where(IS_UNCLEAR, rides.c.verdict.is_(None))
            query = query.where(rides.c.id.in_(unjudged.union(*(select(one.c.id) for one in some))))
        return [
            JudgedRide(ride, text, bike, _decided(decided_by), *rest)
            for ride, text, bike, decided_by, *rest in self._all(query)
        ]

    def has_unjudged(self, more_than: int = 0) -> bool:
        """Whether any ride that counts, or more than so many, was never judged."""
        query = (
            select(rides.c.id)
            .join_from(rides, ride_track, ride_track.c.ride == rides.c.id)
            .where(IS_UNCLEAR, rides.c.verdict.is_(None), counts(), ride_track.c.clues != "")
            .offset(more_than)
            .limit(1)
        )
        return self._connection.scalar(query) is not None

    def are_more_than(self, count: int) -> bool:
        """Whether there are more rides than so many; quick."""
        return self._connection.scalar(select(rides.c.id).offset(count).limit(1)) is not None

    def confirm_list(self) -> tuple[Ride, ...]:
        """Rides whose bike is a question or was never judged, oldest first."""
        return load_rides(self._connection, counted_ids().where(IS_UNCLEAR))

    def questions(self) -> tuple[RideId, ...]:
        """The numbers of the rides on the confirm list, oldest first."""
        return self._numbers(IS_UNCLEAR)

    def asking(self, rider: RiderId | None = None) -> int:
        """How many rides are on the confirm list, of one rider or of all."""
        query = select(func.count()).select_from(rides).where(IS_UNCLEAR, counts())
        return self._connection.scalar(query if rider is None else query.where(rides.c.rider == rider)) or 0

    def heard(self) -> tuple[int | None, ...]:
        """The newest of what bikes are judged by, and of verdicts: while these stand, so do questions."""
        newest = (rides.c.id, ride_assignment.c.id, same_outing.c.id, retraction.c.id)
        return tuple(self._connection.scalar(select(func.max(one))) for one in newest)

    def spoken_for(self, ids: Iterable[RideId]) -> frozenset[RideId]:
        """Which of these rides a rider has spoken for."""
        query = select(rides.c.id).where(rides.c.id.in_(list(ids)), IS_SPOKEN_FOR)
        return frozenset(RideId(number) for number in self._connection.scalars(query))

    def likely(self) -> tuple[RideId, ...]:
        """The numbers of rides with a likely bike which no rider has confirmed, oldest first."""
        return self._numbers(IS_LIKELY)

    def _numbers(self, condition: ColumnElement[bool] | TextClause) -> tuple[RideId, ...]:
        query = select(rides.c.id).where(condition, counts()).order_by(rides.c.started_at, rides.c.id)
        return tuple(RideId(number) for number in self._connection.scalars(query))


def _mirrored(holds: Decision | MachineDecision) -> dict[str, Any]:
    """What a ride's own row says of the decision in force: while its bike is a question, no bike."""
    if holds.verdict == "ask":
        return {"bike": None, "decided_by": None, "verdict": "ask"}
    by = None if holds.decided_by is None else holds.decided_by.value
    return {"bike": holds.bike, "decided_by": by, "verdict": holds.verdict}
