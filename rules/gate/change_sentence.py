"""What was said, as the log keeps it and its sayer reads it again."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import tzinfo

from rules import commands as say
from rules.commands import Command
from rules.dates_and_numbers import clock, day, listed
from rules.dates_and_numbers import number as number_of
from rules.ledger import Ledger
from rules.own_limits import set_for
from rules.same_names import tidy
from rules.supplies import USES
from rules.vocabulary import BikeId, ChainId, RideId


def described(ledger: Ledger, command: Command, zone: tzinfo) -> str:
    """One clause on a command that passed the gate: 'Chain 3 fitted to Plover', 'ride 12 … called wet'."""
    match command:
        case say.AddRider(name) | say.AddBike(name) | say.AddChain(name):
            return f"{tidy(name)} added"
        case say.Amend(what, number, values):
            named = {
                "rider": {one.id: one.name for one in ledger.riders},
                "bike": {one.id: one.name for one in ledger.bikes},
                "chain": {one.id: one.name for one in ledger.chains},
            }[what]
            if set(values) == {"name"}:
                return f"{named[number]} renamed {tidy(str(values['name']))}"  # type: ignore[index]
            return f"{named[number]} changed: {listed([_FIELDS.get(one, one) for one in values])}"  # type: ignore[index]
        case say.FitChain(chain, bike, at):
            return f"{_chain(ledger, chain)} fitted to {_bike(ledger, bike)} on {day(at, zone)}"
        case say.TakeOff(chain, at):
            return f"{_chain(ledger, chain)} taken off on {day(at, zone)}"
        case say.Retire(chain, at):
            return f"{_chain(ledger, chain)} retired on {day(at, zone)}"
        case say.FittingWasNot(fitting):
            found = next(one for one in ledger.fittings if one.id == fitting)
            return f"{_chain(ledger, found.chain)} was not fitted to {_bike(ledger, found.bike)}"
        case say.PlaceSensor(identity, _, bike, since):
            start = f" since {day(since, zone)}" if since else ""
            return f"{identity} sits on {_bike(ledger, bike)}{start}"
        case say.ForgetSensor(identity, bike):
            return f"{identity} does not sit on {_bike(ledger, bike)}"
        case say.LogTreatment(_, kind, at):
            names = listed([_chain(ledger, one) for one in command.chains])
            return f"{kind.value} logged on {names}, {day(at, zone)}"
        case say.LogReading(chain, _, at):
            return f"reading of {_chain(ledger, chain)} logged, {day(at, zone)}"
        case say.LogWipeTest(chain, at, grade):
            return f"wipe test of {_chain(ledger, chain)} logged: grade {grade}, {day(at, zone)}"
        case say.StartTrial(bike, waxed, control):
            return (
                f"trial on {_bike(ledger, bike)} begun: {_chain(ledger, waxed)} and {_chain(ledger, control)}"
            )
        case say.EndTrial(number, at):
            ended = next(one for one in ledger.trials if one.id == number)
            return f"trial on {_bike(ledger, ended.bike)} ended, {day(at, zone)}"
        case say.BeginSupply(kind, amount, at, _, _, price):
            paid = "" if price is None else f" for {number_of(price)}"
            return f"{kind.value} of {number_of(amount)} {USES[kind].unit}{paid} begun, {day(at, zone)}"
        case say.EndSupply(number, at):
            gone = next(one for one in ledger.supplies if one.id == number)
            return f"{gone.kind.value} ended, {day(at, zone)}"
        case say.SetLimits(limits):
            return listed([set_for(ledger, one) for one in limits])
        case say.TakeBack(fact, number):
            return f"{fact} {number} taken back"
        case say.TellRide(_, on, at, minutes):
            where = "none of ours" if on is None else _bike(ledger, on)
            return f"ride of {day(at, zone)}, {clock(at, zone)}, told: {minutes:.0f} min on {where}"
        case say.PutRidesOn(answers):
            bikes = dict.fromkeys("none of ours" if one is None else _bike(ledger, one) for _, one in answers)
            return f"{_rides(ledger, [ride for ride, _ in answers], zone)} on {listed(list(bikes))}"
        case say.SayCondition(ride, word):
            said = f"called {word.value}" if word else "left to the archive"
            return f"{_rides(ledger, [ride], zone)} {said}"
        case say.SayUnpaved(ride, share):
            shown = "left to file and bike" if share is None else f"{share:.0%} unpaved"
            return f"{_rides(ledger, [ride], zone)} {shown}"
        case say.WithdrawRide(ride):
            return f"{_rides(ledger, [ride], zone)} counted no more"
    assert isinstance(command, say.SplitOuting)
    return f"ride {command.ride} split from its other recording: both count"


_FIELDS = {
    "email": "address",
    "time_zone": "time zone",
    "unpaved_share": "share of unpaved",
    "wheel_circumference_m": "wheel",
    "from_at": "since when",
    "until_at": "until when",
    "acquired_at": "since when",
}


def _chain(ledger: Ledger, number: ChainId) -> str:
    return ledger.chain(number).name


def _bike(ledger: Ledger, number: BikeId) -> str:
    return ledger.bike(number).name


def _rides(ledger: Ledger, rides: Sequence[RideId], zone: tzinfo) -> str:
    ride = ledger.ride(rides[0])
    if len(rides) > 1 or ride is None:
        return f"{len(rides)} rides"
    return f"ride {ride.id} of {day(ride.started_at, zone)}, {clock(ride.started_at, zone)}"
