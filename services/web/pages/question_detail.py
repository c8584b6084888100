"""A question looked at more closely: the gears and days of its rides, and what each answer would move."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

from rules.commands import PutRidesOn
from rules.gate.apply import applied
from rules.vocabulary import BikeId, Ride
from rules.what_if import difference
from services.app import zone_of
from services.use_cases.judge_bikes import OpenQuestion
from services.use_cases.preview import on_then
from services.views.snapshot import Snapshot
from services.web.context import RequestContext
from services.web.drawing_inputs import days_picture, gears_of, heaps_picture

MOST_HEAPED = 24  # rides whose gears are added up for one drawing


def closer(
    context: RequestContext, asked: OpenQuestion, answers: Sequence[str], *, moves: bool
) -> dict[str, Any]:
    """Pictures of a question's rides; and, where wanted, what each answer would move.

    heaped: rides whose gears are drawn; 0 = none tells its gears.  moves: by an answer's value, what would
    change; empty = nobody asked.
    """
    snapshot = context.snapshot.of(rides=asked.rides)
    rides = [ride for one in asked.rides if (ride := snapshot.ledger.ride(one)) is not None]
    some = rides[:: -(-len(rides) // MOST_HEAPED) or 1]
    with context.app.store.reading() as tx:
        gears = [found for ride in some if (found := gears_of(tx.rides.clues(ride.id))) is not None]
    name = "this ride" if len(rides) == 1 else f"these {len(rides)} rides"
    bikes = snapshot.ledger.may_have_been(rides[0])
    return {
        "gears": heaps_picture(gears, bikes, name) if gears else "",
        "days": days_picture(rides, context.zone, name) if len(rides) > 2 else "",
        "heaped": len(gears),
        "moves": {answer: _moved(context, snapshot, rides, answer) for answer in answers} if moves else {},
    }


def _moved(context: RequestContext, snapshot: Snapshot, rides: Sequence[Ride], answer: str) -> Sequence[str]:
    bike = BikeId(int(answer)) if answer.isdecimal() else None
    # These rides alone: judging all others by the answer as well takes seconds, and is shown once it is said.
    snapshot = snapshot.of(frozenset().union(*(on_then(snapshot.ledger, ride, bike) for ride in rides)))
    after = applied(snapshot.ledger, PutRidesOn(tuple((ride.id, bike) for ride in rides)), 0)
    found = difference(snapshot.ledger, after, snapshot.rulebook, now=context.now, zone_of=zone_of)
    return found.sentences or ("Nothing moves for any chain.",)
