"""A ride over time: speed and cadence with the conditions behind them, and its hours as bars."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from datetime import UTC, datetime, timedelta, tzinfo

from ingest.ride.track import TrackPoint
from rules.dates_and_numbers import clock, number
from rules.units import SI, Units
from rules.vocabulary import Condition
from services.web.drawings.ride_map import DrawnHour
from services.web.drawings.scales import clock_ticks, ticks
from services.web.drawings.svg import (
    at_both_widths,
    boxed,
    drawn,
    joined,
    label,
    line,
    rows,
    safe,
    text_width,
)
from services.web.drawings.textures import paint

LEFT, RIGHT = 34.0, 8.0
BAND = 14.0
SPEED_TOP, SPEED_BASE = 54.0, 134.0
CADENCE_TOP, CADENCE_BASE = 162.0, 212.0
SPEED_HEIGHT = CADENCE_BASE + 22.0
GAP_S = 90  # further apart, and much further than usual, two points are not joined by a line
KMH = 3.6

At = Callable[[datetime], float]


def ride_speed(
    points: Sequence[TrackPoint],
    hours: Sequence[DrawnHour],
    *,
    uid: str,
    started_at: datetime,
    name: str = "the ride",
    zone: tzinfo = UTC,
    units: Units = SI,
) -> str:
    """How fast, at which cadence, and under which conditions? Markup; a sentence when there is no track.

    Local time from left to right; a band on top wears each hour's texture and word. A gap in the data
    is a gap.
    """
    if len(points) < 2 or points[-1].offset_s <= points[0].offset_s:
        return '<p class="drawing-note">This ride has no speed over time: its file names no places.</p>'
    start = (started_at + timedelta(seconds=points[0].offset_s)).astimezone(zone)
    end = (started_at + timedelta(seconds=points[-1].offset_s)).astimezone(zone)
    speeds = [None if p.speed_mps is None else units.from_km(p.speed_mps * KMH) for p in points]
    cadences = [None if p.cadence_rpm is None else float(p.cadence_rpm) for p in points]
    known = [speed for speed in speeds if speed is not None]
    told = f"Up to {number(max(known), 0)} {units.speed}." if known else "No speed in the file."

    def draw(own: str, css: str, width: int) -> str:
        right = width - RIGHT

        def at_x(at: datetime) -> float:
            return LEFT + (at - start) / (end - start) * (right - LEFT)

        xs = [at_x(started_at + timedelta(seconds=point.offset_s)) for point in points]
        seconds = [point.offset_s for point in points]
        body = [_bands(hours, start, end, at_x, zone)]
        for values, top, base, said in (
            (speeds, SPEED_TOP, SPEED_BASE, f"speed, {units.speed}"),
            (cadences, CADENCE_TOP, CADENCE_BASE, "cadence, turns a minute"),
        ):
            body.append(_curve(values, xs, seconds, top, base, right, said))
        room = 10 if css == "wide" else 5
        for tick in clock_ticks(start, end, room):
            x = at_x(tick)
            body.append(line(x, CADENCE_BASE, x, CADENCE_BASE + 5, "axis"))
            if LEFT + 14 <= x <= right - 12:
                body.append(label(x, CADENCE_BASE + 17, f"{tick:%H:%M}", anchor="middle"))
        return drawn(own, css, width, SPEED_HEIGHT, f"Speed and cadence of {name}", told, "".join(body))

    return at_both_widths(uid, draw, css="speed")


def _bands(hours: Sequence[DrawnHour], start: datetime, end: datetime, at_x: At, zone: tzinfo) -> str:
    """The conditions along the top, equal neighbours as one band; the word over it where there is room."""
    merged: list[tuple[datetime, datetime, Condition]] = []
    for one in hours:
        left, right = max(one.starts_at, start), min(one.ends_at, end)
        if left >= right:
            continue
        condition = one.exposure.condition
        if merged and merged[-1][2] is condition and merged[-1][1] == left:
            merged[-1] = (merged[-1][0], right, condition)
        else:
            merged.append((left, right, condition))
    shapes = []
    free_from = 0.0
    for left, right, condition in merged:
        x, width = at_x(left), at_x(right) - at_x(left)
        words = f"{condition.value}, {clock(left, zone)} to {clock(right, zone)}"
        shapes.append(
            f'<path class="bar" fill="{paint(condition)}" d="{boxed(x, 16, width, BAND)}">'
            f"<title>{safe(words)}</title></path>" + line(x, 16 + BAND, x, CADENCE_BASE, "band-edge")
        )
        if x >= free_from and text_width(condition.value) <= max(width, 30.0):
            shapes.append(label(x, 11, condition.value, css="figure"))
            free_from = x + text_width(condition.value) + 5
    return "".join(shapes)


def _curve(
    values: Sequence[float | None],
    xs: Sequence[float],
    seconds: Sequence[int],
    top: float,
    base: float,
    right: float,
    said: str,
) -> str:
    """One line over time on its own axis, broken where values are missing."""
    known = [value for value in values if value is not None]
    if not known:
        return label(LEFT, top - 7, f"no {said.split(',')[0]} in the file")
    axis = ticks(max(known) or 1.0, 3)
    scale = (base - top) / axis[-1]
    shapes = rows(((step, base - step * scale, number(step)) for step in axis), LEFT, right)
    shapes.append(label(LEFT, top - 7, said))
    route: list[tuple[float, float] | None] = []
    before = seconds[0]
    gap_s = max(GAP_S, 8 * (seconds[-1] - seconds[0]) / len(seconds))
    for value, x, at_s in zip(values, xs, seconds, strict=True):
        if value is None or at_s - before > gap_s:
            route.append(None)
        if value is not None:
            route.append((x, base - value * scale))
            before = at_s
    shapes.append(f'<path class="curve" d="{joined(route)}"/>')
    return "".join(shapes)


BARS_LEFT, BARS_TOP, BARS_BASE = 74.0, 42.0, 150.0
ROWS = tuple(BARS_BASE + 17.0 * row for row in (1, 2, 3, 4))


def hours_bars(
    hours: Sequence[DrawnHour], *, uid: str, name: str = "the ride", zone: tzinfo = UTC, units: Units = SI
) -> str:
    """What did each hour put into the chain? Markup.

    A block per hour: as wide as it was pedalled [drive hours], as high as it weighed; its area is its
    grit-hours. Under it stand when it began, its grit-hours, its rain and that of the 24 h before it.
    """
    driven = [one for one in hours if one.exposure.drive_h > 0.0]
    if not driven:
        return '<p class="drawing-note">Nobody pedalled on this ride: nothing went into the chain.</p>'
    drive_h = sum(one.exposure.drive_h for one in driven)
    grit_h = sum(one.exposure.grit_h for one in driven)
    title = f"Hours of {name}: {number(drive_h, 2)} drive hours, {number(grit_h, 2)} grit-hours"
    told = "; ".join(_hour_words(one, zone, units) for one in driven)
    axis = ticks(max(one.exposure.weight for one in driven), 3)

    def draw(own: str, css: str, width: int) -> str:
        scale_x = (width - BARS_LEFT - RIGHT) / drive_h
        scale_y = (BARS_BASE - BARS_TOP) / axis[-1]
        body = [
            label(0, 11, "area = grit-hours: drive hours wide, weight high"),
            label(0, 27, "dashed line: the weight of a clean, dry hour"),
        ]
        weights = ((one, BARS_BASE - one * scale_y, f"× {number(one)}" if one else "0") for one in axis)
        body += rows(weights, BARS_LEFT, width - RIGHT)
        tags = [one.hour.tag for one in driven if one.hour.tag is not None]
        wintry = any(tag.snow_mm or tag.frost for tag in tags)  # what fell may have been snow
        fell = f"{'fell' if wintry else 'rain'} {units.rain}"
        for words, y in zip(("from", "grit-hours", fell, "day before"), ROWS, strict=True):
            body.append(label(BARS_LEFT - 8, y, words, anchor="end"))
        x = BARS_LEFT
        free_from = [x] * len(ROWS)
        for one in driven:
            wide = one.exposure.drive_h * scale_x
            body.append(_block(one, x, wide, scale_y, zone, units))
            tag = one.hour.tag
            cells = (
                clock(one.starts_at, zone),
                number(one.exposure.grit_h, 2),
                "?" if tag is None or tag.rain_mm is None else units.rain_said(tag.rain_mm),
                "?" if tag is None or tag.rain_before_mm is None else units.rain_said(tag.rain_before_mm),
            )
            for row, cell in enumerate(cells):
                half = text_width(cell) / 2
                if x + wide / 2 - half >= free_from[row] and (half * 2 <= wide + 14):
                    body.append(label(x + wide / 2, ROWS[row], cell, anchor="middle", css="figure"))
                    free_from[row] = x + wide / 2 + half + 4
            x += wide
        one_y = BARS_BASE - scale_y
        body.append(line(BARS_LEFT, one_y, width - RIGHT, one_y, "clean-hour"))
        return drawn(own, css, width, ROWS[-1] + 6, title, told, "".join(body))

    return at_both_widths(uid, draw, css="hours")


def _block(one: DrawnHour, x: float, wide: float, scale_y: float, zone: tzinfo, units: Units) -> str:
    high = one.exposure.weight * scale_y
    return (
        f'<g class="block" data-date="{one.starts_at.astimezone(zone):%Y-%m-%dT%H:%M}" '
        f'data-value="{number(one.exposure.grit_h, 3)}" data-unit="grit-hours">'
        f"<title>{safe(_hour_words(one, zone, units))}</title>"
        f'<path class="bar" fill="{paint(one.exposure.condition)}" '
        f'd="{boxed(x + 0.6, BARS_BASE - high, max(wide - 1.2, 0.6), high)}"/></g>'
    )


def _hour_words(one: DrawnHour, zone: tzinfo, units: Units) -> str:
    put, tag = one.exposure, one.hour.tag
    rain = ""
    if tag is not None and tag.rain_mm is not None:
        what = "fallen, some of it as snow" if tag.snow_mm else "of rain"
        rain = f", {units.rain_said(tag.rain_mm)} {units.rain} {what}"
    return (
        f"from {clock(one.starts_at, zone)}: {put.condition.value}, {number(put.drive_h, 2)} drive hours "
        f"× {number(put.weight, 2)} = {number(put.grit_h, 2)} grit-hours{rain}"
    )
