"""The lines under a reminder, which a rider can add up by hand."""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from datetime import datetime, tzinfo

from rules.contamination import CLEARS_SINCE_DRIP, Entry, Exposure
from rules.dates_and_numbers import clock, day, number
from rules.ledger import Fitted, Ledger, RiddenHour
from rules.reminder import Reason
from rules.ride_name import beside_its_date
from rules.units import rain
from rules.vocabulary import Condition, ConditionTag, Reading, Ride, Treatment, TreatmentKind

MOST_LINES = 150  # more ride hours than a page holds are folded into one first line; the sum stays the same

TREATMENT_NOUN = {
    TreatmentKind.STRIP: "strip",
    TreatmentKind.IMMERSION: "immersion",
    TreatmentKind.DRIP: "drip",
    TreatmentKind.WIPE: "wipe",
    TreatmentKind.OIL: "oiling",
    TreatmentKind.CLEAN: "cleaning",
}

SNOW_SHARE = 0.7  # of what fell: from here on riders call it snow


def origin_line(entries: Sequence[Entry], origin: Treatment | None, ledger: Ledger, zone: tzinfo) -> Reason:
    """Where the counting starts: the treatment that cleared the total, or the chain's first day.

    entries: the span that follows; not empty.
    """
    if origin is not None:
        noun = TREATMENT_NOUN[origin.kind]
        return Reason(
            origin.done_at, f"{noun.capitalize()} on {day(origin.done_at, zone)}: total 0.", total=0.0
        )
    first = entries[0]
    if isinstance(first.fact, Fitted):
        bike = ledger.bike(first.fact.fitting.bike).name
        return Reason(
            first.at, f"Fitted to {bike} on {day(first.at, zone)}: counting starts here.", total=0.0
        )
    return Reason(first.at, f"First noted on {day(first.at, zone)}: counting starts here.", total=0.0)


def span_lines(
    entries: Sequence[Entry],
    counted: Callable[[Exposure], float],
    ledger: Ledger,
    zone: tzinfo,
    *,
    weighted: bool,
    dirt: bool = False,
) -> tuple[Reason, ...]:
    """One line per ride hour, and one per treatment that did not clear the total.

    counted: what an hour adds to the total, in the reminder's unit; an hour that adds nothing gets no line.
    weighted: whether the unit is grit-hours; otherwise weight and grit_h stay empty, for they add nothing.
    dirt: whether hours on a used-up film count more.
    """
    lines: list[Reason] = []
    total = 0.0
    ridden = [
        position
        for position, entry in enumerate(entries)
        if entry.exposure is not None and counted(entry.exposure) > 0.0
    ]
    cut = 0
    if len(ridden) > MOST_LINES:
        cut = ridden[-MOST_LINES]
        folded = [entry.exposure for entry in entries[:cut] if entry.exposure is not None]
        total = math.fsum(counted(hour) for hour in folded)
        drive_h = math.fsum(hour.drive_h for hour in folded)
        grit_h = total if weighted else None
        count = len(ridden) - MOST_LINES
        text = f"{count} ride hours up to {day(entries[cut - 1].at, zone)}, added up."
        lines.append(Reason(entries[ridden[0]].at, text, drive_h=drive_h, grit_h=grit_h, total=total))
    for entry in entries[cut:]:
        fact, hour = entry.fact, entry.exposure
        if isinstance(fact, RiddenHour) and hour is not None and counted(hour) > 0.0:
            total += counted(hour)
            lines.append(hour_line(entry.at, fact, hour, total, ledger, zone, weighted=weighted, dirt=dirt))
        elif weighted and isinstance(fact, Treatment):
            noun = TREATMENT_NOUN[fact.kind].capitalize()
            effect = (
                "renews the film, cleans nothing" if fact.kind in CLEARS_SINCE_DRIP else "clears no total"
            )
            lines.append(Reason(entry.at, f"{noun} on {day(entry.at, zone)}: {effect}.", total=total))
    return tuple(lines)


def hour_line(
    at: datetime,
    ridden: RiddenHour,
    hour: Exposure,
    total: float,
    ledger: Ledger,
    zone: tzinfo,
    *,
    weighted: bool,
    dirt: bool = False,
) -> Reason:
    """One ride hour: what it was like, and what it adds; as dirt, where the film was used up, more."""
    ride = ridden.ride
    bike = "" if ride.bike is None else f" on {ledger.bike(ride.bike).name}"
    place = f"{beside_its_date(ride)}{bike}, {day(at, zone)}"
    if len(ride.hours) > 1:
        place += f", hour {ridden.number} of {len(ride.hours)}"
    return Reason(
        at=at,
        text=f"{place}: {what_it_was_like(hour)}{_on_what_film(hour) if dirt else ''}.",
        ride=ride.id,
        condition=hour.condition,
        drive_h=hour.drive_h,
        weight=_weight(hour, dirt) if weighted else None,
        grit_h=(hour.dirt_h if dirt else hour.grit_h) if weighted else None,
        total=total,
        weather=weather_behind(ride, ridden.hour.tag, hour, zone),
    )


def _weight(hour: Exposure, dirt: bool) -> float:
    return hour.dirt_h / hour.drive_h if dirt and hour.starved_h else hour.weight


def _on_what_film(hour: Exposure) -> str:
    """Why an hour counts more as dirt: ', on a used-up film'."""
    if not hour.starved_h:
        return ""
    return f"; its film was used up, so {number(hour.grit_h, 2)} count as {number(hour.dirt_h, 2)}"


def what_it_was_like(hour: Exposure) -> str:
    """'wet (water 0.82, mud 0.3)', 'dry', or 'no weather known, counted as a plain hour'."""
    if hour.condition is Condition.UNKNOWN:
        return "no weather known, counted as a plain hour"
    parts = (("water", hour.water), ("mud", hour.mud), ("dust", hour.dust), ("road salt", hour.salt))
    said = [f"{name} {number(value, 2)}" for name, value in parts if value >= 0.005]
    return f"{hour.condition} ({', '.join(said)})" if said else str(hour.condition)


def weather_behind(ride: Ride, tag: ConditionTag | None, hour: Exposure, zone: tzinfo) -> str:
    """The weather values behind an hour, with archive, model, tier and fetch time."""
    if ride.word is not None:
        return "the rider's word"
    if tag is None or not tag.known:
        return "indoors, no weather needed" if hour.known else "no weather yet"
    parts = []
    if tag.rain_mm is not None:
        what = "fell as snow" if tag.snow_mm > SNOW_SHARE * tag.rain_mm else "of rain"
        parts.append(f"{rain(tag.rain_mm)} {what} in the hour")
    if tag.rain_before_mm is not None:
        parts.append(f"{rain(tag.rain_before_mm)} in the 24 h before")
    parts.append(tag.source)
    parts.append(str(tag.tier))
    if tag.fetched_at is not None:
        parts.append(f"fetched {day(tag.fetched_at, zone)} at {clock(tag.fetched_at, zone)}")
    parts.append(f"{tag.confidence:.0%} sure")
    if tag.frost:
        parts.append("frost")
    return ", ".join(parts)


def reading_words(reading: Reading) -> str:
    """What a reading said: 'over 0.25 %, under 0.5 %'."""
    if reading.exact_pct is not None:
        return f"{number(reading.exact_pct, 2)} %"
    over = None if reading.over_pct is None else f"over {number(reading.over_pct, 2)} %"
    under = None if reading.under_pct is None else f"under {number(reading.under_pct, 2)} %"
    return ", ".join(part for part in (over, under) if part) or "nothing"


def since(
    entries: Sequence[Entry], kinds: frozenset[TreatmentKind]
) -> tuple[Treatment | None, Sequence[Entry]]:
    """The last treatment of these kinds, and everything after it. None and everything, if there was none."""
    for position in range(len(entries) - 1, -1, -1):
        fact = entries[position].fact
        if isinstance(fact, Treatment) and fact.kind in kinds:
            return fact, entries[position + 1 :]
    return None, entries
