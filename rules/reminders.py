"""What hands are wanted for now, per chain, and why.

Each judge looks at one chain and says a reminder or nothing. A reminder of riding (wipe and drip, drip,
re-immersion, inspection) needs a chain on a bike; a wet chain is asked about even if it was taken off since.
"""

from __future__ import annotations

from collections.abc import Callable, Collection, Mapping, Sequence
from dataclasses import replace
from datetime import date, datetime, timedelta, tzinfo
from typing import NamedTuple

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
from rules.ride_name import beside_its_date
from rules.rulebook import Rulebook
from rules.salted_road import RINSE, RINSE_FROM, came_home_salted, home_of, salted_days
from rules.units import rain
from rules.vocabulary import ChainId, Condition, Ride, Treatment, TreatmentKind
from rules.wear_due import inspection_due, worn_out
from rules.wording import ZoneOf, clock, day, number, utc
from rules.work import WORKS, Work

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


def _after_a_wet_day(case: Case) -> Reminder | None:
    """Wipe and drip: once a wet spell, from its first wet day, until a treatment after its latest wet ride.

    A spell goes on while its wet days lie no further apart than it lasts; a drip holds as long in the wet.
    Salt that asked for a rinse before it was wet has asked: it is the same reminder, which now says more.
    """
    spell = _wet_spell(case)
    if not spell:
        return came_home_salted(case)
    latest = spell[-1]
    asked = min((spell[0].home, *map(home_of, salted_days(case)[:1])), key=lambda ride: ride.ended_at)
    lines: list[Reason] = []
    wet_h = drive_h = unknown_h = 0.0
    for entry, ridden, hour in latest.hours:
        wet_h += hour.drive_h if hour.condition in WET else 0.0
        drive_h += hour.drive_h
        unknown_h += 0.0 if hour.known else hour.drive_h
        line = hour_line(entry.at, ridden, hour, wet_h, case.ledger, case.zone, weighted=False)
        lines.append(line if hour.condition in WET else replace(line, drive_h=0.0))
    hands = WORKS[ReminderKind.WIPE_AND_DRIP, case.chain.regime]
    home = f"{clock(latest.home.ended_at, case.zone)} on {day(latest.home.ended_at, case.zone)}"
    dried_at = latest.home.ended_at + timedelta(hours=case.limit("wet_ride_overdue").value)
    dry_again = case.now >= dried_at
    return Reminder(
        key=key_of(ReminderKind.WIPE_AND_DRIP, case, f"ride {asked.id}"),
        kind=ReminderKind.WIPE_AND_DRIP,
        chain=case.chain.id,
        rider=latest.home.rider,
        bike=latest.home.bike,
        cause_at=latest.home.ended_at,
        headline=f"{hands.verb} {case.name}",
        sentence=f"{case.chain.name} came home wet at {home} ({beside_its_date(latest.home)}): "
        f"{_most_rain(latest.hours, case.zone)}{number(wet_h)} of {number(drive_h)} drive hours of the day "
        "were wet; "
        f"the limit is {number(case.limit('wet_ride').value)} a day.{_salt(latest.hours)}"
        f"{_afterwards(case, hands, dry_again)}",
        total=wet_h,
        limit=case.limit("wet_ride").value,
        unit="drive hours",
        unknown_h=unknown_h,
        reasons=tuple(lines),
        rulebook_version=case.rulebook.version,
        urgency=0 if dry_again else 1,
    )


def _afterwards(case: Case, hands: Work, dry_again: bool) -> str:
    """What else there is to know: that it has dried by now, or how the rest of a spell goes."""
    film = case.limit(WORKS[ReminderKind.DRIP, case.chain.regime].limit)
    if dry_again:
        due_at = f"{number(film.value)} grit-hours"
        return f" It has dried by now: skip it; {hands.need} is due at {due_at}, as usual."
    days = number(case.limit("wet_ride_expires").value)
    long = f"{days} {'day' if days == '1' else 'days'}"
    return f" While the wet lasts, wipe it dry each evening; {hands.need} holds {long}."


LONGEST_SPELL = timedelta(days=45)  # what was wet longer ago asks for nothing
_Hours = list[tuple[Entry, RiddenHour, Exposure]]


def _most_rain(hours: _Hours, zone: tzinfo) -> str:
    """'4.1 mm of rain fell in the hour from 17:00; ', the plainest why; nothing where none fell."""
    most_mm, words = 0.0, ""
    for _, ridden, _ in hours:
        tag = ridden.hour.tag
        if tag is None or tag.rain_mm is None or ridden.ride.word is not None:
            continue
        if tag.rain_mm - tag.snow_mm > most_mm:
            most_mm = tag.rain_mm - tag.snow_mm
            words = f"{rain(most_mm)} of rain fell in the hour from {clock(ridden.hour.hour_start, zone)}; "
    return words


def _salt(hours: _Hours) -> str:
    """What road salt asks for on the same day; nothing where little or none was likely."""
    if not any(hour.salt >= RINSE_FROM for _, _, hour in hours):
        return ""
    return f" There was likely road salt in the water (inferred from weather): {RINSE}"


class _WetDay(NamedTuple):
    """A local day with enough wet drive hours on one chain."""

    home: Ride  # its last wet ride
    hours: _Hours


def _wet_spell(case: Case) -> list[_WetDay]:
    """The wet days that still ask for hands, in order; none once they were answered or have long dried."""
    limit, lasts = case.limit("wet_ride").value, timedelta(days=case.limit("wet_ride_expires").value)
    by_day: dict[date, _Hours] = {}
    for entry in case.past.entries:
        if entry.at < case.now - LONGEST_SPELL:
            continue
        if isinstance(entry.fact, RiddenHour) and entry.exposure is not None:
            local = entry.at.astimezone(case.zone).date()
            by_day.setdefault(local, []).append((entry, entry.fact, entry.exposure))
    treated = [
        entry.at
        for entry in case.past.entries
        if isinstance(entry.fact, Treatment) and entry.fact.kind in CLEARS_SINCE_DRIP
    ]
    spell: list[_WetDay] = []
    for hours in by_day.values():
        wet = [one for one in hours if one[2].condition in WET]
        if not wet or sum(hour.drive_h for _, _, hour in wet) < limit - HAIR:
            continue
        home = wet[-1][1].ride
        answered_at = _answered(spell, treated, home.ended_at)
        if answered_at is not None and home.ended_at - answered_at < lasts:
            continue  # of a spell that had its drip: the film is fresh
        if answered_at is not None or (spell and home.ended_at - spell[-1].home.ended_at > lasts):
            spell = []
        spell.append(_WetDay(home, hours))
    if _answered(spell, treated, case.now) is not None:
        return []
    return spell if spell and spell[-1].home.ended_at + lasts > case.now else []


def _answered(spell: Sequence[_WetDay], treated: Sequence[datetime], until: datetime) -> datetime | None:
    """When was this spell answered by a treatment, after its latest wet ride? None = not yet."""
    if not spell:
        return None
    return min((at for at in treated if spell[-1].home.ended_at <= at <= until), default=None)


def _film_worn(case: Case) -> Reminder | None:
    """Drip (or oil): grit-hours since the film was last renewed."""
    return _grit_hours_due(
        case,
        ReminderKind.DRIP,
        CLEARS_SINCE_DRIP,
        lambda entry: entry.since_drip,
        dirt=False,
    )


def _cleaning_due(case: Case) -> Reminder | None:
    """Re-immersion (or cleaning): grit-hours since the chain was last cleaned."""
    return _grit_hours_due(
        case,
        ReminderKind.IMMERSION,
        CLEARS_SINCE_IMMERSION,
        lambda entry: entry.since_immersion,
        dirt=True,
    )


def _grit_hours_due(
    case: Case,
    kind: ReminderKind,
    clears: frozenset[TreatmentKind],
    running: Callable[[Entry], Totals],
    *,
    dirt: bool,
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
    lines = span_lines(
        span,
        lambda hour: hour.dirt_h if dirt else hour.grit_h,
        case.ledger,
        case.zone,
        weighted=True,
        dirt=dirt,
    )
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
    _after_a_wet_day,
    _cleaning_due,
    _film_worn,
    inspection_due,
)
