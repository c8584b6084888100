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
from rules.chain_case import HAIR, Case, case_of, happened_by
from rules.contamination import (
    CLEARS_SINCE_DRIP,
    CLEARS_SINCE_IMMERSION,
    Entry,
    Exposure,
    Totals,
)
from rules.dates_and_numbers import ZoneOf, clock, day, number, utc
from rules.kinds_of_work import WORKS
from rules.ledger import Ledger, RiddenHour
from rules.reasons import TREATMENT_NOUN, hour_line, origin_line, since, span_lines
from rules.reconcile import Change, reconcile
from rules.reminder import ASKED_AHEAD, HAS_DRIED, WET_HOLDS, Reason, Reminder, ReminderKind
from rules.ride_name import beside_its_date
from rules.rulebook import Rulebook
from rules.salt_due import RINSE, RINSE_FROM, came_home_salted, first_of, rinsed, salted_days
from rules.units import rain
from rules.vocabulary import ChainId, Condition, Regime, Ride, TreatmentKind
from rules.wear_due import inspection_due, worn_out

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
    wet_told: Mapping[ChainId, Collection[datetime]] | None = None,
) -> tuple[Reminder, ...]:
    """What is due now, most urgent first?

    now: aware UTC. Facts dated later than this have not happened yet.
    zone_of: turns a rider's zone name into its rules, for dates and times in sentences.
    worn_chance: probability, by chain, that it is over its wear limit now, from rules.wear. It can ask for a
    reading; it never says to replace.
    only: judge these chains; None = all.
    wet_told: when it was told what to do on wet evenings, by chain, from `asked_for_wet_evenings`; None = not
    known: then a spell that had its drip counts as told.
    """
    found: list[Reminder] = []
    for chain in ledger.chains if ledger.riders else ():
        if only is not None and chain.id not in only:
            continue
        if chain.retired_at is not None and chain.retired_at <= now:
            continue
        chance = (worn_chance or {}).get(chain.id, 0.0)
        told_at = None if wet_told is None else wet_told.get(chain.id, ())
        case = case_of(ledger, rulebook, chain, now, zone_of, chance, told_at)
        if case is not None:
            found.extend(reminder for judge in JUDGES if (reminder := judge(case)) is not None)
    found.sort(key=lambda r: (-r.urgency, KIND_ORDER.index(r.kind), r.cause_at, r.key))
    return tuple(found)


def _after_a_wet_day(case: Case) -> Reminder | None:
    """Wipe and drip: once a wet spell, from its first wet day, until a treatment after its latest wet ride.

    A spell goes on while its wet or salted days lie no further apart than it lasts. After its drip the film's
    own limit asks for the next one, and the wet itself only once the latest drip is a week old, or no message
    of the last days told what to do this evening: the drip may have come for another reason.
    Salt that asked for a rinse before it was wet has asked: it is the same reminder, which now says more.
    """
    spell = _wet_spell(case, _wet_days(case))
    if not any(one.wet for one in spell):
        return came_home_salted(case)
    latest = next(one for one in reversed(spell) if one.wet)
    asked = min((spell[0].first, *map(first_of, salted_days(case)[:1])), key=lambda ride: ride.ended_at)
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
    salted = any(hour.salt >= RINSE_FROM for _, _, hour in latest.hours)
    return case.reminder(
        ReminderKind.WIPE_AND_DRIP,
        f"ride {asked.id}",
        rider=latest.home.rider,
        bike=latest.home.bike,
        cause_at=latest.home.ended_at,
        headline=f"{rinsed(hands.verb) if salted else hands.verb} {case.name}",
        sentence=f"{case.chain.name} came home wet at {home} ({beside_its_date(latest.home)}): "
        f"{_most_rain(latest.hours, case.zone)}{number(wet_h)} of {number(drive_h)} drive hours of the day "
        "were wet; "
        f"the limit is {number(case.limit('wet_ride').value)} a day."
        f"{' ' + RINSE if salted else ''}"
        f"{_afterwards(case, latest.home, salted, dry_again)}",
        total=wet_h,
        limit=case.limit("wet_ride").value,
        unit="drive hours",
        unknown_h=unknown_h,
        reasons=tuple(lines),
        urgency=0 if dry_again else 1,
    )


def _afterwards(case: Case, home: Ride, salted: bool, dry_again: bool) -> str:
    """What else there is to know: that it has dried by now, or how the rest of a spell goes."""
    film = WORKS[ReminderKind.DRIP, case.chain.regime]
    if dry_again:
        limit = case.limit(film.limit).value
        return f"{HAS_DRIED} {film.need} is due at {number(limit)} grit-hours, as usual."
    said = "" if salted else f" Wipe it dry each {ASKED_AHEAD}."
    early = home.ended_at.astimezone(case.zone).hour < EVENING_H
    if early and not salted and case.chain.regime is Regime.WAXED:
        said += " Riding again within hours? Only wipe it."
    return said


EVENING_H = 16  # local; who comes home later rides again the next day, and a drip has the night
LONGEST_SPELL = timedelta(days=45)  # what was wet longer ago asks for nothing
TOLD_AGAIN_AFTER = timedelta(days=7)  # within a spell, since its drip; labelled assumption
TELLING_RAIN_MM = 0.3  # of an hour; with less the road was wet from before
_Hours = list[tuple[Entry, RiddenHour, Exposure]]


def _most_rain(hours: _Hours, zone: tzinfo) -> str:
    """'4.1 mm of rain fell in the hour from 17:00; ', the plainest why; nothing where hardly any fell."""
    most_mm, words = 0.0, ""
    for _, ridden, _ in hours:
        tag = ridden.hour.tag
        if tag is None or tag.rain_mm is None or ridden.ride.word is not None:
            continue
        if tag.rain_mm - tag.snow_mm > max(most_mm, TELLING_RAIN_MM):
            most_mm = tag.rain_mm - tag.snow_mm
            words = f"{rain(most_mm)} of rain fell in the hour from {clock(ridden.hour.hour_start, zone)}; "
    return words


class _WetDay(NamedTuple):
    """A local day with enough wet, or else enough salted, drive hours on one chain."""

    home: Ride  # its last wet, or salted, ride
    first: Ride  # the first that no treatment of the day has answered: it asked for all of them
    hours: _Hours
    wet: bool


def _wet_days(case: Case) -> list[tuple[date, _WetDay]]:
    """The wet and salted days of the longest spell there may be, in order."""
    limit = case.limit("wet_ride").value
    by_day: dict[date, _Hours] = {}
    for entry in case.past.entries:
        if entry.at < case.now - LONGEST_SPELL:
            continue
        if isinstance(entry.fact, RiddenHour) and entry.exposure is not None:
            local = entry.at.astimezone(case.zone).date()
            by_day.setdefault(local, []).append((entry, entry.fact, entry.exposure))
    treated = case.film_renewed_at
    found = []
    for on, hours in by_day.items():
        wet, salted = (
            [one for one in hours if one[2].condition in WET],
            [one for one in hours if one[2].salt >= RINSE_FROM],
        )
        is_wet = sum(hour.drive_h for _, _, hour in wet) >= limit - HAIR
        if not is_wet and sum(hour.drive_h for _, _, hour in salted) < limit - HAIR:
            continue
        rides = [ridden.ride for _, ridden, _ in (wet if is_wet else salted)]
        home = rides[-1]
        lately = max((at for at in treated if at < home.ended_at), default=rides[0].started_at)
        first = next(ride for ride in rides if ride.ended_at > lately)
        found.append((on, _WetDay(home, first, hours, is_wet)))
    return found


def _wet_spell(case: Case, days: Sequence[tuple[date, _WetDay]]) -> list[_WetDay]:
    """The wet and salted days that still ask for hands, in order; none once answered or long dried."""
    lasts = timedelta(days=case.limit("wet_ride_expires").value)
    treated = case.film_renewed_at
    spell: list[_WetDay] = []
    wet_on: date | None = None
    answered = False
    for on, one in days:
        home = one.home
        goes_on = wet_on is not None and on - wet_on <= lasts
        wet_on = on
        answered = goes_on and (answered or _is_answered(spell, treated, home.ended_at))
        if answered or not goes_on:
            spell = []
        renewed = any(home.ended_at - TOLD_AGAIN_AFTER < at <= home.ended_at for at in treated)
        if answered and renewed and _was_told(case, home):
            continue  # of a spell that had its drip: how long that lasts, the film's own limit says
        answered = False
        spell.append(one)
    if _is_answered(spell, treated, case.now):
        return []
    return spell if spell and spell[-1].home.ended_at + lasts > case.now else []


def _was_told(case: Case, home: Ride) -> bool:
    """Whether a message told before what to do on the evening of this ride?"""
    at = home.ended_at
    return case.told_at is None or any(at - WET_HOLDS <= told <= at for told in case.told_at)


def _is_answered(spell: Sequence[_WetDay], treated: Sequence[datetime], until: datetime) -> bool:
    """Whether this spell was answered by a treatment, after its latest wet ride?"""
    return bool(spell) and any(spell[-1].home.ended_at <= at <= until for at in treated)


def _still_wet(case: Case) -> str:
    """What a chain wants beside another job, that came home wet in a spell which had its drip; "" = nothing.

    A wet reminder of its own would ask for a drip that was given days ago; wet it is all the same.
    """
    days = _wet_days(case)
    if not days or not days[-1][1].wet or _wet_spell(case, days):
        return ""
    home = days[-1][1].home
    dried_at = home.ended_at + timedelta(hours=case.limit("wet_ride_overdue").value)
    if case.now >= dried_at or any(at >= home.ended_at for at in case.film_renewed_at):
        return ""
    salted = any(hour.salt >= RINSE_FROM for _, _, hour in days[-1][1].hours)
    return f" It came home wet. {RINSE if salted else f'Wipe it dry each {ASKED_AHEAD}.'}"


def _film_worn(case: Case) -> Reminder | None:
    """Drip (or oil): grit-hours since the film was last renewed."""
    return _grit_hours_due(
        case,
        ReminderKind.DRIP,
        CLEARS_SINCE_DRIP,
        lambda entry: entry.since_drip,
        case.limit(WORKS[ReminderKind.DRIP, case.chain.regime].limit).value,
        dirt=False,
    )


NEARLY = 0.85  # of its limit: from there on an immersion is asked for in a drip's place; labelled assumption


def _cleaning_due(case: Case) -> Reminder | None:
    """Re-immersion (or cleaning): grit-hours since the chain was last cleaned.

    Where the film is used up just before, one evening is asked for instead of two within days.
    """
    kind, limit = ReminderKind.IMMERSION, case.limit(WORKS[ReminderKind.IMMERSION, case.chain.regime].limit)
    due_now = _grit_hours_due(
        case, kind, CLEARS_SINCE_IMMERSION, lambda entry: entry.since_immersion, limit.value, dirt=True
    )
    film = None if due_now else _film_worn(case)
    if film is None:
        return due_now
    early = _grit_hours_due(
        case,
        kind,
        CLEARS_SINCE_IMMERSION,
        lambda entry: entry.since_immersion,
        NEARLY * limit.value,
        dirt=True,
    )
    if early is None:
        return None
    other = WORKS[ReminderKind.DRIP, case.chain.regime].need
    return replace(
        early,
        cause_at=max(early.cause_at, film.cause_at),
        limit=limit.value,
        sentence=f"{early.sentence.partition(';')[0]}, nearly the {number(limit.value)} of its limit, and "
        f"{other} is due: one evening does both.{_still_wet(case)}",
    )


def _grit_hours_due(
    case: Case,
    kind: ReminderKind,
    clears: frozenset[TreatmentKind],
    running: Callable[[Entry], Totals],
    limit: float,
    *,
    dirt: bool,
) -> Reminder | None:
    hands = WORKS[kind, case.chain.regime]
    total = running(case.past.entries[-1])
    if case.bike is None or total.grit_h < limit - HAIR:
        return None
    origin, span = since(case.past.entries, clears)
    crossing = next(entry for entry in span if running(entry).grit_h >= limit - HAIR)
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
    return case.reminder(
        kind,
        "start" if origin is None else f"treatment {origin.id}",
        cause_at=happened_by(crossing),
        headline=f"{hands.verb} {case.name}",
        sentence=f"{case.chain.name} has {number(total.grit_h)} grit-hours {start}; "
        f"the limit is {number(limit)}.{_still_wet(case)}",
        total=total.grit_h,
        limit=limit,
        unit="grit-hours",
        unknown_h=total.unknown_h,
        reasons=(origin_line(span, origin, case.ledger, case.zone), *lines),
        urgency=case.urgency(total.grit_h, limit),
    )


JUDGES: Sequence[Callable[[Case], Reminder | None]] = (
    worn_out,
    _after_a_wet_day,
    _cleaning_due,
    _film_worn,
    inspection_due,
)
