"""The wear lane of a chain's life: readings as intervals, the limit, and the fan of the forecast."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta, tzinfo

from rules.dates_and_numbers import day, number
from rules.vocabulary import Reading
from rules.wear.forecast import Forecast
from rules.wear.reading_error import READING_SD_PCT
from services.web.drawings.scales import MONTHS, roomy_month_starts
from services.web.drawings.svg import boxed, dot, drawn, joined, label, line, safe, short, text_width
from services.web.drawings.timeline_events import reading_words

WEAR_HEIGHT = 66.0
SHARES = ("10 %", "50 %", "90 %")  # of the forecast's triples

At = Callable[[datetime], float]


@dataclass(frozen=True, slots=True)
class WearAxis:
    """Elongation from 0 to `most` [%], and where the limit lies."""

    most: float
    limit_pct: float
    left: float
    right: float

    @classmethod
    def of(cls, limit_pct: float, readings: Sequence[Reading], left: float, right: float) -> WearAxis:
        """An axis to 1 %, or further where a reading or the limit lies further."""
        values = [limit_pct]
        for one in readings:
            values += [value for value in (one.exact_pct, one.over_pct, one.under_pct) if value is not None]
        most = 1.0
        while most < max(values):
            most += 0.5
        return cls(most, limit_pct, left, right)

    def y(self, pct: float, top: float) -> float:
        """How far down an elongation lies."""
        return top + WEAR_HEIGHT * (1.0 - min(max(pct, 0.0), self.most) / self.most)


def wear_lane(axis: WearAxis, top: float, edge: float, *, named: bool) -> str:
    """Axis, round values and the limit line."""
    steps = [i * 0.5 for i in range(int(axis.most / 0.5) + 1)]
    shapes = []
    for pct in steps:
        y = axis.y(pct, top)
        if pct != axis.limit_pct:
            shapes.append(line(axis.left, y, edge, y, "axis" if pct == 0.0 else "grid"))
        shapes.append(label(axis.left - 5, y + 4, number(pct, 1), anchor="end"))
    limit_y = axis.y(axis.limit_pct, top)
    shapes.append(line(axis.left, limit_y, edge, limit_y, "wear-limit"))
    if named:
        shapes.append(label(axis.left + 3, limit_y - 4, f"limit {number(axis.limit_pct, 2)} %", css="figure"))
        shapes.append(label(axis.left + 3, limit_y + 13, "wear in %"))  # readings of new chains lie lower
    return "".join(shapes)


def reading_marks(
    readings: Sequence[Reading],
    axis: WearAxis,
    top: float,
    opening: datetime,
    end: datetime,
    at_x: At,
    zone: tzinfo,
) -> str:
    """Each reading where it was taken: a gauge's as an interval, any other as a point with its error."""
    shapes = []
    for one in readings:
        if not opening <= one.taken_at < end:
            continue
        x = at_x(one.taken_at)
        value = "" if one.exact_pct is None else number(one.exact_pct, 3)
        shapes.append(
            f'<g class="reading" data-date="{one.taken_at.astimezone(zone):%Y-%m-%d}" '
            f'data-value="{value or safe(reading_words(one))}" data-unit="{"%" if value else ""}">'
            f"<title>{safe(f'{reading_words(one)}, {day(one.taken_at, zone)}')}</title>"
            f"{reading_shape(one, x, lambda pct: axis.y(pct, top), axis.most)}</g>"
        )
    return "".join(shapes)


def reading_shape(reading: Reading, x: float, y: Callable[[float], float], most: float) -> str:
    """A reading at a place. A gauge that dropped in all the way has no upper end: an arrow says so."""
    if reading.exact_pct is not None:
        spread = READING_SD_PCT[reading.tool]
        high, low = y(reading.exact_pct + spread), y(reading.exact_pct - spread)
        return line(x, high, x, low, "error") + dot(x, y(reading.exact_pct))
    low_pct = reading.over_pct or 0.0
    low = y(low_pct)
    if reading.under_pct is None:
        high = y(most)
        cap = (
            f"M{short(x - 3.5)} {short(high + 5)}L{short(x)} {short(high)}L{short(x + 3.5)} {short(high + 5)}"
        )
    else:
        high = y(reading.under_pct)
        cap = f"M{short(x - 3.5)} {short(high)}h7"
    foot = f"M{short(x - 3.5)} {short(low)}h7"
    return f'<path class="interval" d="M{short(x)} {short(low)}V{short(high)}{cap}{foot}"/>'


def fan(
    uid: str, forecast: Forecast, axis: WearAxis, top: float, now: datetime, at_x: At, edge: float
) -> str:
    """From what it is worn now to the limit by date, at the recent pace, cut off at the edge of a lane."""
    if forecast.on is None or at_x(now) >= edge or at_x(forecast.on[2]) <= axis.left:
        return ""
    early, middle, late = (at_x(on) for on in forecast.on)
    low, half, high = (axis.y(pct, top) for pct in forecast.worn_now_pct)
    limit_y = axis.y(forecast.limit_pct, top)
    left = max(at_x(now), axis.left)
    box = boxed(left, top - 2, edge - left, WEAR_HEIGHT + 2)
    return fan_shape(uid, box, at_x(now), (low, half, high), limit_y, (early, middle, late))


def fan_shape(
    uid: str,
    box: str,
    now_x: float,
    worn_y: tuple[float, float, float],
    limit_y: float,
    limit_x: tuple[float, float, float],
) -> str:
    """A fan of eight chances in ten, with its middle, from now to the limit, cut off at the box.

    worn_y: of the least, the middle and the most that it may be worn now. limit_x: early, middle, late.
    """
    low, half, high = worn_y
    early, middle, late = limit_x
    area = joined([(now_x, high), (early, limit_y), (late, limit_y), (now_x, low)])
    return (
        f'<clipPath id="{uid}-fan"><path d="{box}"/></clipPath><g clip-path="url(#{uid}-fan)">'
        f'<path class="fan" d="{area}z"/>{line(now_x, half, middle, limit_y, "fan-middle")}</g>'
    )


def ahead_panel(
    uid: str,
    forecast: Forecast,
    axis: WearAxis,
    drawn_until: datetime,
    now: datetime,
    name: str,
    zone: tzinfo,
) -> str:
    """The way to the limit on an axis of its own; nothing when the half-years drawn reach it already."""
    if forecast.on is None or forecast.on[2] <= drawn_until or forecast.on[2] <= now + timedelta(days=1):
        return ""
    start = now.astimezone(zone)
    end = forecast.on[2].astimezone(zone) + (forecast.on[2] - now) * 0.04
    top = 40.0

    def at_x(at: datetime) -> float:
        return axis.left + (at - start) / (end - start) * (axis.right - axis.left)

    body = [label(0, 11, "the way ahead, at the recent pace", css="heading")]
    body.append(wear_lane(axis, top, axis.right, named=False))
    body.append(fan(uid, forecast, axis, top, now, at_x, axis.right))
    body.append(_limit_dates(forecast, axis, top, at_x, zone))
    base = top + WEAR_HEIGHT
    starts, every = roomy_month_starts(start, end, 6)
    for month in starts:
        x = at_x(month)
        body.append(line(x, base, x, base + 5, "axis"))
        named = f"{month.year}" if every >= 12 or month.month == 1 else MONTHS[month.month - 1]
        if x + text_width(named) / 2 <= axis.right + 4 and x - text_width(named) / 2 >= axis.left:
            body.append(label(x, base + 16, named, anchor="middle"))
    told = f"{forecast.sentence} By date: {_dates(forecast, zone)}."
    return drawn(uid, "half", axis.right + 6, base + 22, f"{name}, the way ahead", told, "".join(body))


def _dates(forecast: Forecast, zone: tzinfo) -> str:
    assert forecast.on is not None
    return ", ".join(f"{share} by {day(on, zone)}" for share, on in zip(SHARES, forecast.on, strict=True))


def _limit_dates(forecast: Forecast, axis: WearAxis, top: float, at_x: At, zone: tzinfo) -> str:
    """Where the fan meets the limit: a point each for early, middle and late, named where there is room."""
    assert forecast.on is not None
    limit_y = axis.y(forecast.limit_pct, top)
    shapes = []
    taken: list[tuple[float, float]] = []
    for position in (1, 0, 2):  # the middle has the first claim to room
        on, share = forecast.on[position], SHARES[position]
        x = at_x(on)
        title = (
            f"at the limit of {number(forecast.limit_pct, 2)} % by {day(on, zone)}, with a chance of {share}"
        )
        shapes.append(
            f'<g class="reading" data-date="{on.astimezone(zone):%Y-%m-%d}" data-value="{share}">'
            f"<title>{safe(title)}</title>{dot(x, limit_y)}</g>"
        )
        half = text_width(share) / 2
        left = min(x - half, axis.right - 2 * half)
        if all(left > right or left + 2 * half < start for start, right in taken):
            taken.append((left - 4, left + 2 * half + 4))
            shapes.append(label(left + half, limit_y - 7, share, anchor="middle", css="figure"))
    return "".join(shapes)
