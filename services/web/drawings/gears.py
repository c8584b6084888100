"""The gears a ride was pedalled in, beside the gears that bikes have."""

from __future__ import annotations

import math
from collections import defaultdict
from collections.abc import Mapping, Sequence
from datetime import datetime, tzinfo

from ingest.bikes.pedalled_gears import BIN_CENTRES, BIN_WIDTH, GearHistogram, development_m
from rules.dates_and_numbers import day, number
from rules.vocabulary import Bike
from services.web.drawings.scales import month_starts
from services.web.drawings.svg import at_both_widths, drawn, known_name, label, line, safe, short, text_width

LEFT, RIGHT = 10.0, 10.0
TOP, BASE = 26.0, 126.0
BIKE_ROW = 30.0
USUAL_CIRCUMFERENCE_M = 2.13
GRAIN = 5.0  # of a heap: its width and its height
GRAINS_S = (5, 10, 15, 30, 60, 120, 300, 600, 1200, 1800, 3600, 7200)
SIGN_LOW_M, SIGN_HIGH_M, SIGN_WIDTH = 1.1, 10.4, 150.0  # one axis for all bikes, so that combs compare


def gears_m(bike: Bike) -> tuple[float, ...]:
    """The developments of a bike's gears, ascending; none when its teeth were not entered. [m]"""
    circumference_m = bike.wheel_circumference_m or USUAL_CIRCUMFERENCE_M
    return tuple(
        sorted(development_m(front, rear, circumference_m) for front in bike.chainrings for rear in bike.cogs)
    )


def ride_days(days: Sequence[datetime], *, uid: str, zone: tzinfo, name: str) -> str:
    """When were they ridden? Markup: a grain a ride on one line of days, the months beneath."""
    first, last = min(days), max(days)
    span_s = max((last - first).total_seconds(), 86_400.0)
    told = f"{len(days)} rides, {day(first, zone)} to {day(last, zone)}."

    def draw(own: str, css: str, width: int) -> str:
        def x_of(at: datetime) -> float:
            return LEFT + (at - first).total_seconds() / span_s * (width - LEFT - RIGHT)

        grains = "".join(f"M{short(x_of(at))} 9h.01" for at in sorted(days))
        body = f'<path class="grain ride-grain" d="{grains}"/>'
        body += line(LEFT - 4, 18, width - RIGHT + 4, 18, "axis")
        free_from = 0.0
        for month in month_starts(first.astimezone(zone), last.astimezone(zone)) or [first.astimezone(zone)]:
            words, x = f"{month:%B}", max(x_of(month), LEFT)
            body += line(x, 18, x, 22, "axis")
            if x >= free_from and x + text_width(words) <= width:
                body += label(x, 34, words)
                free_from = x + text_width(words) + 8
        return drawn(own, css, width, 38, f"Days of {name}", told, body)

    return at_both_widths(uid, draw, css="days")


def _heaps(at: Sequence[tuple[float, int]]) -> tuple[int, str]:
    """Seconds by place as heaps of grains: how long a grain is [s], and the path of them all."""
    columns: defaultdict[int, int] = defaultdict(int)
    for x, seconds in at:
        columns[int(x / GRAIN)] += seconds
    most = max(columns.values())
    grain_s = next(
        (s for s in GRAINS_S if most / s <= (BASE - TOP) / GRAIN), round(most * GRAIN / (BASE - TOP))
    )
    return grain_s, "".join(
        f"M{short((column + 0.5) * GRAIN)} {short(BASE - (number_of + 0.7) * GRAIN)}h.01"
        for column, seconds in columns.items()
        for number_of in range(round(seconds / grain_s))
    )


def _short_time(seconds: int) -> str:
    return f"{seconds} s" if seconds < 60 else f"{seconds / 60:g} min"


def bike_sign(bike: Bike, *, uid: str) -> str:
    """A bike by its comb, a stroke a gear, beside its name. Markup; nothing where no teeth are known."""
    gears = gears_m(bike)
    if not gears:
        return ""
    low, high = math.log(SIGN_LOW_M), math.log(SIGN_HIGH_M)
    places = [4 + (math.log(gear) - low) / (high - low) * (SIGN_WIDTH - 8) for gear in gears]
    strokes = "".join(f"M{short(min(max(x, 4), SIGN_WIDTH - 4))} 1v12" for x in places)
    told = f"{len(gears)} gears, {number(gears[0])} to {number(gears[-1])} m a turn"
    body = f'<path class="gear" d="{strokes}M4 13H{SIGN_WIDTH - 4:g}"/>'
    return drawn(known_name(uid), "sign", SIGN_WIDTH, 15, f"The comb of {bike.name}", told, body)


def gear_comb(
    histogram: GearHistogram | None,
    bikes: Sequence[Bike],
    *,
    uid: str,
    name: str = "the ride",
    grains: bool = False,
) -> str:
    """Whose gears were these? Markup; a sentence when the ride tells none.

    Above, the time pedalled at each development (metres per turn of the crank); below, one line per gear of
    each bike, on the same logarithmic axis. Peaks over lines: it may have been this bike.
    grains: the time is heaped up grain by grain, so that it can be counted.
    """
    if histogram is None or not histogram.bins:
        return '<p class="drawing-note">This ride tells no gears: there is no cadence in its file.</p>'
    combs: Mapping[str, tuple[float, ...]] = {bike.name: gears_m(bike) for bike in bikes if gears_m(bike)}
    ridden = [math.exp(BIN_CENTRES[index]) for index in (histogram.bins[0], histogram.bins[-1])]
    every = [*ridden, *(gear for comb in combs.values() for gear in comb)]
    low, high = math.log(min(every) * 0.97), math.log(max(every) * 1.03)
    most = max(histogram.seconds)
    told = (
        f"Pedalled between {number(ridden[0])} and {number(ridden[1])} metres a turn, "
        f"most at {number(math.exp(BIN_CENTRES[histogram.bins[histogram.seconds.index(most)]]))}."
    )

    def draw(own: str, css: str, width: int) -> str:
        def x_of(log_m: float) -> float:
            return LEFT + (log_m - low) / (high - low) * (width - LEFT - RIGHT)

        at = [
            (x_of(float(BIN_CENTRES[i])), s) for i, s in zip(histogram.bins, histogram.seconds, strict=True)
        ]
        if grains:
            grain_s, heaps = _heaps(at)
            body = [
                label(0, 11, f"a grain is {_short_time(grain_s)} pedalled"),
                f'<path class="grain" d="{heaps}"/>',
            ]
        else:
            bar = x_of(low + BIN_WIDTH) - x_of(low)
            teeth = "".join(f"M{short(x)} {BASE:g}V{short(BASE - s / most * (BASE - TOP))}" for x, s in at)
            body = [label(0, 11, "time pedalled at each development")]
            body.append(f'<path class="held" stroke-width="{short(max(bar * 0.8, 0.8))}" d="{teeth}"/>')
        body.append(line(LEFT, BASE, width - RIGHT, BASE, "axis"))
        y = BASE
        for bike, comb in combs.items():
            strokes = "".join(f"M{short(x_of(math.log(gear)))} {short(y + 22)}v8" for gear in comb)
            words = f"{bike}: {len(comb)} gears, {number(comb[0])} to {number(comb[-1])} m a turn"
            body.append(
                f'<g class="comb"><title>{safe(words)}</title><path class="gear" d="{strokes}"/></g>'
                + label(LEFT, y + 17, bike, css="figure")
            )
            y += BIKE_ROW
        y += 14.0
        body.append(line(LEFT, y, width - RIGHT, y, "axis"))
        free_from = 0.0
        for metres in (1, 1.5, 2, 3, 4, 5, 6, 8, 10, 12):
            if low <= math.log(metres) <= high:
                x = x_of(math.log(metres))
                words = f"{number(metres)} m"
                body.append(line(x, y, x, y + 5, "axis"))
                half = text_width(words) / 2
                if x - half >= free_from and x + half <= width:
                    body.append(label(x, y + 17, words, anchor="middle"))
                    free_from = x + half + 8
        return drawn(own, css, width, y + 24, f"Gears of {name}", told, "".join(body))

    return at_both_widths(uid, draw, css="gears")
