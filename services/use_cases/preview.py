"""What would a correction change? Nothing is kept."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace
from datetime import datetime
from zoneinfo import ZoneInfo

from rules.commands import Command, PutRidesOn, SayCondition, SetLimits
from rules.gate.apply import applied
from rules.gate.judge import judge
from rules.gate.verdicts import Refused
from rules.ledger import Ledger
from rules.vocabulary import BikeId, ChainId, Condition, Ride, RideId
from rules.what_if import Difference, difference, with_condition, with_rides_on
from services.app import App, zone_of
from services.store import FactRefused
from services.use_cases.judge_bikes import HouseholdJudgement
from services.use_cases.record_change import MOST_NAMED, ledger_for


def preview_rides_on(app: App, rides: Sequence[RideId], bike: BikeId | None, *, now: datetime) -> Difference:
    """What would change if these rides were on that bike (None: on none of ours)? Raises FactRefused."""
    return preview_answers(app, dict.fromkeys(rides, bike), now=now)


def preview_answers(app: App, said: Mapping[RideId, BikeId | None], *, now: datetime) -> Difference:
    """What would change if each of these rides were on that bike? Raises FactRefused."""
    _refuse(app, PutRidesOn(tuple(said.items())), now)
    return supposed(app, bikes=said, now=now)


def preview_condition(app: App, ride: RideId, word: Condition | None, *, now: datetime) -> Difference:
    """What would change if the rider said this word on the ride? Raises FactRefused."""
    _refuse(app, SayCondition(ride, word), now)
    return supposed(app, words={ride: word}, now=now)


def supposed(
    app: App,
    *,
    bikes: Mapping[RideId, BikeId | None] | None = None,
    words: Mapping[RideId, Condition | None] | None = None,
    now: datetime,
) -> Difference:
    """What would change if rides were said to be on these bikes (None: none of ours), or to be like that?

    Rides of which nobody has spoken and which their bikes would move are moved as well. Rides that do not
    count change nothing.
    """
    moved = {**_also_moved(app, bikes), **bikes} if bikes else {}
    words = words or {}
    with app.store.reading() as tx:
        garage, named = tx.garage(), moved.keys() | words.keys()
        rides = tx.ledger_of((), rides=named).rides if len(named) < MOST_NAMED else tx.rides.rides()
        chains = [on_then(garage, ride, moved.get(ride.id, ride.bike)) for ride in rides]
        before = tx.ledger_of(frozenset[ChainId]().union(*chains), rides=[ride.id for ride in rides])
        rulebook = app.rulebook_in(tx)
    after = with_rides_on(before, moved)
    for ride, word in words.items():
        after = with_condition(after, ride, word)
    return difference(before, after, rulebook, now=now, zone_of=zone_of)


def preview_limits(app: App, said: SetLimits, *, now: datetime) -> Difference:
    """What would change if these limits were set? Raises FactRefused, RulebookError."""
    _refuse(app, said, now)
    with app.store.reading() as tx:
        before = tx.ledger()
    newest = max((one.id for one in before.own_limits), default=0)
    after = applied(before, said, made=newest + 1)
    book, then = app.rulebook_for(before), app.rulebook_for(after)
    return difference(before, after, book, now=now, rulebook_after=then, zone_of=zone_of)


def on_then(ledger: Ledger, ride: Ride, bike: BikeId | None) -> frozenset[ChainId]:
    """The chain that a ride wore, and the one it would have worn on that bike."""
    worn = (ledger.chain_of(ride), ledger.chain_of(replace(ride, bike=bike)))
    return frozenset(one.id for one in worn if one is not None)


def _also_moved(app: App, answers: Mapping[RideId, BikeId | None]) -> dict[RideId, BikeId | None]:
    with app.store.reading() as tx:
        household = HouseholdJudgement(tx, answers)
    return {move.ride: move.now.bike for _, move in household.moves() if move.changes_bike}


def _refuse(app: App, command: Command, now: datetime) -> None:
    """What the gate would not let pass has no consequences to look at."""
    with app.store.reading() as tx:
        verdict = judge(ledger_for(tx, [command]), command, now=now, zone_of=ZoneInfo)
    if isinstance(verdict, Refused):
        raise FactRefused(verdict.why, verdict.of)
