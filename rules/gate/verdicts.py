"""What a command is judged against, and what can be said to it."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import dataclass, replace
from datetime import UTC, datetime, tzinfo
from typing import TypeAlias, TypeVar

from rules.dates_and_numbers import ZoneOf, clock, day
from rules.ledger import Ledger
from rules.vocabulary import Bike, BikeId, Chain, ChainId, Fitting, Rider, Supply, Trial

Thing = TypeVar("Thing", bound=Rider | Bike | Chain | Fitting | Trial | Supply)


@dataclass(frozen=True, slots=True)
class Accepted:
    """It may stand."""


@dataclass(frozen=True, slots=True)
class Refused:
    """It may not: what is wrong, why, and what to do. of: the command's field it is about; "" = all of it."""

    why: str
    of: str = ""


@dataclass(frozen=True, slots=True)
class Question:
    """It is odd, and may be so: the rider is asked."""

    ask: str


class NoSuch(Exception):  # noqa: N818 - it says what is the matter
    """What a command names is not there: nothing more can be judged of it."""

    def __init__(self, what: str, wanted: int) -> None:
        super().__init__(what, wanted)
        self.refused = Refused(f"There is no {what} {wanted}.", what)


Verdict: TypeAlias = Accepted | Refused | Question
Objection: TypeAlias = Refused | Question


@dataclass(frozen=True)
class Hearing:
    """What a command is judged against.

    replay: it was said before, and is judged again without another one: rides have come and gone since, so
    nothing is objected to because of them.
    """

    ledger: Ledger
    now: datetime
    zone_of: ZoneOf  # raises KeyError, ValueError or OSError for a zone that does not exist
    replay: bool = False

    def zone(self, rider: Rider | None) -> tzinfo:
        """The wall clock of a rider, or of the household's first."""
        asked = rider or (self.ledger.riders[0] if self.ledger.riders else None)
        try:
            return self.zone_of(asked.time_zone) if asked else UTC
        except (KeyError, ValueError, OSError):
            return UTC

    def bike(self, number: BikeId) -> Bike:
        """The bike of that number. Raises NoSuch."""
        return the_one(number, self.ledger.bikes, "bike")

    def chain(self, number: ChainId) -> Chain:
        """The chain of that number. Raises NoSuch."""
        return the_one(number, self.ledger.chains, "chain")

    def fitting_of(self, chain: ChainId) -> Fitting | None:
        """Where a chain is now; None = on no bike."""
        return next(
            (one for one in self.ledger.fittings if one.chain == chain and one.removed_at is None), None
        )

    def told(self, at: datetime, bike: BikeId | None = None) -> str:
        """An instant as the owner of that bike reads it: '4 June 2025, 18:52'."""
        owner = None if bike is None else self.bike(bike).owner
        zone = self.zone(next((one for one in self.ledger.riders if one.id == owner), None))
        return f"{day(at, zone)}, {clock(at, zone)}"


def the_one(number: int, things: Iterable[Thing], what: str) -> Thing:
    """The thing of that number. Raises NoSuch."""
    for one in things:
        if one.id == number:
            return one
    raise NoSuch(what, number)


def said_of(field: str, objections: Iterable[Objection]) -> Iterator[Objection]:
    """The same objections, as said of that field."""
    for one in objections:
        yield replace(one, of=field) if isinstance(one, Refused) else one
