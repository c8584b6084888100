"""What would a correction change? Nothing is kept."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from datetime import datetime
from zoneinfo import ZoneInfo

from rules.commands import Command, PutRidesOn, SayCondition, SetLimits
from rules.gate.apply import applied
from rules.gate.hearing import Refused
from rules.gate.judge import judge
from rules.ledger import Ledger
from rules.outlook import Difference, difference, with_condition, with_ride_on
from rules.vocabulary import BikeId, Condition, RideId
from services.app import App, zone_of
from services.store import FactRefused
from services.use_cases.judge_bikes import HouseholdJudgement


def preview_rides_on(app: App, rides: Sequence[RideId], bike: BikeId | None, *, now: datetime) -> Difference:
    """What would change if these rides were on that bike (None: on none of ours)? Raises FactRefused."""
    return preview_answers(app, dict.fromkeys(rides, bike), now=now)


def preview_answers(app: App, said: Mapping[RideId, BikeId | None], *, now: datetime) -> Difference:
    """What would change if each of these rides were on that bike? Raises FactRefused."""
    with app.store.reading() as tx:
        before = tx.ledger()
    _refuse(before, PutRidesOn(tuple(said.items())), now)
    after = with_answers(app, before, said)
    return difference(before, after, app.rulebook_for(before), now=now, zone_of=zone_of)


def with_answers(app: App, ledger: Ledger, answers: Mapping[RideId, BikeId | None]) -> Ledger:
    """The ledger, had riders said that these rides were on those bikes (None: on none of ours).

    Rides of which nobody has spoken and which these words would move are moved as well.
    """
    with app.store.reading() as tx:
        household = HouseholdJudgement(tx, answers)
    also = {move.ride: move.now.bike for _, move in household.moves() if move.changes_bike}
    for ride, bike in (also | dict(answers)).items():
        ledger = with_ride_on(ledger, ride, bike)
    return ledger


def preview_condition(app: App, ride: RideId, word: Condition | None, *, now: datetime) -> Difference:
    """What would change if the rider said this word on the ride? Raises FactRefused."""
    with app.store.reading() as tx:
        before = tx.ledger()
    _refuse(before, SayCondition(ride, word), now)
    return difference(
        before, with_condition(before, ride, word), app.rulebook_for(before), now=now, zone_of=zone_of
    )


def preview_limits(app: App, said: SetLimits, *, now: datetime) -> Difference:
    """What would change if these limits were set? Raises FactRefused, RulebookError."""
    with app.store.reading() as tx:
        before = tx.ledger()
    _refuse(before, said, now)
    newest = max((one.id for one in before.own_limits), default=0)
    after = applied(before, said, made=newest + 1)
    book, then = app.rulebook_for(before), app.rulebook_for(after)
    return difference(before, after, book, now=now, rulebook_after=then, zone_of=zone_of)


def _refuse(ledger: Ledger, command: Command, now: datetime) -> None:
    """What the gate would not let pass has no consequences to look at."""
    verdict = judge(ledger, command, now=now, zone_of=ZoneInfo)
    if isinstance(verdict, Refused):
        raise FactRefused(verdict.why, verdict.of)
