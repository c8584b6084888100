"""A chain's whole life on one time line: half-years side by side, or one under the other on a phone."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from datetime import UTC, datetime, timedelta, tzinfo

from rules.contamination import ChainHistory
from rules.dates_and_numbers import day, number
from rules.vocabulary import BikeId, Condition, Treatment, WipeTest
from rules.wear.forecast import Forecast, Refusal
from services.web.drawings.care_marks import grade_text, use_of
from services.web.drawings.scales import MONTHS, monday_of, month_starts, ticks
from services.web.drawings.svg import drawn, known_name, label, line, rows, safe, short, text_width
from services.web.drawings.textures import CONDITIONS, paint
from services.web.drawings.timeline_events import (
    WEEK,
    WEEKS_IN_HALF,
    Life,
    half_years,
    lanes,
    life_of,
    week_words,
)
from services.web.drawings.timeline_wear import (
    WEAR_HEIGHT,
    WearAxis,
    ahead_panel,
    fan,
    reading_marks,
    wear_lane,
)

WIDTH, LEFT, SLOT, BAR = 358.0, 30.0, 12.0, 10.0  # whole units keep the paths short
RIGHT = LEFT + WEEKS_IN_HALF * SLOT
SPANS, CARE_ROWS = 32.0, (47.0, 63.0)
BARS_TOP, BASE = 92.0, 168.0
MONTHS_AT = BASE + 14.0
WEAR_TOP = BASE + 30.0
HEIGHT = WEAR_TOP + WEAR_HEIGHT + 18.0
MARKS_APART = 15.5
MOST_PANELS = 12

At = Callable[[datetime], float]  # an instant to its place from left to right


def chain_life(
    history: ChainHistory,
    *,
    uid: str,
    bikes: Mapping[BikeId, str],
    now: datetime,
    limit_pct: float,
    forecast: Forecast | Refusal | None = None,
    name: str = "the chain",
    zone: tzinfo = UTC,
    most: int = MOST_PANELS,
) -> str:
    """What has this chain been through in all its life, and how worn is it, and when will it be done? Markup.

    One image per half-year: on which bike, what hands did, grit-hours per week by condition, readings on a
    wear axis with the limit. A last one shows the way ahead when the forecast reaches further. Every week,
    mark and reading carries data-date and data-value, data-unit itself or on its group, and a title.
    limit_pct: of elongation [%].  most: half-years that are drawn, the last ones; a year has two.
    """
    known_name(uid)
    life = life_of(history, bikes, zone)
    if life.began_at is None or life.last_at is None:
        return f'<p class="drawing-note">{safe(name)} has no history yet.</p>'
    until = now if life.fittings and life.fittings[-1].until_at is None else min(now, life.last_at)
    mondays = (monday_of(life.began_at, zone), monday_of(max(until, life.last_at), zone))
    openings = half_years(*mondays)
    left_out = openings[:-most]
    openings = openings[-most:]
    peak = max((sum(week.values()) for week in life.weeks.values()), default=1.0)
    grit_axis = ticks(peak, 2)
    wear = WearAxis.of(limit_pct, life.readings, LEFT, RIGHT)
    known = forecast if isinstance(forecast, Forecast) else None
    panels = [
        _panel(f"{uid}-{number_}", opening, life, grit_axis, wear, known, now, name, zone, number_ == 0)
        for number_, opening in enumerate(openings)
    ]
    if known is not None:
        panels.append(
            ahead_panel(f"{uid}-ahead", known, wear, openings[-1] + WEEK * WEEKS_IN_HALF, now, name, zone)
        )
    notes = []
    if left_out:
        notes.append(f"What happened before {day(openings[0], zone)} stands in the table.")
    if forecast is not None:
        wants = "" if isinstance(forecast, Forecast) else f" {forecast.wants}"
        notes.append(f"{forecast.sentence}{wants}")
    return f'<div class="drawing life">{"".join(panels)}</div>' + "".join(
        f'<p class="drawing-note">{safe(note)}</p>' for note in notes
    )


def _panel(
    uid: str,
    opening: datetime,
    life: Life,
    grit_axis: list[float],
    wear: WearAxis,
    forecast: Forecast | None,
    now: datetime,
    name: str,
    zone: tzinfo,
    first: bool,
) -> str:
    end = half_years(opening, opening + timedelta(days=200))[-1]  # where the next half-year opens
    halves = "January to June" if opening.month <= 6 else "July to December"
    heading = f"{opening.year}, {halves}"

    def at_x(at: datetime) -> float:
        return LEFT + (at.astimezone(zone) - opening) / WEEK * SLOT

    edge = at_x(end)
    body = [label(0, 11, heading, css="heading")]
    body.append(_spans(life, opening, end, now, at_x, zone))
    body.append(_care(life, opening, end, at_x, zone))
    body.append(_bars(life, opening, end, grit_axis, first))
    body.append(_months(opening, end, at_x))
    body.append(wear_lane(wear, WEAR_TOP, edge, named=True))
    if forecast is not None:
        body.append(fan(uid, forecast, wear, WEAR_TOP, now, at_x, edge))
    body.append(reading_marks(life.readings, wear, WEAR_TOP, opening, end, at_x, zone))
    if opening <= now < end:
        x = at_x(now)
        body.append(line(x, BARS_TOP - 4, x, WEAR_TOP + WEAR_HEIGHT + 4, "now"))
        x = min(max(x, LEFT + 12), RIGHT - 12)
        body.append(label(x, WEAR_TOP + WEAR_HEIGHT + 15, "now", anchor="middle", css="figure"))
    total = sum(sum(week.values()) for monday, week in life.weeks.items() if opening <= monday < end)
    told = f"{number(total)} grit-hours in this half-year. The table behind the plot has every value."
    return drawn(uid, "half", WIDTH, HEIGHT, f"{name}, {heading}", told, "".join(body))


def _spans(life: Life, opening: datetime, end: datetime, now: datetime, at_x: At, zone: tzinfo) -> str:
    """The bikes it sat on, as lines with their names."""
    shapes = [label(LEFT - 5, SPANS + 4, "on", anchor="end")] if life.fittings else []
    free_from = LEFT
    for one in life.fittings:
        until = one.until_at or max(now, one.from_at)
        if until <= opening or one.from_at >= end:
            continue
        left, right = at_x(max(one.from_at, opening)), at_x(min(until, end))
        starts = "v-4v8v-4" if one.from_at >= opening else ""
        ends = "v-4v8" if one.until_at is not None and until <= end else ""
        path = f"M{short(left)} {SPANS:g}{starts}H{short(right)}{ends}"
        words = f"on {one.bike}, {day(one.from_at, zone)}"
        words += f" to {day(one.until_at, zone)}" if one.until_at is not None else " until now"
        shapes.append(f'<path class="span" d="{path}"><title>{safe(words)}</title></path>')
        width = text_width(one.bike)
        if left + 1 >= free_from and left + width <= RIGHT:
            shapes.append(label(left, SPANS - 6, one.bike, css="figure"))
            free_from = left + width + 6
    return "".join(shapes)


def _care(life: Life, opening: datetime, end: datetime, at_x: At, zone: tzinfo) -> str:
    """What hands did: a mark each, in two rows; where there is no room, the mark before says it too."""
    here = [(done.done_at, done) for done in life.care if opening <= done.done_at < end]
    here.sort(key=lambda item: item[0])
    groups: list[tuple[float, int, list[tuple[datetime, Treatment | WipeTest]]]] = []
    places = [at_x(at) for at, _ in here]
    for item, x, row in zip(here, places, lanes(places, MARKS_APART, len(CARE_ROWS)), strict=True):
        if row is None:
            groups[-1][2].append(item)
        else:
            groups.append((x, row, [item]))
    shapes = []
    for x, row, items in groups:
        words = "; ".join(f"{_care_words(done)}, {day(at, zone)}" for at, done in items)
        at, shown = min(items, key=lambda item: _MATTERS.index(_kind(item[1])))
        more = '<path class="mark-more" d="M10.3 5h.01M13 5h.01"/>' if len(items) > 1 else ""
        grade = grade_text(shown.grade) if isinstance(shown, WipeTest) else ""
        shapes.append(
            f'<g class="mark" transform="translate({short(x)} {CARE_ROWS[row]:g})" '
            f'data-date="{at.astimezone(zone):%Y-%m-%d}" data-value="{_value(shown)}">'
            f"<title>{safe(words)}</title>{use_of(_kind(shown))}{grade}{more}</g>"
        )
    return "".join(shapes)


# Of marks that share a place, the one that matters most to the chain is drawn.
_MATTERS = ("immersion", "clean", "strip", "drip", "oil", "wipe test", "wipe")


def _kind(done: Treatment | WipeTest) -> str:
    return done.kind.value if isinstance(done, Treatment) else "wipe test"


def _value(done: Treatment | WipeTest) -> str:
    return done.kind.value if isinstance(done, Treatment) else f"wipe test {done.grade} of 4"


def _care_words(done: Treatment | WipeTest) -> str:
    return f"{_value(done)} ({done.note})" if isinstance(done, Treatment) and done.note else _value(done)


def _bars(life: Life, opening: datetime, end: datetime, axis: list[float], first: bool) -> str:
    """Grit-hours per week, stacked by condition; one path per texture, one thing to point at per week."""
    edge = LEFT + (end - opening) / WEEK * SLOT
    scale = (BASE - BARS_TOP) / axis[-1]
    shapes = rows(((value, BASE - value * scale, number(value)) for value in axis), LEFT, edge)
    if first:
        shapes.append(label(LEFT, BARS_TOP - 7, "grit-hours a week"))
    by_condition: dict[Condition, list[str]] = {one: [] for one in CONDITIONS}
    weeks = []
    for monday, week in life.weeks.items():
        if not opening <= monday < end:
            continue
        x = LEFT + round((monday - opening) / WEEK) * SLOT + (SLOT - BAR) / 2
        base = BASE
        for condition in CONDITIONS:
            height = week.get(condition, 0.0) * scale
            if height > 0.0:
                by_condition[condition].append(f"M{short(x + BAR / 2)} {short(base)}v{short(-height)}")
                base -= height
        total = sum(week.values())
        date = f"{monday.day} {MONTHS[monday.month - 1]} {monday.year}"
        title = f"week of {date}: {number(total)} grit-hours ({week_words(week)})"
        weeks.append(
            f'<path data-date="{monday:%Y-%m-%d}" data-value="{number(total, 2)}" '
            f'd="M{short(x)} {BASE:g}V{short(base)}h{BAR:g}V{BASE:g}z">'
            f"<title>{safe(title)}</title></path>"
        )
    shapes += [
        f'<path class="stack" stroke="{paint(condition)}" d="{"".join(boxes)}"/>'
        for condition, boxes in by_condition.items()
        if boxes
    ]
    if weeks:
        shapes.append(f'<g class="weeks" data-unit="grit-hours">{"".join(weeks)}</g>')
    return "".join(shapes)


def _months(opening: datetime, end: datetime, at_x: At) -> str:
    starts = month_starts(opening - timedelta(days=7), end)
    starts = [max(start, opening) for start in starts if start < end]
    shapes = [line(at_x(start), BASE, at_x(start), BASE + 5, "axis") for start in starts]
    for start, following in zip(starts, [*starts[1:], end], strict=True):
        middle = start + (following - start) / 2
        name = MONTHS[middle.month - 1]
        if following - start < timedelta(days=14):
            continue
        shapes.append(label((at_x(start) + at_x(following)) / 2, MONTHS_AT, name, anchor="middle"))
    return "".join(shapes)
