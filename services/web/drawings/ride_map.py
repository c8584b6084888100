"""A ride's track, to scale, each stretch in the texture of its hour's condition."""

from __future__ import annotations

import math
from collections.abc import Sequence
from datetime import UTC, datetime, timedelta, tzinfo
from typing import NamedTuple

from ingest.ride.track import TrackPoint
from rules.contamination import Exposure
from rules.dates_and_numbers import clock, number
from rules.units import SI, Units
from rules.vocabulary import Condition, Ride, RideHour
from services.web.drawings.scales import round_step
from services.web.drawings.svg import at_both_widths, drawn, joined, label, line, safe, short, text_width
from services.web.drawings.textures import paint

METRES_PER_DEGREE = math.pi / 180.0 * 6_371_008.8  # mean radius of the Earth (IUGG, from memory)
MARGIN = 22.0
TALLEST_WIDE, TALLEST_NARROW = 420.0, 360.0
SCALE_HEIGHT = 34.0


class DrawnHour(NamedTuple):
    """One hour of a ride as drawings need it: when it began on the road, and what it was like."""

    starts_at: datetime
    ends_at: datetime
    hour: RideHour
    exposure: Exposure


def drawn_hours(ride: Ride, exposures: Sequence[Exposure]) -> tuple[DrawnHour, ...]:
    """The hours of a ride, each with what it put into the chain; exposures in the ride's order of hours."""
    return tuple(
        DrawnHour(
            max(hour.hour_start, ride.started_at),
            min(hour.hour_start + timedelta(hours=1), ride.ended_at),
            hour,
            put,
        )
        for hour, put in zip(ride.hours, exposures, strict=True)
    )


class Piece(NamedTuple):
    """Consecutive track points, by their positions, ridden under one condition."""

    first: int
    last: int
    condition: Condition


def pieces(points: Sequence[TrackPoint], started_at: datetime, hours: Sequence[DrawnHour]) -> list[Piece]:
    """The track cut where the condition changes. Each piece begins where the one before it ends."""
    found: list[Piece] = []
    for position in range(len(points) - 1):
        condition = condition_at(started_at + timedelta(seconds=points[position].offset_s), hours)
        if found and found[-1].condition is condition:
            found[-1] = Piece(found[-1].first, position + 1, condition)
        else:
            found.append(Piece(position, position + 1, condition))
    return found


def condition_at(at: datetime, hours: Sequence[DrawnHour]) -> Condition:
    """What it was like at this instant; unknown outside every hour."""
    for one in hours:
        if one.hour.hour_start <= at < one.hour.hour_start + timedelta(hours=1):
            return one.exposure.condition
    return Condition.UNKNOWN


def ride_track(
    points: Sequence[TrackPoint],
    hours: Sequence[DrawnHour],
    *,
    uid: str,
    started_at: datetime,
    name: str = "the ride",
    zone: tzinfo = UTC,
    units: Units = SI,
) -> str:
    """Where did the ride go, and what was the ground like? Markup; a sentence when there is no track.

    To scale, north up, equirectangular about the middle of the track; no map lies under it.
    started_at: of the first sample, which the points count from.
    """
    if len(points) < 2:
        return '<p class="drawing-note">This ride has no track: its file names no places.</p>'
    cut = pieces(points, started_at, hours)
    told = ", then ".join(
        f"{piece.condition.value} from "
        f"{clock(started_at + timedelta(seconds=points[piece.first].offset_s), zone)}"
        for piece in cut
    )
    east, north = _metres(points)

    def draw(own: str, css: str, width: int) -> str:
        tallest = TALLEST_WIDE if css == "wide" else TALLEST_NARROW
        span_x, span_y = max(east) - min(east), max(north) - min(north)
        scale = min((width - 2 * MARGIN) / max(span_x, 1.0), (tallest - 2 * MARGIN) / max(span_y, 1.0))
        height = max(span_y * scale, 40.0) + 2 * MARGIN
        left = (width - span_x * scale) / 2
        west, top = min(east), max(north)
        xs = [left + (x - west) * scale for x in east]
        ys = [MARGIN + (top - y) * scale for y in north]
        body = "".join(_ribbon(piece, xs, ys, points, started_at, zone) for piece in cut)
        body += _ends(xs, ys, width)
        body += _scale_bar(width, height + 6, scale, units) + _north(width - 16, height + 10)
        return drawn(own, css, width, height + SCALE_HEIGHT, f"Track of {name}", f"In order: {told}.", body)

    return at_both_widths(uid, draw, css="track")


def _metres(points: Sequence[TrackPoint]) -> tuple[list[float], list[float]]:
    """Metres east and north of the first point, about the middle latitude; across the date line too."""
    latitudes = [point.latitude_deg for point in points]
    squeeze = math.cos(math.radians((max(latitudes) + min(latitudes)) / 2))
    first = points[0].longitude_deg
    east = [
        ((point.longitude_deg - first + 180.0) % 360.0 - 180.0) * squeeze * METRES_PER_DEGREE
        for point in points
    ]
    return east, [(latitude - latitudes[0]) * METRES_PER_DEGREE for latitude in latitudes]


def _ribbon(
    piece: Piece,
    xs: Sequence[float],
    ys: Sequence[float],
    points: Sequence[TrackPoint],
    started_at: datetime,
    zone: tzinfo,
) -> str:
    """A stretch of track: an edge, and over it the texture."""
    places = range(piece.first, piece.last + 1)
    route = joined([(xs[i], ys[i]) for i in places])
    start, end = (started_at + timedelta(seconds=points[i].offset_s) for i in (piece.first, piece.last))
    words = f"{piece.condition.value}, {clock(start, zone)} to {clock(end, zone)}"
    return (
        f'<g class="stretch" data-date="{start.astimezone(zone):%Y-%m-%dT%H:%M}" '
        f'data-value="{piece.condition.value}" data-unit=""><title>{safe(words)}</title>'
        f'<path class="ribbon-edge" d="{route}"/>'
        f'<path class="ribbon" stroke="{paint(piece.condition)}" d="{route}"/></g>'
    )


def _ends(xs: Sequence[float], ys: Sequence[float], width: float) -> str:
    """Start: an open ring; end: a full square. One word for both where they lie together."""
    shapes = [
        f'<path class="ride-end" d="M{short(xs[-1] - 4.5)} {short(ys[-1] - 4.5)}h9v9h-9z"/>',
        f'<circle class="ride-start" cx="{short(xs[0])}" cy="{short(ys[0])}" r="6.5"/>',
    ]
    if math.hypot(xs[0] - xs[-1], ys[0] - ys[-1]) < 30:
        named = [("start and end", xs[0], ys[0])]
    else:
        named = [("start", xs[0], ys[0]), ("end", xs[-1], ys[-1])]
    for word, x, y in named:
        beside = x + 12 if x + 14 + text_width(word) < width else x - 12
        shapes.append(label(beside, y + 4, word, anchor="start" if beside > x else "end", css="haloed"))
    return "".join(shapes)


def _scale_bar(width: float, y: float, scale: float, units: Units) -> str:
    """A round length of at most a third of the drawing."""
    long_m, short_m = units.km(1.0) * 1000, units.small_length_m
    one_m = long_m if width / 3 / scale >= long_m / 2 else short_m
    length = round_step(width / 3 / scale / 2 / one_m, 1)
    while length * one_m * scale > width / 3 and length > 1e-6:
        length /= 2
    said = f"{number(length, 2)} {units.distance if one_m == long_m else units.height}"
    x = MARGIN
    right = x + length * one_m * scale
    return (
        f'<path class="axis" d="M{short(x)} {short(y)}v8M{short(x)} {short(y + 4)}H{short(right)}'
        f'M{short(right)} {short(y)}v8"/>' + label(right + 6, y + 8, said, css="figure")
    )


def _north(x: float, y: float) -> str:
    return line(x, y + 10, x, y - 4, "axis") + (
        f'<path class="north" d="M{short(x)} {short(y - 10)}l-4 9h8z"/>'
        + label(x - 7, y + 10, "N", anchor="end")
    )
