"""When a wear reading is due, and when a reading says that the chain is worn out."""

from __future__ import annotations

import math

from rules.chain_case import HAIR, Case, happened_by
from rules.contamination import CLEARS_SINCE_IMMERSION, Entry, Totals
from rules.dates_and_numbers import day, number
from rules.reasons import origin_line, reading_words, span_lines
from rules.reminder import Reason, Reminder, ReminderKind
from rules.vocabulary import Reading, Treatment


def inspection_due(case: Case) -> Reminder | None:
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
    if furthest < 1.0 - HAIR:
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
        crossed = next(line.at for line in hour_lines if (line.total or 0.0) >= limit - HAIR)
        cause_at = next(happened_by(entry) for entry in span if entry.at >= crossed and entry.exposure)
    elif furthest == shares[1]:
        total, limit, unit = float(len(baths)), by_baths.value, f"{bath}s"
        sentence = f"{when}, {ago.format(f'{len(baths)} {bath}s')}; the limit is {number(limit)}."
        for count, entry in enumerate(baths, start=1):
            text = f"{bath.capitalize()} on {day(entry.at, case.zone)}: number {count}."
            lines.append(Reason(entry.at, text, total=float(count)))
        cause_at = baths[math.ceil(limit - HAIR) - 1].at
    else:
        total, limit, unit = chance, by_chance.value, "probability"
        sentence = f"{when}; by the forecast it is over its wear limit with a probability of {chance:.0%}."
        cause_at = next(happened_by(entry) for entry in reversed(span) if entry.exposure)
        text = f"Forecast: {chance:.0%} that the wear limit is reached."
        lines.append(Reason(cause_at, text, total=chance))
    return case.reminder(
        ReminderKind.INSPECTION,
        "start" if reading is None else f"reading {reading.id}",
        cause_at=cause_at,
        headline=f"Measure {case.name}",
        sentence=sentence,
        total=total,
        limit=limit,
        unit=unit,
        unknown_h=totals.unknown_h,
        reasons=tuple(lines),
        urgency=case.urgency(total, limit) if unit != "probability" else 0,
    )


def worn_out(case: Case) -> Reminder | None:
    """Replace: the latest reading is at the limit or over it. A forecast alone never says so."""
    reading = next(
        (entry.fact for entry in reversed(case.past.entries) if isinstance(entry.fact, Reading)), None
    )
    if reading is None:
        return None
    limit = case.judgements.wear_limit()
    worn_pct = reading.exact_pct if reading.exact_pct is not None else reading.over_pct
    if worn_pct is None or worn_pct < limit.value - HAIR:
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
    return case.reminder(
        ReminderKind.REPLACEMENT,
        origin,
        cause_at=begun_later[-1].fitted_at if begun_later else reading.taken_at,
        headline=f"Replace {case.name}",
        sentence=f"{case.chain.name} measured {said} on {day(reading.taken_at, case.zone)}; "
        f"{speeds} {number(limit.value, 2)} %.",
        total=worn_pct,
        limit=limit.value,
        unit="%",
        unknown_h=0.0,
        reasons=lines,
        urgency=max(1, case.urgency(worn_pct, limit.value)),
    )
