"""Who of a club's household may see and say what: one table. At home nobody is asked."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import datetime
from enum import StrEnum
from typing import Final

from rules import commands as say
from rules.commands import Command
from rules.ledger import Ledger
from rules.vocabulary import ChainId, RideId, RiderId


class Role(StrEnum):
    """What somebody is to a household."""

    OWNER = "owner"
    MECHANIC = "mechanic"
    RIDER = "rider"


class Right(StrEnum):
    """Something that a person may do, in the words that follow 'may'."""

    LOOK = "look at bikes, chains and their care"
    RIDES = "look at rides and their tracks"
    CARE = "log care, readings and wipe tests"
    FIT = "put chains on, take them off, and keep the shelf"
    ANSWER = "hand over ride files and correct rides"
    EQUIP = "say who rides, which bikes there are, and set limits"
    TAKE_AWAY = "take the ledger away as lists"
    PEOPLE = "invite people and let them go"
    RUN = "set the mail server, folders, archive and prices of the whole club"


class Reach(StrEnum):
    """How far a right goes."""

    ALL = "all"
    OWN = "own"  # of a rider: their bikes and the chains on them, their rides
    NONE = "none"


@dataclass(frozen=True, slots=True)
class Member:
    """Somebody of a household. rider: which of its riders that is; None = none of them."""

    name: str
    role: Role
    rider: RiderId | None = None


_ALL, _OWN, _NONE = Reach.ALL, Reach.OWN, Reach.NONE
# Common practice of workshops and clubs, no source. RUN is nobody's here: it is set beside the database.
MAY: Final[Mapping[Right, Mapping[Role, Reach]]] = {
    Right.LOOK: {Role.OWNER: _ALL, Role.MECHANIC: _ALL, Role.RIDER: _ALL},
    Right.RIDES: {Role.OWNER: _ALL, Role.MECHANIC: _NONE, Role.RIDER: _ALL},
    Right.CARE: {Role.OWNER: _ALL, Role.MECHANIC: _ALL, Role.RIDER: _OWN},
    Right.FIT: {Role.OWNER: _ALL, Role.MECHANIC: _ALL, Role.RIDER: _NONE},
    Right.ANSWER: {Role.OWNER: _ALL, Role.MECHANIC: _NONE, Role.RIDER: _OWN},
    Right.EQUIP: {Role.OWNER: _ALL, Role.MECHANIC: _NONE, Role.RIDER: _NONE},
    Right.TAKE_AWAY: {Role.OWNER: _ALL, Role.MECHANIC: _NONE, Role.RIDER: _NONE},
    Right.PEOPLE: {Role.OWNER: _ALL, Role.MECHANIC: _NONE, Role.RIDER: _NONE},
    Right.RUN: {Role.OWNER: _NONE, Role.MECHANIC: _NONE, Role.RIDER: _NONE},
}
_RIGHT_OF: Final[Mapping[type, Right]] = {
    say.AddRider: Right.EQUIP,
    say.AddBike: Right.EQUIP,
    say.PlaceSensor: Right.EQUIP,
    say.ForgetSensor: Right.EQUIP,
    say.SetLimits: Right.EQUIP,
    say.AddChain: Right.FIT,
    say.FitChain: Right.FIT,
    say.TakeOff: Right.FIT,
    say.Retire: Right.FIT,
    say.FittingWasNot: Right.FIT,
    say.StartTrial: Right.FIT,
    say.EndTrial: Right.FIT,
    say.BeginSupply: Right.FIT,
    say.EndSupply: Right.FIT,
    say.LogTreatment: Right.CARE,
    say.LogReading: Right.CARE,
    say.LogWipeTest: Right.CARE,
    say.TakeBack: Right.CARE,
    say.TellRide: Right.ANSWER,
    say.PutRidesOn: Right.ANSWER,
    say.SayCondition: Right.ANSWER,
    say.SayUnpaved: Right.ANSWER,
    say.WithdrawRide: Right.ANSWER,
    say.SplitOuting: Right.ANSWER,
}


def right_of(command: Command) -> Right:
    """Which right does it take to say this?"""
    if isinstance(command, say.Amend):
        return Right.FIT if command.what == "chain" else Right.EQUIP
    return _RIGHT_OF[type(command)]


def reach(member: Member | None, right: Right) -> Reach:
    """How far does this right of theirs go? member None = at home."""
    return Reach.ALL if member is None else MAY[right][member.role]


def words_of(role: Role) -> tuple[str, ...]:
    """What a role may do, a line each, for whoever is invited to it."""
    own = {Right.CARE: " of their own bikes", Right.ANSWER: " of their own"}
    return tuple(
        f"{right.value}{own[right] if MAY[right][role] is Reach.OWN else ''}"
        for right in Right
        if MAY[right][role] is not Reach.NONE
    )


def refusal(member: Member, right: Right) -> str:
    """Why they may not, and who may."""
    others = [role.value for role in Role if MAY[right][role] is Reach.ALL]
    if not others:
        return f"Only whoever runs the club may {right.value}."
    if reach(member, right) is Reach.OWN:
        return f"A {member.role} may {right.value} of their own alone; for others ask an {others[0]}."
    return f"A {member.role} may not {right.value}; ask an {others[0]}."


def objection(member: Member | None, ledger: Ledger, command: Command) -> str:
    """Why may this member not say this? "" = they may. ledger: what is known of what the command names."""
    right = right_of(command)
    far = reach(member, right)
    if member is None or far is Reach.ALL or (far is Reach.OWN and _own(member, ledger, command)):
        return ""
    return refusal(member, right)


def own_chain(member: Member, ledger: Ledger, chain: ChainId, at: datetime) -> bool:
    """Was the chain on a bike of theirs then?"""
    fitting = ledger.fitting_of(chain, at)
    return (
        fitting is not None and member.rider is not None and ledger.bike(fitting.bike).owner == member.rider
    )


def _own(member: Member, ledger: Ledger, command: Command) -> bool:
    match command:
        case say.LogTreatment():
            return all(own_chain(member, ledger, one, command.done_at) for one in command.chains)
        case say.LogReading(chain, _, at) | say.LogWipeTest(chain, at):
            return own_chain(member, ledger, chain, at)
        case say.TakeBack():
            return _own_fact(member, ledger, command)
        case say.TellRide(rider):
            return rider == member.rider
        case say.PutRidesOn(answers):
            return all(_own_ride(member, ledger, ride) for ride, _ in answers)
        case say.SayCondition(ride) | say.SayUnpaved(ride) | say.WithdrawRide(ride):
            return _own_ride(member, ledger, ride)
        case _:  # a second recording is not in the ledger: whose it is, is not said here
            return False


def _own_fact(member: Member, ledger: Ledger, command: say.TakeBack) -> bool:
    dated: dict[str, list[tuple[int, ChainId, datetime]]] = {
        "treatment": [(one.id, one.chain, one.done_at) for one in ledger.treatments],
        "reading": [(one.id, one.chain, one.taken_at) for one in ledger.readings],
        "wipe test": [(one.id, one.chain, one.done_at) for one in ledger.wipe_tests],
    }
    named = [one for one in dated.get(command.fact, ()) if one[0] == command.number]
    return any(own_chain(member, ledger, chain, at) for _, chain, at in named)


def _own_ride(member: Member, ledger: Ledger, number: RideId) -> bool:
    ride = ledger.ride(number)
    return ride is not None and ride.rider == member.rider
