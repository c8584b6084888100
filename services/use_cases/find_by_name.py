"""Which rider, bike or chain is meant by a name?"""

from __future__ import annotations

from collections.abc import Iterable
from datetime import datetime, timedelta
from typing import Literal, TypeVar

from rules.ledger import Ledger
from rules.same_names import as_read
from rules.vocabulary import Bike, Chain, RideId, Rider, RiderId
from services.store import FactRefused, NotFound

Named = TypeVar("Named", bound=Rider | Bike | Chain)
NEAR_IN_TIME = timedelta(days=14)  # a rider told of nothing else may have been elsewhere before
Thing = Literal["rider", "bike", "chain"]


def rider_named(ledger: Ledger, name: str | None, option: str = "--owner") -> Rider:
    """The rider of that name; without a name the only one. Raises NotFound, FactRefused.

    option: by which a name is given.
    """
    if name is not None:
        return _named("rider", name, ledger.riders)
    if len(ledger.riders) == 1:
        return ledger.riders[0]
    raise FactRefused(
        f"Say whose it is with {option}."
        if ledger.riders
        else "Add a rider first: gritledger add rider NAME."
    )


def bike_named(ledger: Ledger, name: str) -> Bike:
    """The bike of that name. Raises NotFound with the names that look like it."""
    return _named("bike", name, ledger.bikes)


def chain_named(ledger: Ledger, chain_or_bike: str, at: datetime) -> Chain:
    """The chain of that name, or the one then on the bike of that name. Raises NotFound, FactRefused."""
    chain = _match(chain_or_bike, ledger.chains)
    if chain is not None:
        return chain
    bike = _match(chain_or_bike, ledger.bikes)
    if bike is None:
        names = [*(one.name for one in ledger.chains), *(one.name for one in ledger.bikes)]
        raise NotFound("chain or bike", chain_or_bike, names)
    fitted = ledger.chain_on(bike.id, at)
    if fitted is None:
        raise FactRefused(
            f"{bike.name} had no chain noted at that time; say which with: gritledger fit CHAIN BIKE"
        )
    return fitted


def the_chain_named(ledger: Ledger, name: str) -> Chain:
    """The chain of that name. Raises NotFound with the names that look like it."""
    return _named("chain", name, ledger.chains)


def thing_named(ledger: Ledger, name: str, what: Thing | None = None) -> tuple[Rider | Bike | Chain, Thing]:
    """The rider, bike or chain of that name, and which of these it is. Raises NotFound, FactRefused."""
    kinds: dict[Thing, tuple[Rider, ...] | tuple[Bike, ...] | tuple[Chain, ...]] = {
        "rider": ledger.riders,
        "bike": ledger.bikes,
        "chain": ledger.chains,
    }
    looked_at = {kind: things for kind, things in kinds.items() if what in (None, kind)}
    found = [(one, kind) for kind, things in looked_at.items() if (one := _match(name, things)) is not None]
    if len(found) > 1:
        raise FactRefused(f"More than one thing is called “{name}”: say which with --what.")
    if not found:
        names = [one.name for things in looked_at.values() for one in things]
        raise NotFound(what or "rider, bike or chain", name, names)
    return found[0]


def place_about(
    ledger: Ledger, rider: RiderId, at: datetime, near: int | None = None
) -> tuple[RideId, float, float] | None:
    """Where a ride was that somebody only tells of: where this one was, else the rider's nearest in time.

    Returns that ride with latitude and longitude [°]; None = nobody knows. Raises NotFound.
    """
    if near is not None:
        ride = ledger.ride(RideId(near))
        if ride is None:
            raise NotFound("ride", near)
        rides = [ride]
    else:
        rides = [
            one for one in ledger.rides if one.rider == rider and abs(one.started_at - at) <= NEAR_IN_TIME
        ]
        rides.sort(key=lambda one: abs(one.started_at - at))
    for one in rides:
        for hour in one.hours:
            if hour.latitude_deg is not None and hour.longitude_deg is not None:
                return one.id, hour.latitude_deg, hour.longitude_deg
    return None


def _named(what: str, name: str, things: tuple[Named, ...]) -> Named:
    found = _match(name, things)
    if found is None:
        raise NotFound(what, name, (one.name for one in things))
    return found


def _match(name: str, things: Iterable[Named]) -> Named | None:
    return next((one for one in things if as_read(one.name) == as_read(name)), None)
