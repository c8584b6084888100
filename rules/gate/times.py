"""When it may have been: neither ahead nor too long ago; and when on a day, if only the day was said.

A chain is fitted before that day's first ride, and cared for or taken off after its last: that is how hands
work. Where the day holds several rides it may have been between them, and the rider is asked. A ride whose
bike is a question may be one of them. What comes or goes for good (a bike, a sensor) has that whole day.
"""

from __future__ import annotations

from collections.abc import Collection, Iterator
from dataclasses import dataclass
from datetime import UTC, date, datetime, time, timedelta, tzinfo

from rules.dates_and_numbers import clock, day, listed
from rules.gate.verdicts import Hearing, Objection, Refused
from rules.ledger import Ledger
from rules.vocabulary import BikeId, ChainId, Ride

EARLIEST = datetime(1980, 1, 1, tzinfo=UTC)  # before any ride file there is: a slip of the keyboard

NOON, EVENING, LAST_MINUTE = time(12, 0), time(20, 0), time(23, 59)


@dataclass(frozen=True, slots=True)
class Moment:
    """An instant, and what to ask before it is taken for the one that was meant; "" = nothing."""

    at: datetime
    ask: str = ""


def before_first_ride(ledger: Ledger, bike: BikeId, on: date, zone: tzinfo, now: datetime) -> Moment:
    """When was a chain fitted to this bike, if on that day?"""
    rides = _that_day(ledger.rides_on(bike), on, zone)
    perhaps = [*rides, *_that_day(ledger.rides, on, zone, asking=True)]
    at = min((ride.started_at for ride in perhaps), default=_noon(on, zone, now))
    return Moment(at, _ask(ledger.bike(bike).name, rides, on, zone, "before the first"))


def after_last_ride(ledger: Ledger, chain: ChainId, on: date, zone: tzinfo, now: datetime) -> Moment:
    """When was this chain cared for or taken off, if on that day?"""
    rides = _that_day(ledger.rides_of(chain), on, zone)
    perhaps = [*rides, *_that_day(ledger.rides, on, zone, asking=True)]
    at = max((ride.ended_at for ride in perhaps), default=_noon(on, zone, now))
    return Moment(at, _ask(ledger.chain(chain).name, rides, on, zone, "after the last"))


def evening_of(ledger: Ledger, chains: Collection[ChainId], on: date, zone: tzinfo) -> datetime:
    """When were these chains cared for, if that evening? At eight, or after their last ride of the day."""
    eight = datetime.combine(on, EVENING, tzinfo=zone)
    rides = (ride for chain in chains for ride in _that_day(ledger.rides_of(chain), on, zone))
    return max([eight, *(ride.ended_at for ride in rides)])


def start_of(on: date, zone: tzinfo) -> datetime:
    """When did something come, if on that day? Before all else that day."""
    return datetime.combine(on, time(), tzinfo=zone).astimezone(UTC)


def end_of(on: date, zone: tzinfo, now: datetime) -> datetime:
    """When did something go, if on that day? After all else that day, as far as it has come."""
    end = datetime.combine(on, LAST_MINUTE, tzinfo=zone).astimezone(UTC)
    return min(end, now) if start_of(on, zone) <= now else end


def _that_day(rides: tuple[Ride, ...], on: date, zone: tzinfo, *, asking: bool = False) -> list[Ride]:
    """asking: only those whose bike is a question."""
    return [
        ride
        for ride in rides
        if ride.started_at.astimezone(zone).date() == on and not (asking and ride.decided_by)
    ]


def _noon(on: date, zone: tzinfo, now: datetime) -> datetime:
    """Noon of a day, or now if that is still to come today."""
    noon = datetime.combine(on, NOON, tzinfo=zone)
    return now if noon > now and noon - now < timedelta(days=1) else noon


def _ask(name: str, rides: list[Ride], on: date, zone: tzinfo, place: str) -> str:
    if len(rides) < 2:
        return ""
    spans = [f"{clock(ride.started_at, zone)} to {clock(ride.ended_at, zone)}" for ride in rides]
    return (
        f"On {day(datetime.combine(on, NOON, tzinfo=zone), zone)} {name} was ridden {len(rides)} times "
        f"({listed(spans)}). Was it {place} of them? If not, say the time as well."
    )


def not_ahead(at: datetime, hearing: Hearing, bike: BikeId | None = None) -> Iterator[Objection]:
    if at > hearing.now:
        yield Refused(f"{hearing.told(at, bike)} has not come yet; say it once it is done.", "at")
    elif at < EARLIEST:
        yield Refused(f"{hearing.told(at, bike)} is too long ago for a ride file; is the year right?", "at")


def ends_once(
    of: str,
    at: datetime,
    began_at: datetime,
    ended_at: datetime | None,
    hearing: Hearing,
    bike: BikeId | None = None,
) -> Iterator[Objection]:
    yield from not_ahead(at, hearing, bike)
    if ended_at is not None:
        yield Refused(f"That {of} ended on {hearing.told(ended_at, bike)} already.")
    elif at < began_at:
        yield Refused(f"It began on {hearing.told(began_at, bike)}; it cannot end before.")
