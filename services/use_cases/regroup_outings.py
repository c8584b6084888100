"""Once after an upgrade that tells outings apart better: rides that stand twice in the ledger count once."""

from __future__ import annotations

from collections import deque
from collections.abc import Iterable
from datetime import datetime

from ingest.ride.counted_recordings import CLOCK_ERRORS, WAY_OF_GROUPING, by_a_wrong_clock
from ingest.ride.same_ride import same_outing
from rules.dates_and_numbers import listed, number
from rules.vocabulary import RideId
from services.app import App
from services.store import Transaction
from services.store.bookkeeping import OUTINGS_BY
from services.store.same_outings import Recorded
from services.use_cases.queue_letters import announce
from services.use_cases.second_recordings import KnownOutings

SUBJECT = "Rides that stood twice"
MOST_NAMED = 8
NEIGHBOURS = 9  # rides before one that it is held against


def outings_anew(app: App, *, now: datetime) -> tuple[str, ...]:
    """Look at every ride once more; what was found is said here, and told to its rider in one letter."""
    with app.store.reading() as tx:
        if tx.notes.get(OUTINGS_BY) == WAY_OF_GROUPING:
            return ()
        riders = tx.equipment.riders()
        twice = {rider: _twice(tx.rides.recorded(rider.id)) for rider in riders}
    said = []
    with app.store.writing() as tx:
        for rider, suspects in twice.items():
            if moved := _counted_once(tx, suspects, now):
                said.append(f"{rider.name}: {moved}" if len(riders) > 1 else moved)
                announce(tx, app, rider, SUBJECT, moved, f"outings {WAY_OF_GROUPING}", now)
        tx.notes.put(OUTINGS_BY, WAY_OF_GROUPING, at=now)
    return tuple(said)


def _twice(rides: Iterable[Recorded]) -> list[RideId]:
    """Which of a rider's rides, in the order of time, seem to be one outing with an earlier one."""
    found: list[RideId] = []
    before: deque[Recorded] = deque(maxlen=NEIGHBOURS)
    for mine in rides:
        near = (one for one in before if mine.started_at < one.ended_at + CLOCK_ERRORS[-1])
        if any(
            same_outing(theirs, mine, same_rider=True).same or by_a_wrong_clock([theirs], mine) is not None
            for theirs in near
        ):
            found.append(mine.id)
        before.append(mine)
    return found


def _counted_once(tx: Transaction, suspects: Iterable[RideId], now: datetime) -> str:
    """Put together what is one outing; what moved, before and after, in two sentences. Empty = nothing."""
    before: dict[RideId, float] = {}
    for ride in suspects:
        if tx.rides.is_second(ride):
            continue
        here = KnownOutings(tx, [tx.rides.outing(ride)], now)
        hours = {one.id: tx.rides.outing(one.id).drive_s / 3600 for one in here.spans}
        before |= {one: hours[one] for one in here.again(ride) if one not in before}
    if not before:
        return ""
    after = {one: tx.rides.outing(one).drive_s / 3600 for one in before if not tx.rides.is_second(one)}
    gone = sorted(set(before) - set(after))
    names = listed([str(one) for one in gone[:MOST_NAMED]])
    more = f" and {len(gone) - MOST_NAMED} more" if len(gone) > MOST_NAMED else ""
    which = f"Ride {names} is" if len(gone) == 1 else f"Rides {names}{more} are"
    return (
        f"{which} a second recording of an outing that was counted beside it: {number(sum(before.values()))} "
        f"drive hours there before, {number(sum(after.values()))} now. 'gritledger rides NUMBER' says why; "
        "'gritledger correct NUMBER --two-rides' says that there were two."
    )
