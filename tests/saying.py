"""What a rider says, in one line each: tests read better so. All of it goes through the gate and the log."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from datetime import datetime

from rules.commands import (
    Command,
    LogReading,
    LogTreatment,
    LogWipeTest,
    PlaceSensor,
    PutRidesOn,
    SayCondition,
    SayUnpaved,
    SplitOuting,
    TakeBack,
    WithdrawRide,
)
from rules.vocabulary import Bike, BikeId, ChainId, Condition, ReadingTool, RideId, TreatmentKind
from services.app import App
from services.use_cases.find_by_name import chain_named
from services.use_cases.record_change import A_RIDER, Done, record


def _said(app: App, command: Command, now: datetime, by: str = A_RIDER) -> Done:
    return record(app, command, now=now, by=by, confirmed=True)


def put_rides_on(
    app: App, rides: Sequence[RideId], bike: BikeId | None, *, now: datetime, by: str = A_RIDER
) -> Done:
    return _said(app, PutRidesOn(tuple((ride, bike) for ride in rides)), now, by)


def answer_rides(app: App, answers: Mapping[RideId, BikeId | None], *, now: datetime) -> Done:
    return _said(app, PutRidesOn(tuple(answers.items())), now)


def say_condition(app: App, ride: RideId, word: Condition | None, *, now: datetime) -> Done:
    return _said(app, SayCondition(ride, word), now)


def say_unpaved(app: App, ride: RideId, share: float | None, *, now: datetime, by: str = A_RIDER) -> Done:
    return _said(app, SayUnpaved(ride, share), now, by)


def move_sensor(
    app: App, identity: str, kind: str, bike: Bike, since: datetime | None, *, now: datetime
) -> Done:
    return _said(app, PlaceSensor(identity, kind, bike.id, since), now)


def withdraw_ride(app: App, ride: RideId, why: str, *, now: datetime) -> Done:
    return _said(app, WithdrawRide(ride, why), now)


def split_outing(app: App, ride: RideId, *, now: datetime) -> Done:
    return _said(app, SplitOuting(ride), now)


def log_treatment(
    app: App, chain: str, kind: TreatmentKind, at: datetime, *, now: datetime, **more: float | str
) -> Done:
    return _said(app, LogTreatment(_chain(app, chain, at), kind, at, **more), now)  # type: ignore[arg-type]


def log_reading(
    app: App, chain: str, tool: ReadingTool, at: datetime, *, now: datetime, **values: float
) -> Done:
    return _said(app, LogReading(_chain(app, chain, at), tool, at, **values), now)  # type: ignore[arg-type]


def log_wipe_test(app: App, chain: str, grade: int, at: datetime, *, now: datetime) -> Done:
    return _said(app, LogWipeTest(_chain(app, chain, at), at, grade), now)


def take_back(app: App, fact: str, number: int, because: str, *, now: datetime) -> Done:
    return _said(app, TakeBack(fact, number, because), now)  # type: ignore[arg-type]


def _chain(app: App, name: str, at: datetime) -> ChainId:
    with app.store.reading() as tx:
        return chain_named(tx.ledger(), name, at).id
