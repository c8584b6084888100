"""May this be said? Every command passes here, from wherever it comes, against the ledger and the time.

    judge(ledger, command, now=…, zone_of=…) -> Accepted | Refused(why) | Question(ask)

A refusal says what is wrong, why, and what to do. A question is for what is odd but possible: said again with
a yes, it stands.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from datetime import datetime
from typing import Any

from rules import commands
from rules.dates_and_numbers import ZoneOf
from rules.gate import care, equipment, own_limits, rides, supplies, trials
from rules.gate.verdicts import Accepted, Hearing, NoSuch, Objection, Refused, Verdict
from rules.ledger import Ledger

# What speaks against each command, in the order a person would say it.
OBJECTIONS: dict[type, Callable[[Any, Hearing], Iterator[Objection]]] = {
    commands.AddRider: equipment.add_rider,
    commands.AddBike: equipment.add_bike,
    commands.AddChain: equipment.add_chain,
    commands.Amend: equipment.amend,
    commands.FitChain: equipment.fit_chain,
    commands.TakeOff: equipment.take_off,
    commands.Retire: equipment.retire,
    commands.FittingWasNot: equipment.fitting_was_not,
    commands.PlaceSensor: equipment.place_sensor,
    commands.ForgetSensor: equipment.forget_sensor,
    commands.LogTreatment: care.log_treatment,
    commands.LogReading: care.log_reading,
    commands.LogWipeTest: care.log_wipe_test,
    commands.StartTrial: trials.start_trial,
    commands.EndTrial: trials.end_trial,
    commands.BeginSupply: supplies.begin_supply,
    commands.EndSupply: supplies.end_supply,
    commands.SetLimits: own_limits.set_limits,
    commands.TakeBack: care.take_back,
    commands.TellRide: rides.tell_ride,
    commands.PutRidesOn: rides.put_rides_on,
    commands.SayCondition: rides.say_condition,
    commands.SayUnpaved: rides.say_unpaved,
    commands.WithdrawRide: rides.withdraw_ride,
    commands.SplitOuting: rides.split_outing,
}


def judge(
    ledger: Ledger, command: commands.Command, *, now: datetime, zone_of: ZoneOf, replay: bool = False
) -> Verdict:
    """May this command stand? Refused before asked: what cannot be is no question."""
    objections = list(_objections(command, Hearing(ledger, now, zone_of, replay)))
    refusals = [one for one in objections if isinstance(one, Refused)]
    return next(iter([*refusals, *objections]), Accepted())


def _objections(command: commands.Command, hearing: Hearing) -> Iterator[Objection]:
    try:
        yield from OBJECTIONS[type(command)](command, hearing)
    except NoSuch as no:
        yield no.refused
