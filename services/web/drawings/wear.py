"""Wear plots: a chain's readings over what it was ridden, and chains of two regimes side by side."""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from datetime import UTC, tzinfo

from rules.dates_and_numbers import day, number
from rules.vocabulary import Regime
from rules.wear.comparison import ChainWear, Comparison, Span
from rules.wear.forecast import Forecast, Measure, Refusal, WearPoint
from services.web.drawings.scales import ticks
from services.web.drawings.svg import (
    at_both_widths,
    boxed,
    dot,
    drawn,
    label,
    line,
    rows,
    safe,
    short,
    text_width,
)
from services.web.drawings.timeline_events import reading_words
from services.web.drawings.timeline_wear import fan_shape, reading_shape

LEFT, RIGHT = 34.0, 14.0
TOP, BASE = 26.0, 226.0
PLOTTED = Measure.DRIVE_HOURS  # what a chain's readings are drawn over

Place = Callable[[float], float]  # a value to its place


def wear_plot(
    points: Sequence[WearPoint],
    answer: Forecast | Refusal,
    *,
    uid: str,
    limit_pct: float,
    measure: Measure = PLOTTED,
    name: str = "the chain",
    zone: tzinfo = UTC,
    retired: bool = False,
) -> str:
    """How worn was this chain after how much riding, and where does that lead? Markup.

    points: readings with what lay behind them, in `measure`. The fan holds eight chances out of ten, from now
    to the limit. A refusal draws the readings alone, and says why under them. limit_pct: elongation [%]. Of a
    retired chain it is said that it would lead there.
    """
    if not points:
        return f'<p class="drawing-note">{safe(answer.sentence)}</p>'
    known = answer if isinstance(answer, Forecast) else None
    furthest = max(point.x for point in points) * 1.1 + 1.0
    if known is not None:  # far ahead, the late edge leaves the plot rather than flatten it
        furthest = max(furthest, known.x_now * 1.05, min(known.life[2] * 1.04, known.life[1] * 1.6))
    highest = max(
        limit_pct,
        *(
            pct
            for point in points
            for pct in (point.reading.exact_pct, point.reading.over_pct, point.reading.under_pct)
            if pct is not None
        ),
    )
    axis_y = ticks(highest * 1.15, 4)
    if isinstance(answer, Refusal):
        notes = answer.sentence if retired else f"{answer.sentence} {answer.wants}"
    else:
        leads_on = retired and answer.left[2] > 0.0
        notes = f"Retired. Had it been ridden on: {answer.sentence}" if leads_on else answer.sentence

    def draw(own: str, css: str, width: int) -> str:
        right = width - RIGHT
        axis_x = ticks(furthest, 8 if css == "wide" else 4)

        def x_of(x: float) -> float:
            return LEFT + x / furthest * (right - LEFT)

        def y_of(pct: float) -> float:
            return BASE - min(max(pct, 0.0), axis_y[-1]) / axis_y[-1] * (BASE - TOP)

        body = [label(0, 11, "elongation, %")]
        body += rows(((pct, y_of(pct), number(pct, 2)) for pct in axis_y), LEFT, right)
        for step in axis_x:
            if step <= furthest:
                body.append(line(x_of(step), BASE, x_of(step), BASE + 5, "axis"))
                body.append(label(x_of(step), BASE + 18, number(step), anchor="middle"))
        body.append(label(right, BASE + 34, f"{measure.value} over its life", anchor="end"))
        if known is not None:
            body.append(_fan(own, known, x_of, y_of, right, "retired" if retired else "now"))
        body.append(line(LEFT, y_of(limit_pct), right, y_of(limit_pct), "wear-limit"))
        body.append(label(LEFT + 4, y_of(limit_pct) - 5, f"limit {number(limit_pct, 2)} %", css="figure"))
        for point in points:
            words = (
                f"{reading_words(point.reading)}, {day(point.reading.taken_at, zone)}, "
                f"after {number(point.x, 0)} {measure.value}"
            )
            body.append(
                f'<g class="reading" data-date="{point.reading.taken_at.astimezone(zone):%Y-%m-%d}" '
                f'data-value="{safe(reading_words(point.reading))}" data-unit=""><title>{safe(words)}</title>'
                f"{reading_shape(point.reading, x_of(point.x), y_of, axis_y[-1])}</g>"
            )
        title = f"Wear of {name} over its {measure.value}"
        return drawn(own, css, width, BASE + 42, title, notes, "".join(body))

    return at_both_widths(uid, draw, css="wear") + f'<p class="drawing-note">{safe(notes)}</p>'


def _fan(uid: str, known: Forecast, x_of: Place, y_of: Place, right: float, when: str) -> str:
    """Eight chances out of ten: from what it is worn now, or was in the end, to where it meets the limit."""
    limit_y, now_x = y_of(known.limit_pct), x_of(known.x_now)
    low, half, high = (y_of(pct) for pct in known.worn_now_pct)
    early, middle, late = (x_of(max(life, known.x_now)) for life in known.life)
    shapes = [
        line(now_x, TOP, now_x, BASE, "now"),
        label(now_x, TOP - 4, when, anchor="middle", css="figure"),
    ]
    if known.left[2] > 0.0:
        box = boxed(now_x, TOP, right - now_x, BASE - TOP)
        shapes.append(fan_shape(uid, box, now_x, (low, half, high), limit_y, (early, middle, late)))
    return "".join(shapes)


ROW, NAMES_WIDE, FIRST_ROW = 24.0, 150.0, 34.0


def regime_comparison(comparison: Comparison, *, uid: str) -> str:
    """Do waxed chains wear more slowly than wet-lube ones? Markup: a rate with its interval per chain.

    Filled points are waxed chains, open ones wet lube; each group has its words. The sentence and what it
    would take stand under the drawing.
    """
    groups = ((Regime.WAXED, comparison.waxed), (Regime.WET_LUBE, comparison.control))
    words = [comparison.sentence, comparison.wants]
    notes = "".join(f'<p class="drawing-note">{safe(one)}</p>' for one in words if one)
    chains = [*comparison.waxed, *comparison.control]
    if not chains:
        return notes
    unit, factor = "100 average drive hours", 100.0
    most = max(min(one.rate[2], one.rate[1] * 3.0) for one in chains) * factor

    def draw(own: str, css: str, width: int) -> str:
        wide = css == "wide"
        left = NAMES_WIDE if wide else 8.0
        row = ROW if wide else ROW + 16.0
        axis = ticks(most, 6 if wide else 4)

        def x_of(rate: float) -> float:
            return left + min(rate * factor / axis[-1], 1.0) * (width - left - 16.0)

        body: list[str] = []
        y = FIRST_ROW
        for regime, arm in groups:
            heading = f"{regime.value}, {len(arm)} chain{'' if len(arm) == 1 else 's'}"
            body.append(label(0, y - 12, heading, css="heading over"))
            for one in arm:
                body.append(_rate(one, y, x_of, wide, unit, factor))
                y += row
            y += ROW + 8.0
        base = y - ROW - 8.0
        grid = ""
        for step in axis:
            x = x_of(step / factor)
            grid += line(x, 22.0, x, base, "grid" if step else "axis")
            body.append(label(x, base + 15, number(step, 2), anchor="middle" if step else "start"))
        body.append(label(width - 4, base + 32, f"% elongation in {unit}", anchor="end"))
        height = base + 40
        if comparison.ratio is not None:
            under = 0.0 if wide or not comparison.descriptive_only else 16.0  # a second line of words
            body.append(_ratio(comparison.ratio, comparison.descriptive_only, base + 58, width, under))
            height += 74 + under
        title = "Wear of waxed and of wet-lube chains in an average hour"
        return drawn(own, css, width, height, title, " ".join(words), grid + "".join(body))

    return at_both_widths(uid, draw, css="regimes") + notes


def _rate(one: ChainWear, y: float, x_of: Place, wide: bool, unit: str, factor: float) -> str:
    """A chain's rate of wear: its middle as a point, eight chances out of ten as a line."""
    low, middle, high = one.rate
    words = (
        f"{one.name}: {number(middle * factor, 2)} % in {unit}, between {number(low * factor, 2)} and "
        f"{number(high * factor, 2)} in four cases out of five; {one.readings} readings"
    )
    name = one.name if text_width(one.name) < NAMES_WIDE - 8 else one.name[:18] + "…"
    at = y if wide else y + 15
    if one.regime is Regime.WAXED:
        point = dot(x_of(middle), at)
    else:
        point = f'<circle class="point-open" cx="{short(x_of(middle))}" cy="{short(at)}" r="3.4"/>'
    return (
        label(0 if wide else 12, y + 4, name, css="figure over")
        + f'<g class="reading" data-value="{number(middle * factor, 3)}" data-unit="% in {unit}">'
        f"<title>{safe(words)}</title>{line(x_of(low), at, x_of(high), at, 'interval')}{point}</g>"
    )


def _ratio(ratio: Span, descriptive: bool, y: float, width: float, under: float) -> str:
    """The ratio with its interval, on an axis where no difference stands in the middle."""
    left, right = 8.0, width - 16.0

    def x_of(value: float) -> float:
        return left + min(max(math.log(value) / math.log(8.0) / 2 + 0.5, 0.0), 1.0) * (right - left)

    interval = f"{number(ratio.low, 2)} to {number(ratio.high, 2)}"
    said = f"waxed wears {number(ratio.value, 2)} times as fast (90 %: {interval})"
    shapes = [label(0, y, said, css="figure")]
    if descriptive:
        where = (0.0, "start") if under else (width - 4, "end")
        shapes.append(label(where[0], y + under, "descriptive only", anchor=where[1], css="figure"))
    y += under
    shapes += [
        line(x_of(1.0), y + 6, x_of(1.0), y + 24, "wear-limit"),
        f'<path class="interval" d="M{short(x_of(ratio.low))} {short(y + 14)}H{short(x_of(ratio.high))}"/>',
        dot(x_of(ratio.value), y + 14),
    ]
    for value in (0.125, 0.25, 0.5, 1.0, 2.0, 4.0, 8.0):
        shapes.append(line(x_of(value), y + 24, x_of(value), y + 28, "axis"))
        if width < 500 and value in (0.125, 8.0):
            continue
        anchor = "start" if value == 0.125 else "middle"
        shapes.append(label(x_of(value), y + 40, f"× {number(value, 3)}", anchor=anchor))
    shapes.append(line(left, y + 24, right, y + 24, "axis"))
    return "".join(shapes)
