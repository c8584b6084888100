"""Reads GPX files with gpxpy on lxml: the reference for ingest.gpx.stream, and its fallback."""

from __future__ import annotations

from collections.abc import Iterable
from datetime import UTC, datetime
from typing import Any, Final

import gpxpy
import lxml.etree  # gpxpy takes it when it is there; the standard library's parser crashes on deep nesting
import numpy as np

from ingest.errors import UnreadableFile
from ingest.gpx.contents import GpxContents, Track
from ingest.gpx.extensions import COLUMNS, EXTENSIONS

MOST_BYTES: Final = 4_000_000  # two seconds' work, and 40 times the memory

assert lxml.etree.LXML_VERSION >= (5,), "gpxpy must find lxml"


def gpx_contents(data: bytes, file_name: str) -> GpxContents:
    """What do the points of these GPX bytes say, according to gpxpy?

    One fault anywhere and gpxpy reads nothing: then, and when the file is too large, UnreadableFile is
    raised.
    """
    if len(data) > MOST_BYTES:
        why = f"is written so unusually that reading its {len(data)} bytes would take too long"
        raise UnreadableFile(file_name, why, "export the ride again")
    if b"<!ENTITY" in data:
        raise UnreadableFile(file_name, "its XML declares entities", "export the ride again")
    try:
        parsed = gpxpy.parse(data)
    except Exception as error:  # its own errors, lxml's, and bare ones
        why = str(error).split("\n", 1)[0] or type(error).__name__
        raise UnreadableFile(file_name, f"cannot be read: {why}", "export the ride again") from error

    segments = [segment.points for track in parsed.tracks for segment in track.segments]
    points = [point for segment in segments for point in segment]
    columns = {name: np.full(len(points), np.nan) for name in COLUMNS}
    time_s = np.full(len(points), np.nan)
    for row, point in enumerate(points):
        columns["latitude_deg"][row] = _number(point.latitude)
        columns["longitude_deg"][row] = _number(point.longitude)
        columns["altitude_m"][row] = _number(point.elevation)
        time_s[row] = _unix_s(point.time)
        values = {"speed_mps": _number(point.speed)}
        for extension in point.extensions:
            for element in extension.iter():
                column = EXTENSIONS.get(str(element.tag).rpartition("}")[2])
                if column is not None and np.isnan(values.get(column, np.nan)):
                    values[column] = _number(element.text)
        for name, value in values.items():
            columns[name][row] = value
    lengths = [len(segment) for segment in segments]
    tracks = parsed.tracks
    return GpxContents(
        time_s=time_s,
        columns=columns,
        segment_starts=np.cumsum([0, *lengths])[:-1].tolist(),
        tracks=_tracks(parsed.tracks),
        title=next((track.name for track in tracks if track.name), None) or parsed.name or None,
        sport=next((track.type for track in tracks if track.type), None),
        creator=parsed.creator or None,
        other_points=len(parsed.waypoints) + sum(len(route.points) for route in parsed.routes),
    )


def _tracks(tracks: Iterable[Any]) -> list[Track]:
    found, row = [], 0
    for track in tracks:
        found.append(Track(row, track.name or None, track.type or None))
        row += sum(len(segment.points) for segment in track.segments)
    return found


def _number(value: Any) -> float:
    try:
        return float(value)
    except (TypeError, ValueError):
        return float("nan")


def _unix_s(at: datetime | None) -> float:
    if at is None:
        return float("nan")
    try:
        return (at if at.tzinfo else at.replace(tzinfo=UTC)).timestamp()
    except (ValueError, OverflowError):  # a zone of a day or more
        return float("nan")
