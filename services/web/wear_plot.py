"""Elongation against what was ridden: readings as taken, where they lead, and the limit; and wear rates."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from datetime import tzinfo

from rules.reasons import reading_words
from rules.vocabulary import Reading
from rules.wear import READING_SD_PCT, Forecast, Measure, Refusal, WearPoint
from rules.wording import day, number
from services.web.drawings.scales import ticks
from services.web.drawings.svg import at_both_widths, drawn, label, line, safe, short

HEIGHT, TOP, FOOT, LEFT, RIGHT = 190.0, 10.0, 24.0, 46.0, 12.0
RATE_WIDTH, RATE_HEIGHT = 220.0, 20.0

Scale = Callable[[float], float]  # a value to its place


def wear_plot(
    points: Sequence[WearPoint],
    answer: Forecast | Refusal,
    *,
    uid: str,
    limit_pct: float,
    x_now: float,
    measure: Measure,
    name: str,
    zone: tzinfo,
) -> str:
    """How worn was this chain when it was measured, and where does that lead? Markup.

    A gauge's reading is a bar between its two steps, a ruler's or caliper's a dot with its usual error.
    """
    known = answer if isinstance(answer, Forecast) else None
    furthest = max(x_now * 1.12, 1.0)
    if known is not None:
        furthest = max(furthest, min(known.life[2], max(x_now, known.life[1]) * 1.6))
    tallest = max([limit_pct * 1.3, *(_ends(one.reading, limit_pct * 1.3)[1] for one in points)])
    said = [f"{reading_words(one.reading)} at {number(one.x, 0)} {measure}" for one in points]

    def draw(own: str, css: str, width: int) -> str:
        floor = HEIGHT - FOOT

        def x(value: float) -> float:
            return LEFT + min(value, furthest) / furthest * (width - LEFT - RIGHT)

        def y(pct: float) -> float:
            return floor - min(max(pct, 0.0), tallest) / tallest * (floor - TOP)

        right = width - RIGHT
        body = [
            line(LEFT, floor, right, floor, "axis"),
            label(LEFT - 6, floor + 4, "0 %", anchor="end"),
            line(LEFT, y(limit_pct), right, y(limit_pct), "wear-limit"),
            label(LEFT - 6, y(limit_pct) + 4, f"{number(limit_pct, 2)} %", anchor="end", css="figure"),
        ]
        for tick in ticks(furthest, 4 if css == "wide" else 2):
            if 0 < tick <= furthest:
                body.append(line(x(tick), floor, x(tick), floor + 4, "axis"))
                body.append(label(x(tick), floor + 17, number(tick, 0), anchor="middle"))
        body.append(label(right, floor - 5, str(measure), anchor="end"))
        body.append(line(x(x_now), TOP - 4, x(x_now), floor, "now"))
        body.append(label(x(x_now) - 4, TOP + 6, "now", anchor="end"))
        if known is not None:
            body.append(_cone(known, x, y, limit_pct, measure))
        body += [_reading(one, x, y, tallest, zone) for one in points]
        told = "; ".join(said) or "Never measured"
        return drawn(own, css, width, HEIGHT, f"Wear of {name}", told, "".join(body))

    return at_both_widths(uid, draw, css="wear")


def _ends(reading: Reading, most: float) -> tuple[float, float]:
    """From where to where a reading says the elongation lies. [%]"""
    if reading.exact_pct is not None:
        return reading.exact_pct, reading.exact_pct
    return reading.over_pct or 0.0, most if reading.under_pct is None else reading.under_pct


def _reading(one: WearPoint, x: Scale, y: Scale, tallest: float, zone: tzinfo) -> str:
    left = x(one.x)
    low, high = _ends(one.reading, tallest)
    read = reading_words(one.reading)
    words = f"{read}, {one.reading.tool}, {day(one.reading.taken_at, zone)}"
    if one.reading.exact_pct is None:
        cap = f"M{short(left - 3.5)} {short(y(high))}h7M{short(left - 3.5)} {short(y(low))}h7"
        bar = f"M{short(left)} {short(y(high))}V{short(y(low))}"
        shape = f'<path class="interval" d="{bar}{cap}"/>'
    else:
        error = READING_SD_PCT[one.reading.tool]
        shape = (
            f'<path class="error" d="M{short(left)} {short(y(high + error))}V{short(y(low - error))}"/>'
            f'<path class="point" d="M{short(left)} {short(y(low))}h.01"/>'
        )
    return f'<g class="reading" data-value="{safe(read)}"><title>{safe(words)}</title>{shape}</g>'


def _cone(known: Forecast, x: Scale, y: Scale, limit_pct: float, measure: Measure) -> str:
    start, edge = x(known.x_now), y(limit_pct)
    low, middle, high = (y(one) for one in known.worn_now_pct)
    early, usual, late = (x(max(one, known.x_now)) for one in known.life)
    words = (
        f"worn now {number(known.worn_now_pct[0], 2)} to {number(known.worn_now_pct[2], 2)} %; the limit in "
        f"{number(known.left[0], 0)} to {number(known.left[2], 0)} {measure}, four times out of five"
    )
    return (
        f'<g class="reading" data-value="{safe(words)}"><title>{safe(words)}</title>'
        f'<path class="fan" d="M{short(start)} {short(high)}L{short(early)} {short(edge)}H{short(late)}'
        f'L{short(start)} {short(low)}z"/>'
        f'<path class="fan-middle" d="M{short(start)} {short(middle)}L{short(usual)} {short(edge)}"/></g>'
    )


def rate_mark(low: float, middle: float, high: float, *, most: float, uid: str, name: str) -> str:
    """A rate with its uncertainty on a scale that a column of them shares. Markup, small enough for a cell."""

    def x(value: float) -> float:
        return 6 + min(value, most) / max(most, 1e-12) * (RATE_WIDTH - 12)

    body = (
        f'<path class="interval" d="M{short(x(low))} 10H{short(x(high))}"/>'
        f'<path class="point" d="M{short(x(middle))} 10h.01"/>'
    )
    return drawn(
        uid,
        "rate",
        RATE_WIDTH,
        RATE_HEIGHT,
        f"{name}: {number(middle * 1000, 2)}",
        f"between {number(low * 1000, 2)} and {number(high * 1000, 2)}",
        body,
    )
