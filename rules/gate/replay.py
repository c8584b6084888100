"""What would stand, had something not been said? The log of commands, played again without it."""

from __future__ import annotations

from collections.abc import Collection, Iterable, Sequence
from dataclasses import dataclass
from datetime import datetime

from rules import commands as say
from rules.commands import Command
from rules.dates_and_numbers import ZoneOf
from rules.gate.apply import applied
from rules.gate.judge import judge
from rules.gate.verdicts import Refused
from rules.ledger import Ledger
from rules.vocabulary import RideId


@dataclass(frozen=True, slots=True)
class Said:
    """A command that stands.

    made: the number of the fact it made; 0 where it made none.  rides: those that count because of it: told,
    or split from another recording.
    """

    number: int
    at: datetime
    command: Command
    made: int
    rides: frozenset[RideId] = frozenset()


@dataclass(frozen=True, slots=True)
class Replay:
    """The ledger after a replay, and before each command; and what was refused, with why, by number."""

    ledger: Ledger
    before: dict[int, Ledger]
    refused: dict[int, str]


def replay(
    start: Ledger,
    said: Iterable[Said],
    *,
    zone_of: ZoneOf,
    stand: Collection[int] = (),
    gone: frozenset[RideId] = frozenset(),
) -> Replay:
    """Say it all again, in order. What the gate now refuses is left out, but for what shall stand anyway.

    gone: rides that do not count here, so that nothing can be said of them.
    """
    ledger = start
    before: dict[int, Ledger] = {}
    refused: dict[int, str] = {}
    for one in said:
        verdict = judge(ledger, one.command, now=one.at, zone_of=zone_of, replay=True)
        why = verdict.why if isinstance(verdict, Refused) else _of_no_ride(one.command, gone)
        if why and one.number not in stand:
            refused[one.number] = why
            gone |= one.rides
            continue
        before[one.number] = ledger
        ledger = applied(ledger, one.command, one.made)
    return Replay(ledger, before, refused)


def without(start: Ledger, said: Sequence[Said], undone: int, *, zone_of: ZoneOf) -> Replay:
    """The ledger as if one command had never been said; refused: those that cannot stand without it.

    What the gate refuses even with it (it has grown stricter, or was asked with other facts) stands as it is.
    """
    stand = replay(start, said, zone_of=zone_of).refused
    rides = frozenset(ride for one in said if one.number == undone for ride in one.rides)
    others = [one for one in said if one.number != undone]
    return replay(start, others, zone_of=zone_of, stand=stand, gone=rides)


def _of_no_ride(command: Command, gone: frozenset[RideId]) -> str:
    """Why a command that names a ride cannot stand without it; "" = it names none of these."""
    match command:
        case say.PutRidesOn(answers):
            named = gone.intersection(ride for ride, _ in answers)
        case say.SayCondition(ride) | say.SayUnpaved(ride) | say.WithdrawRide(ride) | say.SplitOuting(ride):
            named = gone & {ride}
        case _:
            return ""
    return f"Ride {min(named)} does not count then." if named else ""
