"""A household's first hour: the bikes its files show, the chains on them, and how far it has come.

Each answer is what a person could have said elsewhere as well, kept by the same gate; several that belong
together are kept in one transaction, and undoing the first undoes the others.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from enum import StrEnum

from ingest.bikes.ride_clues import RideClues
from ingest.bikes.unnamed_bikes import FoundBike, found_bikes
from rules.commands import AddBike, AddChain, AddRider, FitChain, LogTreatment, PutRidesOn
from rules.vocabulary import BikeId, ChainId, DecidedBy, Regime, RideId, TreatmentKind
from services.app import App
from services.store import FactRefused, Transaction
from services.store.bookkeeping import FIRST_HOUR_OVER
from services.use_cases.record_change import Done, recorded


class Waxed(StrEnum):
    """Roughly when a chain was last waxed, or cleaned and oiled, as people know it."""

    THIS_WEEK = "this week"
    TWO_WEEKS = "two weeks ago"
    A_MONTH = "a month ago"
    LONGER = "two or three months ago"
    NO_IDEA = "no idea"


class Kept(StrEnum):
    """What a chain is kept with."""

    IMMERSED = "hot-melt wax"
    DRIPPED = "drip wax"
    OILED = "wet lube"


ROUGHLY = {
    Waxed.THIS_WEEK: timedelta(days=3),
    Waxed.TWO_WEEKS: timedelta(days=14),
    Waxed.A_MONTH: timedelta(days=30),
    Waxed.LONGER: timedelta(days=75),
}
_CARE = {
    Kept.IMMERSED: TreatmentKind.IMMERSION,
    Kept.DRIPPED: TreatmentKind.DRIP,
    Kept.OILED: TreatmentKind.CLEAN,
}


@dataclass(frozen=True, slots=True)
class Group:
    """Rides that the files show to be one bike's, and that nobody has named yet."""

    rides: tuple[RideId, ...]
    found: FoundBike


def open_groups(tx: Transaction) -> tuple[Group, ...]:
    """The groups of which no rider has said anything, nor where a sensor of theirs sits; most rides first."""
    kept = [one for one in tx.rides.judged_rides() if one.clues]
    groups = found_bikes([RideClues.from_json(one.clues) for one in kept])
    entered = {one.identity for one in tx.equipment.sensors()}
    return tuple(
        Group(tuple(kept[place].id for place in one.rides), one)
        for one in groups
        if not any(kept[place].decided_by is DecidedBy.RIDER for place in one.rides)
        and not any(identity in entered for _, identity in one.sensors)
    )


def add_riders(app: App, riders: Sequence[AddRider], *, now: datetime) -> tuple[Done, ...]:
    """Who rides: all of them, or none. Raises FactRefused."""
    with app.store.writing() as tx:
        return tuple(recorded(tx, app, one, now=now) for one in riders)


def name_group(app: App, rides: Sequence[RideId], bike: AddBike | BikeId | None, *, now: datetime) -> Done:
    """All these rides were on that bike: a new one, one that is known, or None of ours. Raises FactRefused.

    Returns what undoes all of it. Refused when somebody has spoken of one of them meanwhile.
    """
    with app.store.writing() as tx:
        asked = {ride for group in open_groups(tx) for ride in group.rides}
        if not rides or not set(rides) <= asked:
            raise FactRefused("Something was said of these rides meanwhile, or more came; look again.")
        made = None
        if isinstance(bike, AddBike):
            made = recorded(tx, app, bike, now=now)
            bike = BikeId(made.made)
        said = PutRidesOn(tuple((ride, bike) for ride in rides))
        put = recorded(tx, app, said, now=now)
        if made is None:
            return put
        return Done(made.number, (*made.sentences, *put.sentences), made.made)


def note_chain(
    app: App,
    bike: BikeId,
    name: str,
    kept: Kept,
    waxed: Waxed,
    *,
    speeds: int | None = None,
    now: datetime,
) -> Done:
    """What chain is on a bike, and roughly since when it is fresh. Raises FactRefused.

    A rough date is the chain's and its care's alike: what it did before is not known, and is not counted.
    Without any idea it counts from now.
    """
    at = now - ROUGHLY.get(waxed, timedelta(0))
    regime = Regime.WET_LUBE if kept is Kept.OILED else Regime.WAXED
    with app.store.writing() as tx:
        made = recorded(tx, app, AddChain(name, regime, speeds), now=now)
        chain = ChainId(made.made)
        steps = [recorded(tx, app, FitChain(chain, bike, at), now=now)]
        if waxed is not Waxed.NO_IDEA:
            care = LogTreatment(chain, _CARE[kept], at, note=f"roughly: {waxed}")
            steps.append(recorded(tx, app, care, now=now))
    return Done(made.number, tuple(s for one in (made, *steps) for s in one.sentences), made.made)


def end_first_hour(app: App, *, now: datetime) -> None:
    """The way in is not offered on the first page any more; every step stays where it is."""
    with app.store.writing() as tx:
        tx.notes.put(FIRST_HOUR_OVER, True, at=now)
