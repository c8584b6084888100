"""What if a fact or a limit were another? The difference it makes to chains and to what is due."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from datetime import datetime, timedelta
from typing import Any

from rules.care_due import due
from rules.contamination import Totals, history
from rules.dates_and_numbers import ZoneOf, number, utc
from rules.ledger import Ledger
from rules.overlapping_reminders import one_a_chain
from rules.reminder import Reminder
from rules.rulebook import Rulebook
from rules.vocabulary import BikeId, ChainId, Condition, DecidedBy, DriveMethod, Ride, RideHour, RideId


@dataclass(frozen=True, slots=True)
class Moved:
    """How much a chain's totals differ between two ledgers."""

    chain: ChainId
    before: Totals  # over life
    after: Totals

    @property
    def grit_h(self) -> float:
        """Grit-hours gained (negative: lost)."""
        return self.after.grit_h - self.before.grit_h

    @property
    def drive_h(self) -> float:
        """Drive hours gained (negative: lost)."""
        return self.after.drive_h - self.before.drive_h


@dataclass(frozen=True, slots=True)
class Difference:
    """What a changed fact changes."""

    moved: tuple[Moved, ...]  # chains whose totals differ
    withdrawn: tuple[Reminder, ...]  # due before, not due after
    raised: tuple[Reminder, ...]  # due after, not due before
    changed: tuple[tuple[Reminder, Reminder], ...]  # due in both, with another total or urgency
    sentences: tuple[str, ...]


def difference(
    before: Ledger,
    after: Ledger,
    rulebook: Rulebook,
    *,
    now: datetime,
    rulebook_after: Rulebook | None = None,
    zone_of: ZoneOf = utc,
) -> Difference:
    """What changes if the ledger becomes another one (or the rulebook does)?"""
    book_after = rulebook_after or rulebook
    chains = {chain.id: chain.name for ledger in (before, after) for chain in ledger.chains}
    # everything else about the household the same, only the chains that something happened to can differ
    same_house = (before.riders, before.bikes) == (after.riders, after.bikes) and book_after is rulebook
    touched = [chain for chain in chains if not (same_house and before.same_for(chain, after))]
    moved = []
    for chain in touched:
        totals_before = history(before, chain, rulebook).until(now).over_life
        totals_after = history(after, chain, book_after).until(now).over_life
        gap = max(abs(a - b) for a, b in zip(totals_before, totals_after, strict=True))
        if gap > 1e-9:
            moved.append(Moved(chain, totals_before, totals_after))
    all_before = due(before, rulebook, now=now, zone_of=zone_of, only=touched)
    all_after = due(after, book_after, now=now, zone_of=zone_of, only=touched)
    due_before = {reminder.key: reminder for reminder in one_a_chain(all_before, ())}
    due_after = {reminder.key: reminder for reminder in one_a_chain(all_after, ())}
    withdrawn = tuple(reminder for key, reminder in due_before.items() if key not in due_after)
    raised = tuple(reminder for key, reminder in due_after.items() if key not in due_before)
    changed = tuple(
        (due_before[key], reminder)
        for key, reminder in due_after.items()
        if key in due_before
        and (due_before[key].total, due_before[key].urgency) != (reminder.total, reminder.urgency)
    )
    sentences = [
        f"{chains[row.chain]}: {row.grit_h:+.1f} grit-hours, {row.drive_h:+.1f} drive hours." for row in moved
    ]
    sentences.extend(f"Withdrawn: {reminder.headline}." for reminder in withdrawn)
    sentences.extend(f"Raised: {reminder.headline}. {reminder.sentence}" for reminder in raised)
    sentences.extend(
        f"{new.headline}: {number(old.total)} becomes {number(new.total)} {new.unit}."
        for old, new in changed
        if number(old.total) != number(new.total)
    )
    return Difference(tuple(moved), withdrawn, raised, changed, tuple(sentences))


def what_if_limit(
    ledger: Ledger, rulebook: Rulebook, key: str, value: float, *, now: datetime, zone_of: ZoneOf = utc
) -> Difference:
    """What if this number of the rulebook were another? key as in the rulebook, e.g. "limit.drip"."""
    changed = rulebook.with_value(key, value)
    return difference(ledger, ledger, rulebook, now=now, rulebook_after=changed, zone_of=zone_of)


def with_ride_on(ledger: Ledger, ride: RideId, bike: BikeId | None) -> Ledger:
    """The ledger, had this ride been on another bike (None: on none of ours)."""
    return with_rides_on(ledger, {ride: bike})


def with_rides_on(ledger: Ledger, bikes: Mapping[RideId, BikeId | None]) -> Ledger:
    """The ledger, had each of these rides been on that bike (None: on none of ours)."""
    return _with_rides(
        ledger, {ride: {"bike": bike, "decided_by": DecidedBy.RIDER} for ride, bike in bikes.items()}
    )


def with_condition(ledger: Ledger, ride: RideId, word: Condition | None) -> Ledger:
    """The ledger, had the rider said this word on the ride (None: had not said any)."""
    return _with_rides(ledger, {ride: {"word": word}})


def _with_rides(ledger: Ledger, changes: Mapping[RideId, Mapping[str, Any]]) -> Ledger:
    return replace(ledger, rides=tuple(replace(one, **changes.get(one.id, {})) for one in ledger.rides))


def with_imagined_ride(
    ledger: Ledger, bike: BikeId, *, start: datetime, drive_h: float, word: Condition
) -> Ledger:
    """The ledger with a ride that has not happened: 'rain tomorrow' is drive_h hours with the word wet."""
    hours = []
    left_s, at = drive_h * 3600.0, start
    while left_s > 0.0:
        hour_start = at.replace(minute=0, second=0, microsecond=0)
        next_hour = hour_start + timedelta(hours=1)
        drive_s = min(left_s, (next_hour - at).total_seconds())
        hours.append(RideHour(hour_start, drive_s, 0.0, drive_s, None, None, None, 0.0))
        left_s, at = left_s - drive_s, next_hour
    ride = Ride(
        id=RideId(max((ride.id for ride in ledger.rides), default=0) + 1),
        rider=ledger.bike(bike).owner,
        started_at=start,
        ended_at=start + timedelta(hours=drive_h),
        title="An imagined ride",
        bike=bike,
        decided_by=DecidedBy.RIDER,
        drive_s=drive_h * 3600.0,
        drive_low_s=drive_h * 3600.0,
        drive_high_s=drive_h * 3600.0,
        drive_method=DriveMethod.MOVING_SHARE,
        moving_s=drive_h * 3600.0,
        distance_m=0.0,
        climb_m=0.0,
        indoor=False,
        hours=tuple(hours),
        word=word,
    )
    return replace(ledger, rides=(*ledger.rides, ride))
