"""May this be said of a ride?"""

from __future__ import annotations

from collections.abc import Iterator
from datetime import timedelta

from rules.commands import PutRidesOn, SayCondition, SayUnpaved, SplitOuting, TellRide, WithdrawRide
from rules.gate.field_checks import text, unpaved_share, within
from rules.gate.times import not_ahead
from rules.gate.verdicts import Hearing, Objection, Question, Refused, said_of, the_one
from rules.units import kilometres
from rules.vocabulary import Condition, RideId

LONGEST_MIN, FARTHEST_M = 24 * 60.0, 1_000_000.0


def _far(metres: float) -> str:
    return kilometres(metres / 1000)


def tell_ride(command: TellRide, hearing: Hearing) -> Iterator[Objection]:
    the_one(command.rider, hearing.ledger.riders, "rider")
    if command.bike is not None:
        hearing.bike(command.bike)
    yield from said_of(
        "minutes",
        within(command.minutes, 1.0, LONGEST_MIN, "How long it took, in minutes,", "for instance 40"),
    )
    yield from said_of(
        "distance_m",
        within(command.distance_m, 0.0, FARTHEST_M, "The distance", f"for instance {kilometres(12)}", _far),
    )
    yield from within(command.latitude_deg, -90.0, 90.0, "The latitude", "degrees, south negative")
    yield from within(command.longitude_deg, -180.0, 180.0, "The longitude", "degrees, west negative")
    if (command.latitude_deg is None) != (command.longitude_deg is None):
        yield Refused("A place is a latitude and a longitude; give both, or neither.")
    yield from _word(command.word)
    if not 1.0 <= command.minutes <= LONGEST_MIN:
        return
    ended_at = command.started_at + timedelta(minutes=command.minutes)
    yield from not_ahead(command.started_at, hearing, command.bike)
    if command.started_at <= hearing.now < ended_at:
        yield Refused(
            f"It ends {hearing.told(ended_at, command.bike)}, still to come; say it once it is over."
        )
    others = [
        one
        for one in hearing.ledger.rides
        if one.rider == command.rider and one.started_at < ended_at and command.started_at < one.ended_at
    ]
    if others and not hearing.replay:
        yield Question(
            f"There is a ride at that time already: ride {others[0].id}, "
            f"{hearing.told(others[0].started_at, others[0].bike)}. Is this another one?"
        )


def put_rides_on(command: PutRidesOn, hearing: Hearing) -> Iterator[Objection]:
    if not command.answers:
        yield Refused("There is no ride in that span; nothing was changed.")
    for ride, bike in command.answers:
        yield from _ride(ride, hearing)
        if bike is not None:
            hearing.bike(bike)


def say_condition(command: SayCondition, hearing: Hearing) -> Iterator[Objection]:
    yield from _ride(command.ride, hearing)
    yield from _word(command.word)


def say_unpaved(command: SayUnpaved, hearing: Hearing) -> Iterator[Objection]:
    yield from _ride(command.ride, hearing)
    yield from unpaved_share(command.share)


def withdraw_ride(command: WithdrawRide, hearing: Hearing) -> Iterator[Objection]:
    yield from _ride(command.ride, hearing)
    yield from said_of("because", text(command.because, "A reason"))


def split_outing(_command: SplitOuting, _hearing: Hearing) -> Iterator[Objection]:
    """Which recording is meant is found where recordings are kept."""
    yield from ()


def _word(word: Condition | None) -> Iterator[Objection]:
    if word is Condition.UNKNOWN:
        yield Refused("“unknown” is no word on a ride; leave it to the archive instead.")


def _ride(ride: RideId, hearing: Hearing) -> Iterator[Objection]:
    if not hearing.replay and hearing.ledger.ride(ride) is None:
        yield Refused(f"Ride {ride} does not count, or there is none: see 'gritledger rides'.")
