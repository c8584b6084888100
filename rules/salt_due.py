"""Road salt on a chain that came home dry, or nearly: rinse and dry it, once while the salted days last.

Salt draws water from the shed's damp air, so a chain with salt in it rusts there without a wet ride.
"""

from __future__ import annotations

from datetime import date, timedelta

from rules.chain_case import HAIR, Case
from rules.contamination import Entry, Exposure
from rules.dates_and_numbers import clock, day, number
from rules.kinds_of_work import WORKS
from rules.ledger import RiddenHour
from rules.reasons import hour_line
from rules.reminder import ASKED_AHEAD, Reminder, ReminderKind
from rules.ride_name import beside_its_date
from rules.vocabulary import Ride

RINSE_FROM = 0.3  # of the salt weight; labelled assumption
# Said of a wet chain and of a dry one; inferred from weather, so 'probably'. What is asked stands first, for
# a message may have no room for the rest.
RINSE = f"Rinse and dry it each salted or {ASKED_AHEAD}; probably road salt, which rusts it overnight."
SaltedHours = list[tuple[Entry, RiddenHour, Exposure]]


def salted_days(case: Case) -> list[SaltedHours]:
    """The salted days that still ask for a rinse, in order: the salted hours of each.

    They are one spell while no further apart than a wet spell's days; a treatment after its first day answers
    all of it, and so does the drip of a wet evening just before it.
    """
    limit, lasts = case.limit("wet_ride").value, timedelta(days=case.limit("wet_ride_expires").value)
    by_day: dict[date, SaltedHours] = {}
    for entry in case.past.entries:
        if isinstance(entry.fact, RiddenHour) and entry.exposure and entry.exposure.salt >= RINSE_FROM:
            local = entry.at.astimezone(case.zone).date()
            by_day.setdefault(local, []).append((entry, entry.fact, entry.exposure))
    spell: list[SaltedHours] = []
    latest_on: date | None = None
    for on, hours in by_day.items():
        if sum(hour.drive_h for _, _, hour in hours) < limit - HAIR:
            continue
        if latest_on is not None and on - latest_on > lasts:
            spell = []
        latest_on = on
        spell.append(hours)
    if not spell or home_of(spell[-1]).ended_at + lasts <= case.now:
        return []
    return [] if any(at >= home_of(spell[0]).ended_at - lasts for at in case.film_renewed_at) else spell


def rinsed(verb: str) -> str:
    """What is done first to a chain with salt in it: 'Rinse, dry and drip'."""
    return f"Rinse{verb.removeprefix('Wipe')}"


def home_of(hours: SaltedHours) -> Ride:
    """The ride that a day's last salted hour belongs to."""
    return hours[-1][1].ride


def first_of(hours: SaltedHours) -> Ride:
    """The ride that a day's first salted hour belongs to: a later one of the day asks for nothing new."""
    return hours[0][1].ride


def came_home_salted(case: Case) -> Reminder | None:
    """Rinse, dry and drip: once a salted spell, until a treatment after its first day."""
    spell = salted_days(case)
    if not spell:
        return None
    home, lines, salted_h = home_of(spell[-1]), [], 0.0
    for entry, ridden, hour in spell[-1]:
        salted_h += hour.drive_h
        lines.append(hour_line(entry.at, ridden, hour, salted_h, case.ledger, case.zone, weighted=False))
    hands, limit = WORKS[ReminderKind.WIPE_AND_DRIP, case.chain.regime], case.limit("wet_ride").value
    fresh = case.now < home.ended_at + timedelta(hours=case.limit("wet_ride_overdue").value)
    when = f"{clock(home.ended_at, case.zone)} on {day(home.ended_at, case.zone)} ({beside_its_date(home)})"
    return case.reminder(
        ReminderKind.WIPE_AND_DRIP,
        f"ride {first_of(spell[0]).id}",
        rider=home.rider,
        bike=home.bike,
        cause_at=home.ended_at,
        headline=f"{rinsed(hands.verb)} {case.name}",
        sentence=f"{case.chain.name} probably came home salted at {when}: {number(salted_h)} h of the day "
        f"were ridden while main roads were likely salted (inferred from weather); the limit is "
        f"{number(limit)} h. "
        f"{RINSE} While the salted days last, this is asked once.",
        total=salted_h,
        limit=limit,
        unit="drive hours",
        unknown_h=0.0,
        reasons=tuple(lines),
        urgency=1 if fresh else 0,
    )
