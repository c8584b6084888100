"""What the ledger is once a command stands. The same function serves the first time and every replay."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import replace
from datetime import datetime
from typing import Any, TypeVar

from rules import commands as say
from rules.commands import Command
from rules.ledger import Ledger
from rules.same_names import tidy
from rules.vocabulary import (
    Bike,
    BikeId,
    Chain,
    ChainId,
    DecidedBy,
    Fitting,
    FittingId,
    OwnLimits,
    OwnLimitsId,
    Reading,
    ReadingId,
    Rider,
    RiderId,
    Sensor,
    SensorId,
    Supply,
    SupplyId,
    SupplyKind,
    Treatment,
    TreatmentId,
    Trial,
    TrialId,
    WipeTest,
    WipeTestId,
)

Thing = TypeVar("Thing", Rider, Bike, Chain, Fitting)


def applied(ledger: Ledger, command: Command, made: int) -> Ledger:
    """The ledger once this command stands. made: the number of the fact it makes; 0 where it makes none."""
    match command:
        case say.AddRider(name, email, zone):
            return replace(ledger, riders=(*ledger.riders, Rider(RiderId(made), tidy(name), email, zone)))
        case say.AddBike():
            return replace(ledger, bikes=(*ledger.bikes, Bike(BikeId(made), **_bike_fields(command))))
        case say.AddChain(name, regime, speeds, links, price, acquired_at):
            chain = Chain(ChainId(made), tidy(name), regime, speeds, links, price, acquired_at)
            return replace(ledger, chains=(*ledger.chains, chain))
        case say.Amend():
            return _amended(ledger, command)
        case say.FitChain(chain_id, bike, at):
            off = _taken_off(ledger.fittings, at, lambda one: chain_id == one.chain or bike == one.bike)
            return replace(ledger, fittings=(*off, Fitting(FittingId(made), chain_id, bike, at)))
        case say.TakeOff(chain_id, at):
            return replace(
                ledger, fittings=_taken_off(ledger.fittings, at, lambda one: chain_id == one.chain)
            )
        case say.Retire(chain_id, at):
            return replace(
                ledger,
                fittings=_taken_off(ledger.fittings, at, lambda one: chain_id == one.chain),
                chains=_changed(ledger.chains, chain_id, {"retired_at": at}),
            )
        case say.FittingWasNot(fitting):
            return replace(ledger, fittings=tuple(one for one in ledger.fittings if one.id != fitting))
        case say.PlaceSensor():
            return replace(ledger, sensors=_placed(ledger.sensors, command, made))
        case say.ForgetSensor(identity, bike, from_at):
            kept = (s for s in ledger.sensors if (s.identity, s.bike, s.from_at) != (identity, bike, from_at))
            return replace(ledger, sensors=tuple(kept))
        case say.LogTreatment(_, kind, at, minutes, cost, note):
            each_min, each_cost = (
                None if all_ is None else all_ / len(command.chains) for all_ in (minutes, cost)
            )
            done = (
                Treatment(TreatmentId(number), chain_id, kind, at, each_min, each_cost, tidy(note))
                for number, chain_id in enumerate(command.chains, start=made)
            )
            return replace(ledger, treatments=(*ledger.treatments, *done))
        case say.LogReading(chain_id, tool, at, over, under, exact, note, instrument):
            words = (tidy(note), tidy(instrument))
            read = Reading(ReadingId(made), chain_id, tool, at, over, under, exact, *words)
            return replace(ledger, readings=(*ledger.readings, read))
        case say.LogWipeTest(chain_id, at, grade):
            test = WipeTest(WipeTestId(made), chain_id, at, grade)
            return replace(ledger, wipe_tests=(*ledger.wipe_tests, test))
        case say.StartTrial(bike, waxed, control, started_at, block_km, seed):
            trial = Trial(TrialId(made), bike, waxed, control, started_at, block_km, seed)
            return replace(ledger, trials=(*ledger.trials, trial))
        case say.EndTrial(number, at):
            ended = (replace(one, ended_at=at) if one.id == number else one for one in ledger.trials)
            return replace(ledger, trials=tuple(ended))
        case say.BeginSupply(kind, amount, at, name, a_use, price):
            new = Supply(SupplyId(made), kind, amount, at, tidy(name), a_use, price=price)
            others = (
                replace(one, ended_at=at)
                if one.kind is kind and one.ended_at is None and kind is not SupplyKind.QUICK_LINKS
                else one
                for one in ledger.supplies
            )
            return replace(ledger, supplies=(*others, new))
        case say.EndSupply(number, at):
            gone = (replace(one, ended_at=at) if one.id == number else one for one in ledger.supplies)
            return replace(ledger, supplies=tuple(gone))
        case say.SetLimits(limits, at, because):
            return replace(
                ledger, own_limits=(*ledger.own_limits, OwnLimits(OwnLimitsId(made), at, limits, because))
            )
        case say.TakeBack(fact, number):
            return _without(ledger, fact, number)
        case say.PutRidesOn(answers):
            on = dict(answers)
            rides = (
                replace(ride, bike=on[ride.id], decided_by=DecidedBy.RIDER) if ride.id in on else ride
                for ride in ledger.rides
            )
            return replace(ledger, rides=tuple(rides))
        case say.SayCondition(ride_id, word):
            return _with_ride(ledger, ride_id, word=word)
        case say.SayUnpaved(ride_id, share):
            return _with_ride(ledger, ride_id, unpaved_share=share)
        case say.WithdrawRide(ride_id):
            return replace(ledger, rides=tuple(ride for ride in ledger.rides if ride.id != ride_id))
    assert isinstance(command, say.SplitOuting | say.TellRide)
    return ledger  # rides are the store's to count


def _bike_fields(command: say.AddBike) -> dict[str, Any]:
    fields = {name: getattr(command, name) for name in say.AddBike.__dataclass_fields__}
    return fields | {"name": tidy(command.name)}


def _amended(ledger: Ledger, command: say.Amend) -> Ledger:
    values = dict(command.values)
    if "name" in values:
        values["name"] = tidy(str(values["name"]))
    match command.what:
        case "rider":
            return replace(ledger, riders=_changed(ledger.riders, command.number, values))
        case "bike":
            return replace(ledger, bikes=_changed(ledger.bikes, command.number, values))
        case _:
            return replace(ledger, chains=_changed(ledger.chains, command.number, values))


def _changed(things: Iterable[Thing], number: int, values: dict[str, Any]) -> tuple[Thing, ...]:
    return tuple(replace(one, **values) if one.id == number else one for one in things)


def _taken_off(fittings: Iterable[Fitting], at: datetime, which: Any) -> tuple[Fitting, ...]:
    """The fittings, those that were open then and are meant ended at that instant."""
    return tuple(
        replace(one, removed_at=at) if one.removed_at is None and one.fitted_at <= at and which(one) else one
        for one in fittings
    )


def _placed(sensors: Iterable[Sensor], command: say.PlaceSensor, made: int) -> tuple[Sensor, ...]:
    """Where each sensor sat, this one on its bike from then on: the span before ends there."""
    kept = [
        replace(one, until_at=command.from_at)
        if one.identity == command.identity and (one.until_at is None or _after(one.until_at, command))
        else one
        for one in sensors
    ]
    new = Sensor(SensorId(made), command.kind, command.identity, command.bike, command.from_at)
    return (*kept, new)


def _after(until_at: datetime, command: say.PlaceSensor) -> bool:
    return command.from_at is not None and until_at > command.from_at


def _without(ledger: Ledger, fact: str, number: int) -> Ledger:
    match fact:
        case "treatment":
            return replace(ledger, treatments=tuple(one for one in ledger.treatments if one.id != number))
        case "reading":
            return replace(ledger, readings=tuple(one for one in ledger.readings if one.id != number))
        case _:
            return replace(ledger, wipe_tests=tuple(one for one in ledger.wipe_tests if one.id != number))


def _with_ride(ledger: Ledger, ride_id: int, **values: Any) -> Ledger:
    rides = (replace(ride, **values) if ride.id == ride_id else ride for ride in ledger.rides)
    return replace(ledger, rides=tuple(rides))
