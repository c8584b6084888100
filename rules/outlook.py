"""How far is each limit, why not yet, what if: answered by the reminders' own functions on changed facts."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, replace
from datetime import datetime, timedelta, tzinfo
from typing import Any

from rules.care_due import due
from rules.contamination import (
    CLEARS_SINCE_IMMERSION,
    ChainHistory,
    Totals,
    history,
)
from rules.dates_and_numbers import ZoneOf, day, number, utc
from rules.kinds_of_work import WORKS, work
from rules.ledger import Ledger
from rules.limits_in_force import judgements_for
from rules.overlapping_reminders import one_a_chain
from rules.reminder import Reminder, ReminderKind
from rules.rulebook import Rulebook
from rules.vocabulary import (
    Bike,
    BikeId,
    Chain,
    ChainId,
    Condition,
    DecidedBy,
    DriveMethod,
    Reading,
    Regime,
    Ride,
    RideHour,
    RideId,
    RiderId,
    Treatment,
)

RECENT_DAYS = 28  # four whole weeks, so that every weekday counts alike


@dataclass(frozen=True, slots=True)
class Outlook:
    """How far one limit of one chain is, and when it comes at the chain's recent pace."""

    chain: ChainId
    bike: BikeId | None
    rider: RiderId  # who rode it last, else the bike's owner
    kind: ReminderKind
    used: float
    limit: float
    unit: str  # "grit-hours", "drive hours", "immersions"
    unknown_h: float  # drive hours in `used` with no weather behind them
    pace_per_day: float | None  # None: the chain was not ridden lately
    by: datetime | None  # when the limit comes at that pace; `now` if it is reached; None: no pace
    sentence: str

    @property
    def left(self) -> float:
        """What is left to the limit; 0 once it is reached."""
        return max(0.0, self.limit - self.used)

    @property
    def share(self) -> float:
        """Share of the limit that is used; 1 = due."""
        return self.used / self.limit


def outlook(
    ledger: Ledger,
    rulebook: Rulebook,
    *,
    now: datetime,
    days: int = RECENT_DAYS,
    zone_of: ZoneOf = utc,
) -> tuple[Outlook, ...]:
    """How far is each limit of each fitted chain, soonest first?

    days: how far back the recent pace looks; a chain fitted less than that ago is judged by its days on the
    bike, but at least seven.
    """
    found: list[Outlook] = []
    for chain in ledger.chains:
        fitting = ledger.fitting_of(chain.id, now)
        if fitting is None or (chain.retired_at is not None and chain.retired_at <= now):
            continue
        past = history(ledger, chain.id, rulebook).until(now)
        span_days = min(float(days), max(7.0, (now - fitting.fitted_at) / timedelta(days=1)))
        pace = _minus(past.over_life, past.until(now - timedelta(days=span_days)).over_life)
        since = now - timedelta(days=span_days)
        dirt_h = math.fsum(e.exposure.dirt_h for e in past.entries if e.exposure is not None and e.at > since)
        bike = ledger.bike(fitting.bike)
        found.extend(_outlooks(ledger, rulebook, chain, bike, past, pace, dirt_h, span_days, now, zone_of))
    found.sort(key=lambda o: (o.by is None, o.by or now, -o.share, o.chain, o.kind))
    return tuple(found)


def _outlooks(
    ledger: Ledger,
    rulebook: Rulebook,
    chain: Chain,
    bike: Bike,
    past: ChainHistory,
    recent: Totals,
    recent_dirt_h: float,  # what is ridden on a used-up film counts more towards an immersion
    span_days: float,
    now: datetime,
    zone_of: ZoneOf,
) -> list[Outlook]:
    judgements = judgements_for(ledger, rulebook, chain, now)
    rider = judgements.rider or ledger.rider(bike.owner)
    zone = zone_of(rider.time_zone)
    since_reading, baths = _since_reading(past)
    rows = (
        (
            ReminderKind.DRIP,
            WORKS[ReminderKind.DRIP, chain.regime].limit,
            past.since_drip.grit_h,
            recent.grit_h,
            past.since_drip,
        ),
        (
            ReminderKind.IMMERSION,
            WORKS[ReminderKind.IMMERSION, chain.regime].limit,
            past.since_immersion.grit_h,
            recent_dirt_h,
            past.since_immersion,
        ),
        (ReminderKind.INSPECTION, "inspection", since_reading.drive_h, recent.drive_h, since_reading),
        (ReminderKind.INSPECTION, "inspection_immersions", float(baths), 0.0, since_reading),
    )
    found = []
    for kind, key, used, ridden, totals in rows:
        limit = judgements.limit(key)
        pace = ridden / span_days if ridden > 0.0 else None
        by = _reached(used, limit.value, pace, now)
        sentence = _sentence(chain, bike, kind, used, limit.value, limit.unit, pace, by, zone)
        found.append(
            Outlook(
                chain=chain.id,
                bike=bike.id,
                rider=rider.id,
                kind=kind,
                used=used,
                limit=limit.value,
                unit=limit.unit,
                unknown_h=totals.unknown_h,
                pace_per_day=pace,
                by=by,
                sentence=sentence,
            )
        )
    return found


def _reached(used: float, limit: float, pace: float | None, now: datetime) -> datetime | None:
    if used >= limit:
        return now
    if pace is None:
        return None
    left_days = (limit - used) / pace
    return None if left_days > 3660.0 else now + timedelta(days=left_days)


def need_of(kind: ReminderKind, regime: Regime) -> str:
    """What a limit runs towards: 'a drip', 'a wear reading'."""
    hands = work(kind, regime)
    return "a wear reading" if hands is None else hands.need


def _sentence(
    chain: Chain,
    bike: Bike,
    kind: ReminderKind,
    used: float,
    limit: float,
    unit: str,
    pace: float | None,
    by: datetime | None,
    zone: tzinfo,
) -> str:
    need = need_of(kind, chain.regime)
    head = f"{chain.name} on {bike.name}: {number(used)} of {number(limit)} {unit} to {need}"
    if used >= limit:
        return f"{head}; due now."
    if by is None:
        why = "" if unit == "immersions" else "; not ridden enough lately to say when"
        return f"{head}{why}."
    weekly = number((pace or 0.0) * 7.0)
    return f"{head}; at its recent {weekly} a week that is about {day(by, zone)}."


def _since_reading(past: ChainHistory) -> tuple[Totals, int]:
    totals, baths = Totals(), 0
    for entry in reversed(past.entries):
        if isinstance(entry.fact, Reading):
            break
        if entry.exposure is not None:
            totals = totals.plus(entry.exposure)
        elif isinstance(entry.fact, Treatment) and entry.fact.kind in CLEARS_SINCE_IMMERSION:
            baths += 1
    return totals, baths


def _minus(later: Totals, earlier: Totals) -> Totals:
    return Totals(
        later.grit_h - earlier.grit_h, later.drive_h - earlier.drive_h, later.unknown_h - earlier.unknown_h
    )


def why_not_yet(
    ledger: Ledger, rulebook: Rulebook, chain: ChainId, *, now: datetime, zone_of: ZoneOf = utc
) -> tuple[str, ...]:
    """Why is nothing asked for on this chain? One sentence per limit that is not reached."""
    name = ledger.chain(chain).name
    retired_at = ledger.chain(chain).retired_at
    if retired_at is not None and retired_at <= now:
        return (f"{name} is retired.",)
    if ledger.fitting_of(chain, now) is None:
        return (f"{name} is on no bike now, so no riding limit counts.",)
    return tuple(
        row.sentence
        for row in outlook(ledger, rulebook, now=now, zone_of=zone_of)
        if row.chain == chain and row.used < row.limit
    )


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
