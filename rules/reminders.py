"""What hands are wanted for now, per chain, and why.

Each judge looks at one chain and says a reminder or nothing. A reminder of riding (wipe and drip, drip,
re-immersion, inspection) needs a chain on a bike; a wet chain is asked about even if it was taken off since.
"""

from __future__ import annotations

from collections.abc import Callable, Collection, Mapping, Sequence
from dataclasses import replace
from datetime import datetime, timedelta, tzinfo

from rules.cautions import caution
from rules.chain_case import HAIR, Case, case_of, happened_by, key_of
from rules.contamination import (
    CLEARS_SINCE_DRIP,
    CLEARS_SINCE_IMMERSION,
    Entry,
    Exposure,
    Totals,
)
from rules.ledger import Ledger, RiddenHour
from rules.reasons import TREATMENT_NOUN, hour_line, origin_line, since, span_lines
from rules.reconcile import Change, reconcile
from rules.reminder import Reason, Reminder, ReminderKind
from rules.rulebook import Rulebook
from rules.vocabulary import ChainId, Condition, Ride, RideId, Treatment, TreatmentKind
from rules.wear_due import inspection_due, worn_out
from rules.wording import ZoneOf, clock, day, number, utc
from rules.work import WORKS

__all__ = ["KIND_ORDER", "Change", "caution", "due", "reconcile"]

KIND_ORDER = (
    ReminderKind.REPLACEMENT,
    ReminderKind.WIPE_AND_DRIP,
    ReminderKind.IMMERSION,
    ReminderKind.DRIP,
    ReminderKind.INSPECTION,
)
WET = frozenset({Condition.WET, Condition.MUDDY})


def due(
    ledger: Ledger,
    rulebook: Rulebook,
    *,
    now: datetime,
    zone_of: ZoneOf = utc,
    worn_chance: Mapping[ChainId, float] | None = None,
    only: Collection[ChainId] | None = None,
) -> tuple[Reminder, ...]:
    """What is due now, most urgent first?

    now: aware UTC. Facts dated later than this have not happened yet.
    zone_of: turns a rider's zone name into its rules, for dates and times in sentences.
    worn_chance: probability, by chain, that it is over its wear limit now, from rules.wear. It can ask for a
    reading; it never says to replace.
    only: judge these chains; None = all.
    """
    found: list[Reminder] = []
    for chain in ledger.chains if ledger.riders else ():
        if only is not None and chain.id not in only:
            continue
        if chain.retired_at is not None and chain.retired_at <= now:
            continue
        case = case_of(ledger, rulebook, chain, now, zone_of, (worn_chance or {}).get(chain.id, 0.0))
        if case is not None:
            found.extend(reminder for judge in JUDGES if (reminder := judge(case)) is not None)
    found.sort(key=lambda r: (-r.urgency, KIND_ORDER.index(r.kind), r.cause_at, r.key))
    return tuple(found)


def _after_a_wet_ride(case: Case) -> Reminder | None:
    """Wipe and drip: the latest wet ride, until a treatment after its end, or until a week has gone by."""
    ride, hours = _latest_wet_ride(case)
    if ride is None or ride.ended_at + timedelta(days=case.limit("wet_ride_expires").value) <= case.now:
        return None
    answered = (
        entry.at >= ride.ended_at and entry.fact.kind in CLEARS_SINCE_DRIP
        for entry in case.past.entries
        if isinstance(entry.fact, Treatment)
    )
    if any(answered):
        return None
    lines: list[Reason] = []
    wet_h = drive_h = unknown_h = 0.0
    for entry, ridden, hour in hours:
        wet_h += hour.drive_h if hour.condition in WET else 0.0
        drive_h += hour.drive_h
        unknown_h += 0.0 if hour.known else hour.drive_h
        line = hour_line(entry.at, ridden, hour, wet_h, case.ledger, case.zone, weighted=False)
        lines.append(line if hour.condition in WET else replace(line, drive_h=0.0))
    overdue_at = ride.ended_at + timedelta(hours=case.limit("wet_ride_overdue").value)
    hands = WORKS[ReminderKind.WIPE_AND_DRIP, case.chain.regime]
    home = f"{clock(ride.ended_at, case.zone)} on {day(ride.ended_at, case.zone)}"
    return Reminder(
        key=key_of(ReminderKind.WIPE_AND_DRIP, case, f"ride {ride.id}"),
        kind=ReminderKind.WIPE_AND_DRIP,
        chain=case.chain.id,
        rider=ride.rider,
        bike=ride.bike,
        cause_at=ride.ended_at,
        headline=f"{hands.verb} {case.name}",
        sentence=f"{case.chain.name} came home wet at {home} ({ride.title}): "
        f"{number(wet_h)} of {number(drive_h)} drive hours were wet{_most_rain(hours, case.zone)}; "
        f"the limit is {number(case.limit('wet_ride').value)}.{_salt(hours)}",
        total=wet_h,
        limit=case.limit("wet_ride").value,
        unit="drive hours",
        unknown_h=unknown_h,
        reasons=tuple(lines),
        rulebook_version=case.rulebook.version,
        urgency=2 if case.now >= overdue_at else 1,
    )


RINSE_FROM = 0.3  # of the salt weight; labelled assumption
_Hours = list[tuple[Entry, RiddenHour, Exposure]]


def _most_rain(hours: _Hours, zone: tzinfo) -> str:
    """', 4.1 mm of rain fell in the hour from 17:00'; nothing where none fell or the rider's word rules."""
    most_mm, words = 0.0, ""
    for _, ridden, _ in hours:
        tag = ridden.hour.tag
        if tag is None or tag.rain_mm is None or ridden.ride.word is not None:
            continue
        if tag.rain_mm - tag.snow_mm > most_mm:
            most_mm = tag.rain_mm - tag.snow_mm
            words = (
                f", {number(most_mm)} mm of rain fell in the hour from {clock(ridden.hour.hour_start, zone)}"
            )
    return words


def _salt(hours: _Hours) -> str:
    """What road salt asks for on the same day; nothing where little or none was likely."""
    if not any(hour.salt >= RINSE_FROM for _, _, hour in hours):
        return ""
    return (
        " There was likely road salt in the water (inferred from weather): rinse and dry the chain the "
        "same day, for salt rusts it overnight in the shed."
    )


def _latest_wet_ride(case: Case) -> tuple[Ride | None, _Hours]:
    """The last ride that is over and had enough wet drive hours, with its hours in order."""
    limit = case.limit("wet_ride").value
    oldest = case.now - timedelta(days=case.limit("wet_ride_expires").value + 2.0)
    by_ride: dict[RideId, _Hours] = {}
    for entry in reversed(case.past.entries):
        if entry.at < oldest:
            break
        if isinstance(entry.fact, RiddenHour) and entry.exposure is not None:
            by_ride.setdefault(entry.fact.ride.id, []).insert(0, (entry, entry.fact, entry.exposure))
    for hours in by_ride.values():
        ride = hours[0][1].ride
        wet_h = sum(hour.drive_h for _, _, hour in hours if hour.condition in WET)
        if ride.ended_at <= case.now and wet_h >= limit - HAIR:
            return ride, hours
    return None, []


def _film_worn(case: Case) -> Reminder | None:
    """Drip (or oil): grit-hours since the film was last renewed."""
    return _grit_hours_due(
        case,
        ReminderKind.DRIP,
        CLEARS_SINCE_DRIP,
        lambda entry: entry.since_drip,
    )


def _cleaning_due(case: Case) -> Reminder | None:
    """Re-immersion (or cleaning): grit-hours since the chain was last cleaned."""
    return _grit_hours_due(
        case,
        ReminderKind.IMMERSION,
        CLEARS_SINCE_IMMERSION,
        lambda entry: entry.since_immersion,
    )


def _grit_hours_due(
    case: Case,
    kind: ReminderKind,
    clears: frozenset[TreatmentKind],
    running: Callable[[Entry], Totals],
) -> Reminder | None:
    hands = WORKS[kind, case.chain.regime]
    limit = case.limit(hands.limit)
    total = running(case.past.entries[-1])
    if case.bike is None or total.grit_h < limit.value - HAIR:
        return None
    origin, span = since(case.past.entries, clears)
    crossing = next(entry for entry in span if running(entry).grit_h >= limit.value - HAIR)
    if origin is None:
        start = f"and no {hands.noun} was ever noted"
    else:
        start = f"since the {TREATMENT_NOUN[origin.kind]} of {day(origin.done_at, case.zone)}"
    lines = span_lines(span, lambda hour: hour.grit_h, case.ledger, case.zone, weighted=True)
    return Reminder(
        key=key_of(kind, case, "start" if origin is None else f"treatment {origin.id}"),
        kind=kind,
        chain=case.chain.id,
        rider=case.rider.id,
        bike=case.bike.id,
        cause_at=happened_by(crossing),
        headline=f"{hands.verb} {case.name}",
        sentence=f"{case.chain.name} has {number(total.grit_h)} grit-hours {start}; "
        f"the limit is {number(limit.value)}.",
        total=total.grit_h,
        limit=limit.value,
        unit="grit-hours",
        unknown_h=total.unknown_h,
        reasons=(origin_line(span, origin, case.ledger, case.zone), *lines),
        rulebook_version=case.rulebook.version,
        urgency=case.urgency(total.grit_h, limit.value),
    )


JUDGES: Sequence[Callable[[Case], Reminder | None]] = (
    worn_out,
    _after_a_wet_ride,
    _cleaning_due,
    _film_worn,
    inspection_due,
)
