"""What hands are wanted for now, per chain, and why.

Each judge below looks at one chain and says a reminder or nothing. A reminder of riding (wipe and drip, drip,
re-immersion, inspection) needs a chain on a bike; a wet chain is asked about even if it was taken off since.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Collection, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import datetime, timedelta, tzinfo

from rules.cautions import caution
from rules.contamination import (
    CLEARS_SINCE_DRIP,
    CLEARS_SINCE_IMMERSION,
    ChainHistory,
    Entry,
    Exposure,
    Totals,
    history,
)
from rules.ledger import Ledger, RiddenHour
from rules.reasons import TREATMENT_NOUN, hour_line, origin_line, reading_words, since, span_lines
from rules.reconcile import Change, reconcile
from rules.reminder import Reason, Reminder, ReminderKind
from rules.rulebook import Judgement, Rulebook
from rules.vocabulary import (
    Bike,
    Chain,
    ChainId,
    Condition,
    Reading,
    Regime,
    Ride,
    RideId,
    Rider,
    Treatment,
    TreatmentKind,
)
from rules.wording import ZoneOf, clock, day, number, utc

__all__ = ["KIND_ORDER", "Change", "caution", "due", "reconcile"]

KIND_ORDER = (
    ReminderKind.REPLACEMENT,
    ReminderKind.WIPE_AND_DRIP,
    ReminderKind.IMMERSION,
    ReminderKind.DRIP,
    ReminderKind.INSPECTION,
)
WET = frozenset({Condition.WET, Condition.MUDDY})
_HAIR = 1e-9  # a sum of floats that reads as the limit has reached it


@dataclass(frozen=True, slots=True)
class _Case:
    """One chain as the judges see it."""

    ledger: Ledger
    rulebook: Rulebook
    chain: Chain
    past: ChainHistory
    bike: Bike | None  # it is on this bike now
    last_bike: Bike | None  # or it was last on this one
    rider: Rider
    zone: tzinfo
    now: datetime
    worn_chance: float

    @property
    def waxed(self) -> bool:
        return self.chain.regime is Regime.WAXED

    @property
    def name(self) -> str:
        """'the chain Copper on Plover'."""
        return f"the chain {self.chain.name}" + (f" on {self.bike.name}" if self.bike else "")

    def limit(self, short_key: str) -> Judgement:
        return self.rulebook.limit(short_key, chain=self.chain, bike=self.last_bike, rider=self.rider)

    def urgency(self, total: float, limit: float) -> int:
        return 2 if total >= limit * self.limit("overdue").value - _HAIR else 0


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
        case = _case(ledger, rulebook, chain, now, zone_of, (worn_chance or {}).get(chain.id, 0.0))
        if case is not None:
            found.extend(reminder for judge in JUDGES if (reminder := judge(case)) is not None)
    found.sort(key=lambda r: (-r.urgency, KIND_ORDER.index(r.kind), r.cause_at, r.key))
    return tuple(found)


def _case(
    ledger: Ledger, rulebook: Rulebook, chain: Chain, now: datetime, zone_of: ZoneOf, worn_chance: float
) -> _Case | None:
    past = history(ledger, chain.id, rulebook).until(now)
    if not past.entries:
        return None
    fitting = ledger.fitting_of(chain.id, now)
    bike = None if fitting is None else ledger.bike(fitting.bike)
    begun = [fitting for fitting in ledger.fittings_of(chain.id) if fitting.fitted_at <= now]
    last_bike = bike or (ledger.bike(begun[-1].bike) if begun else None)
    rider = whom_to_tell(ledger, past, last_bike)
    return _Case(
        ledger, rulebook, chain, past, bike, last_bike, rider, zone_of(rider.time_zone), now, worn_chance
    )


def whom_to_tell(ledger: Ledger, past: ChainHistory, bike: Bike | None) -> Rider:
    """Who rode this chain last on this bike, else the bike's owner, else the first rider of the household."""
    if bike is None:
        return ledger.riders[0]
    for entry in reversed(past.entries):
        if isinstance(entry.fact, RiddenHour):
            if entry.fact.ride.bike == bike.id:
                return ledger.rider(entry.fact.ride.rider)
            break
    return ledger.rider(bike.owner)


def _after_a_wet_ride(case: _Case) -> Reminder | None:
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
    action = "Wipe, dry and drip" if case.waxed else "Wipe, dry and oil"
    home = f"{clock(ride.ended_at, case.zone)} on {day(ride.ended_at, case.zone)}"
    return Reminder(
        key=_key(ReminderKind.WIPE_AND_DRIP, case, f"ride {ride.id}"),
        kind=ReminderKind.WIPE_AND_DRIP,
        chain=case.chain.id,
        rider=ride.rider,
        bike=ride.bike,
        cause_at=ride.ended_at,
        headline=f"{action} {case.name}",
        sentence=f"{case.chain.name} came home wet at {home} ({ride.title}): "
        f"{number(wet_h)} of {number(drive_h)} drive hours were wet{_most_rain(hours, case.zone)}; "
        f"the limit is {number(case.limit('wet_ride').value)}.",
        total=wet_h,
        limit=case.limit("wet_ride").value,
        unit="drive hours",
        unknown_h=unknown_h,
        reasons=tuple(lines),
        rulebook_version=case.rulebook.version,
        urgency=2 if case.now >= overdue_at else 1,
    )


_Hours = list[tuple[Entry, RiddenHour, Exposure]]


def _most_rain(hours: _Hours, zone: tzinfo) -> str:
    """', 4.1 mm of rain fell in the hour from 17:00'; nothing where none fell or the rider's word rules."""
    most_mm, words = 0.0, ""
    for _, ridden, _ in hours:
        tag = ridden.hour.tag
        if tag is not None and tag.rain_mm is not None and tag.rain_mm > most_mm and ridden.ride.word is None:
            most_mm = tag.rain_mm
            words = (
                f", {number(most_mm)} mm of rain fell in the hour from {clock(ridden.hour.hour_start, zone)}"
            )
    return words


def _latest_wet_ride(case: _Case) -> tuple[Ride | None, _Hours]:
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
        if ride.ended_at <= case.now and wet_h >= limit - _HAIR:
            return ride, hours
    return None, []


def _film_worn(case: _Case) -> Reminder | None:
    """Drip (or oil): grit-hours since the film was last renewed."""
    return _grit_hours_due(
        case,
        ReminderKind.DRIP,
        case.limit("drip" if case.waxed else "oil"),
        CLEARS_SINCE_DRIP,
        lambda entry: entry.since_drip,
        "Drip" if case.waxed else "Oil",
        "drip" if case.waxed else "oiling",
    )


def _cleaning_due(case: _Case) -> Reminder | None:
    """Re-immersion (or cleaning): grit-hours since the chain was last cleaned."""
    return _grit_hours_due(
        case,
        ReminderKind.IMMERSION,
        case.limit("immersion" if case.waxed else "clean"),
        CLEARS_SINCE_IMMERSION,
        lambda entry: entry.since_immersion,
        "Re-immerse" if case.waxed else "Clean",
        "immersion" if case.waxed else "cleaning",
    )


def _grit_hours_due(
    case: _Case,
    kind: ReminderKind,
    limit: Judgement,
    clears: frozenset[TreatmentKind],
    running: Callable[[Entry], Totals],
    action: str,
    noun: str,
) -> Reminder | None:
    total = running(case.past.entries[-1])
    if case.bike is None or total.grit_h < limit.value - _HAIR:
        return None
    origin, span = since(case.past.entries, clears)
    crossing = next(entry for entry in span if running(entry).grit_h >= limit.value - _HAIR)
    if origin is None:
        start = f"and no {noun} was ever noted"
    else:
        start = f"since the {TREATMENT_NOUN[origin.kind]} of {day(origin.done_at, case.zone)}"
    lines = span_lines(span, lambda hour: hour.grit_h, case.ledger, case.zone, weighted=True)
    return Reminder(
        key=_key(kind, case, "start" if origin is None else f"treatment {origin.id}"),
        kind=kind,
        chain=case.chain.id,
        rider=case.rider.id,
        bike=case.bike.id,
        cause_at=_happened_by(crossing),
        headline=f"{action} {case.name}",
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


def _inspection_due(case: _Case) -> Reminder | None:
    """A wear reading: by drive hours, by immersions, or by the forecast; whichever is furthest over."""
    if case.bike is None:
        return None
    entries = case.past.entries
    last = next((at for at in range(len(entries) - 1, -1, -1) if isinstance(entries[at].fact, Reading)), None)
    span = entries if last is None else entries[last + 1 :]
    reading = None if last is None else entries[last].fact
    assert reading is None or isinstance(reading, Reading)
    totals = Totals()
    baths: list[Entry] = []
    for entry in span:
        if entry.exposure is not None:
            totals = totals.plus(entry.exposure)
        elif isinstance(entry.fact, Treatment) and entry.fact.kind in CLEARS_SINCE_IMMERSION:
            baths.append(entry)
    by_hours, by_baths = case.limit("inspection"), case.limit("inspection_immersions")
    by_chance = case.limit("inspection_chance")
    # a chance says nothing about a chain with no hours since it was measured
    chance = case.worn_chance if totals.drive_h > 0.0 else 0.0
    shares = (
        totals.drive_h / by_hours.value,
        len(baths) / by_baths.value,
        chance / by_chance.value,
    )
    furthest = max(shares)
    if furthest < 1.0 - _HAIR:
        return None
    if reading is None:
        when, ago = "It was never measured", "and has {}"
        lines = [origin_line(span, None, case.ledger, case.zone)]
    else:
        when = f"It was last measured on {day(reading.taken_at, case.zone)} ({reading_words(reading)})"
        ago = "{} ago"
        text = (
            f"Reading on {day(reading.taken_at, case.zone)}: {reading_words(reading)}. Counting starts at 0."
        )
        lines = [Reason(reading.taken_at, text, total=0.0)]
    bath = "immersion" if case.waxed else "cleaning"
    if furthest == shares[0]:
        total, limit, unit = totals.drive_h, by_hours.value, "drive hours"
        sentence = f"{when}, {ago.format(f'{number(total)} drive hours')}; the limit is {number(limit)}."
        hour_lines = span_lines(span, lambda hour: hour.drive_h, case.ledger, case.zone, weighted=False)
        lines.extend(hour_lines)
        crossed = next(line.at for line in hour_lines if (line.total or 0.0) >= limit - _HAIR)
        cause_at = next(_happened_by(entry) for entry in span if entry.at >= crossed and entry.exposure)
    elif furthest == shares[1]:
        total, limit, unit = float(len(baths)), by_baths.value, f"{bath}s"
        sentence = f"{when}, {ago.format(f'{len(baths)} {bath}s')}; the limit is {number(limit)}."
        for count, entry in enumerate(baths, start=1):
            text = f"{bath.capitalize()} on {day(entry.at, case.zone)}: number {count}."
            lines.append(Reason(entry.at, text, total=float(count)))
        cause_at = baths[math.ceil(limit - _HAIR) - 1].at
    else:
        total, limit, unit = chance, by_chance.value, "probability"
        sentence = f"{when}; by the forecast it is over its wear limit with a probability of {chance:.0%}."
        cause_at = next(_happened_by(entry) for entry in reversed(span) if entry.exposure)
        text = f"Forecast: {chance:.0%} that the wear limit is reached."
        lines.append(Reason(cause_at, text, total=chance))
    return Reminder(
        key=_key(ReminderKind.INSPECTION, case, "start" if reading is None else f"reading {reading.id}"),
        kind=ReminderKind.INSPECTION,
        chain=case.chain.id,
        rider=case.rider.id,
        bike=case.bike.id,
        cause_at=cause_at,
        headline=f"Measure {case.name}",
        sentence=sentence,
        total=total,
        limit=limit,
        unit=unit,
        unknown_h=totals.unknown_h,
        reasons=tuple(lines),
        rulebook_version=case.rulebook.version,
        urgency=case.urgency(total, limit) if unit != "probability" else 0,
    )


def _worn_out(case: _Case) -> Reminder | None:
    """Replace: the latest reading is at the limit or over it. A forecast alone never says so."""
    reading = next(
        (entry.fact for entry in reversed(case.past.entries) if isinstance(entry.fact, Reading)), None
    )
    if reading is None:
        return None
    limit = case.rulebook.wear_limit(case.chain, bike=case.last_bike, rider=case.rider)
    worn_pct = reading.exact_pct if reading.exact_pct is not None else reading.over_pct
    if worn_pct is None or worn_pct < limit.value - _HAIR:
        return None
    fittings = [f for f in case.ledger.fittings_of(case.chain.id) if f.fitted_at <= case.now]
    begun_later = [f for f in fittings if f.fitted_at > reading.taken_at]
    measured_on_a_bike = case.ledger.fitting_of(case.chain.id, reading.taken_at) is not None
    if case.bike is None and (begun_later or measured_on_a_bike):
        return None  # taken off since: answered
    origin = f"reading {reading.id}" + (f", fitting {begun_later[-1].id}" if begun_later else "")
    speeds = "the strictest limit holds, for its speeds are not noted:"
    if case.chain.speeds is not None:
        speeds = f"for {case.chain.speeds} speed{'s' if case.chain.speeds > 1 else ''} the limit is"
    said = reading_words(reading)
    life = case.past.over_life
    lines = (
        Reason(
            case.past.entries[0].at,
            f"Over its life: {number(life.drive_h)} drive hours, {number(life.grit_h)} grit-hours.",
        ),
        Reason(
            reading.taken_at,
            f"Reading by {reading.tool} on {day(reading.taken_at, case.zone)}: {said}.",
            total=worn_pct,
        ),
    )
    return Reminder(
        key=_key(ReminderKind.REPLACEMENT, case, origin),
        kind=ReminderKind.REPLACEMENT,
        chain=case.chain.id,
        rider=case.rider.id,
        bike=None if case.bike is None else case.bike.id,
        cause_at=begun_later[-1].fitted_at if begun_later else reading.taken_at,
        headline=f"Replace {case.name}",
        sentence=f"{case.chain.name} measured {said} on {day(reading.taken_at, case.zone)}; "
        f"{speeds} {number(limit.value, 2)} %.",
        total=worn_pct,
        limit=limit.value,
        unit="%",
        unknown_h=0.0,
        reasons=lines,
        rulebook_version=case.rulebook.version,
        urgency=max(1, case.urgency(worn_pct, limit.value)),
    )


JUDGES: Sequence[Callable[[_Case], Reminder | None]] = (
    _worn_out,
    _after_a_wet_ride,
    _cleaning_due,
    _film_worn,
    _inspection_due,
)


def _key(kind: ReminderKind, case: _Case, origin: str) -> str:
    return f"{kind}:{case.chain.id}:{origin}"


def _happened_by(entry: Entry) -> datetime:
    """When the fact was over: a ridden hour at its end, everything else at once."""
    return entry.fact.ends_at if isinstance(entry.fact, RiddenHour) else entry.at
