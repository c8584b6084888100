"""The gears a ride was pedalled in, beside the gears that bikes have."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence

from ingest.bikes.gearing import BIN_CENTRES, BIN_WIDTH, GearHistogram, development_m
from rules.vocabulary import Bike
from rules.wording import number
from services.web.drawings.svg import at_both_widths, drawn, known_name, label, line, safe, short, text_width

LEFT, RIGHT = 10.0, 10.0
TOP, BASE = 26.0, 126.0
BIKE_ROW = 30.0
USUAL_CIRCUMFERENCE_M = 2.13
SIGN_LOW_M, SIGN_HIGH_M, SIGN_WIDTH = 1.1, 10.4, 150.0  # one axis for all bikes, so that combs compare


def gears_m(bike: Bike) -> tuple[float, ...]:
    """The developments of a bike's gears, ascending; none when its teeth were not entered. [m]"""
    circumference_m = bike.wheel_circumference_m or USUAL_CIRCUMFERENCE_M
    return tuple(
        sorted(development_m(front, rear, circumference_m) for front in bike.chainrings for rear in bike.cogs)
    )


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
    histogram: GearHistogram | None, bikes: Sequence[Bike], *, uid: str, name: str = "the ride"
) -> str:
    """Whose gears were these? Markup; a sentence when the ride tells none.

    Above, the time pedalled at each development (metres per turn of the crank); below, one line per gear of
    each bike, on the same logarithmic axis. Peaks over lines: it may have been this bike.
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

        bar = x_of(low + BIN_WIDTH) - x_of(low)
        teeth = []
        for index, seconds in zip(histogram.bins, histogram.seconds, strict=True):
            x = x_of(float(BIN_CENTRES[index]))
            teeth.append(f"M{short(x)} {BASE:g}V{short(BASE - seconds / most * (BASE - TOP))}")
        body = [label(0, 11, "time pedalled at each development")]
        body.append(f'<path class="held" stroke-width="{short(max(bar * 0.8, 0.8))}" d="{"".join(teeth)}"/>')
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
