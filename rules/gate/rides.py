"""May this be said of a ride?"""

from __future__ import annotations

from collections.abc import Iterator

from rules.commands import PutRidesOn, SayCondition, SayUnpaved, SplitOuting, WithdrawRide
from rules.gate.hearing import Hearing, Objection, Refused
from rules.gate.values import none_such, text, unpaved_share
from rules.vocabulary import Condition, RideId


def put_rides_on(command: PutRidesOn, hearing: Hearing) -> Iterator[Objection]:
    if not command.answers:
        yield Refused("There is no ride in that span; nothing was changed.")
    for ride, bike in command.answers:
        yield from _ride(ride, hearing)
        if bike is not None and hearing.bike(bike) is None:
            yield none_such("bike", bike)


def say_condition(command: SayCondition, hearing: Hearing) -> Iterator[Objection]:
    yield from _ride(command.ride, hearing)
    if command.word is Condition.UNKNOWN:
        yield Refused("“unknown” is no word on a ride; leave it to the archive instead.")


def say_unpaved(command: SayUnpaved, hearing: Hearing) -> Iterator[Objection]:
    yield from _ride(command.ride, hearing)
    yield from unpaved_share(command.share)


def withdraw_ride(command: WithdrawRide, hearing: Hearing) -> Iterator[Objection]:
    yield from _ride(command.ride, hearing)
    yield from text(command.because, "A reason")


def split_outing(_command: SplitOuting, _hearing: Hearing) -> Iterator[Objection]:
    """Which recording is meant is found where recordings are kept."""
    yield from ()


def _ride(ride: RideId, hearing: Hearing) -> Iterator[Objection]:
    if not hearing.replay and hearing.ledger.ride(ride) is None:
        yield Refused(f"Ride {ride} does not count, or there is none: see 'gritledger rides'.")
