"""A household for asking whether what is derived chain by chain is what all facts give together."""

from __future__ import annotations

from collections import Counter
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import NamedTuple

from rules.contamination import history
from rules.ledger import Ledger
from rules.outlook import outlook
from rules.vocabulary import BikeId, ChainId, DecidedBy, RideId, RiderId
from services.app import App, zone_of
from services.settings import Settings
from services.store import Transaction
from services.store.bookkeeping import RECKONED
from services.use_cases.update_reminders import anything_to_reckon, not_as_derived_whole, reckon
from services.views.snapshot import Snapshot
from tests.put_into import into
from tests.services.store.household import ride_summary, tag

NOW = datetime(2026, 6, 1, 12, tzinfo=UTC)
CHAINS = ("Amber", "Basalt", "Cobalt")
DAY, HOUR = timedelta(days=1), timedelta(hours=1)


class Household(NamedTuple):
    """Amber is on Plover since sixty days ago, Basalt on Heron; Cobalt lies on the shelf."""

    app: App
    rider: RiderId
    plover: BikeId
    heron: BikeId
    amber: ChainId
    basalt: ChainId
    cobalt: ChainId
    rides: list[RideId]  # one a day on Plover, the last one on no bike

    def at(self, url: str) -> Household:
        """The same in a copy of its database."""
        settings = self.app.settings.model_copy(update={"database": url})
        return self._replace(app=App(settings), rides=list(self.rides))

    def reckon(self, now: datetime = NOW) -> None:
        """As a round does it: only if there may be anything to do."""
        with self.app.store.writing() as tx:
            if anything_to_reckon(tx, self.app, now):
                reckon(tx, self.app, now=now)


def household(url: str, folder: Path, *, rides: int = 9) -> Household:
    """Eight rides on Plover of three hours each: Amber wants a drip."""
    app = App(Settings(home=folder, database=url))
    with app.store.writing() as tx:
        rider = into(tx).add_rider("Ines", time_zone="UTC")
        plover, heron = (into(tx).add_bike(name, rider.id) for name in ("Plover", "Heron"))
        amber, basalt, cobalt = (into(tx).add_chain(name, speeds=12) for name in CHAINS)
        into(tx).fit_chain(amber.id, plover.id, NOW - 60 * DAY)
        into(tx).fit_chain(basalt.id, heron.id, NOW - 60 * DAY)
        made = [ridden(tx, rider.id, plover.id, NOW - (rides - n) * DAY) for n in range(rides)]
        tx.rides.record(made[-1], None, decided_by=DecidedBy.RIDER, at=NOW, by="Ines")
    found = Household(app, rider.id, plover.id, heron.id, amber.id, basalt.id, cobalt.id, made)
    found.reckon()
    return found


def unridden(url: str, folder: Path) -> Household:
    """The chains alone; nobody rides yet."""
    app = App(Settings(home=folder, database=url))
    with app.store.writing() as tx:
        amber, basalt, cobalt = (into(tx).add_chain(name, speeds=12).id for name in CHAINS)
    return Household(app, RiderId(0), BikeId(0), BikeId(0), amber, basalt, cobalt, [])


def ridden(
    tx: Transaction, rider: RiderId, bike: BikeId | None, start: datetime, water: float = 0.0
) -> RideId:
    """A ride of three hours, tagged and on a bike."""
    ride = tx.rides.add(ride_summary(start, 3, title=f"Ride of {start:%d %H}"), rider)
    first = start.replace(minute=0, second=0, microsecond=0)
    tx.rides.add_tags(ride, [(first + n * HOUR, tag(water)) for n in range(3)], start)
    tx.rides.record(ride, bike, decided_by=DecidedBy.RIDER, at=start, by="Ines")
    return ride


def differences(app: App, now: datetime) -> tuple[object, ...]:
    """What a fold of all facts would change, and of which chains and rides something else is kept."""
    with app.store.reading() as tx:
        found = not_as_derived_whole(_At(tx, now), app)  # type: ignore[arg-type]
    return (*found.reminders, *found.chains, *found.rides)


def differently_shown(app: App, now: datetime) -> tuple[object, ...]:
    """What pages would show otherwise, read chain by chain, than if they were read from every fact."""
    with app.store.reading() as tx:
        snapshot, ledger = Snapshot.read(tx, app, now), tx.ledger()
        later = Snapshot.read(tx, app, now, app.__dict__.get("shown before"))
    app.__dict__["shown before"] = later
    book = app.rulebook_for(ledger)
    first = {
        bike: min(one.fitted_at for one in ledger.fittings if one.bike == bike) for bike in _worn(ledger)
    }
    bare = Counter(
        one.bike
        for one in ledger.rides
        if ledger.chain_of(one) is None
        and one.bike is not None
        and one.started_at >= first.get(one.bike, one.started_at)
    )
    found: list[object] = [
        one.name
        for one in ledger.chains
        if snapshot.past(one.id, now) != history(ledger, one.id, book).until(now)
        or snapshot.where(one, now) != snapshot.whole.where(one, now)
        or snapshot.wear_limit(one, now) != snapshot.whole.wear_limit(one, now)
    ]
    if later.ledger != snapshot.ledger or any(
        later.past(one.id, now) != snapshot.past(one.id, now) for one in ledger.chains
    ):
        found.append("read again in part")
    if snapshot.outlook(now) != outlook(ledger, book, now=now, zone_of=zone_of):
        found.append("outlook")
    if dict(snapshot.unworn) != {bike: count for bike, count in bare.items() if bike in first}:
        found.append(("without a chain", dict(snapshot.unworn), bare))
    if snapshot.recorded.count != len(ledger.rides):
        found.append("rides")
    return tuple(found)


def _worn(ledger: Ledger) -> set[BikeId]:
    return {one.bike for one in ledger.fittings}


class _At:
    """A transaction in which chains were last derived at a time of our choice."""

    def __init__(self, tx: Transaction, now: datetime) -> None:
        self._tx, self._now = tx, now
        self.notes = self

    def __getattr__(self, name: str) -> object:
        return getattr(self._tx, name)

    def written_at(self, name: str) -> datetime:
        assert name == RECKONED
        return self._now
