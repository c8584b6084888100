"""A track small enough to keep with its ride and draw on a page."""

from __future__ import annotations

import struct
import zlib
from dataclasses import dataclass

import numpy as np

from ingest.ride.geometry import thinned
from ingest.ride.recording import Recording

MOST_POINTS = 400
_HEADER = struct.Struct("<4sH")
_MARK = b"trk1"
_NO_SPEED, _NO_CADENCE = 0xFFFF, 0xFF


@dataclass(frozen=True, slots=True)
class TrackPoint:
    """One point of a simplified track. None = the sample had no such value."""

    offset_s: int  # since the ride's first sample
    latitude_deg: float  # to 1e-5°, about a metre
    longitude_deg: float
    speed_mps: float | None
    cadence_rpm: int | None


def packed_track(recording: Recording) -> bytes:
    """The recording's track in at most 400 points, compressed; b"" when it has no place."""
    placed = np.flatnonzero(np.isfinite(recording.latitude_deg) & np.isfinite(recording.longitude_deg))
    if not len(placed):
        return b""
    rows = placed[
        thinned(recording.latitude_deg.take(placed), recording.longitude_deg.take(placed), MOST_POINTS)
    ]
    speed, cadence = recording.speed_mps[rows], recording.cadence_rpm[rows]
    offset = np.round(recording.time_s[rows] - recording.time_s[0])
    columns = (
        np.diff(offset, prepend=0.0).astype("<i4"),
        np.diff(np.round(recording.latitude_deg[rows] * 1e5), prepend=0.0).astype("<i4"),
        np.diff(np.round(recording.longitude_deg[rows] * 1e5), prepend=0.0).astype("<i4"),
        np.where(np.isfinite(speed), np.clip(np.round(speed * 100), 0, _NO_SPEED - 1), _NO_SPEED).astype(
            "<u2"
        ),
        np.where(np.isfinite(cadence), np.clip(np.round(cadence), 0, _NO_CADENCE - 1), _NO_CADENCE).astype(
            "u1"
        ),
    )
    return zlib.compress(_HEADER.pack(_MARK, len(rows)) + b"".join(column.tobytes() for column in columns), 1)


def track_points(track: bytes) -> list[TrackPoint]:
    """The points of a packed track; none for b"". Raises ValueError for bytes that are no packed track."""
    if not track:
        return []
    try:
        plain = zlib.decompress(track)
        mark, count = _HEADER.unpack_from(plain)
        if mark != _MARK or len(plain) != _HEADER.size + count * 15:
            raise ValueError("not a packed track")
    except (zlib.error, struct.error) as error:
        raise ValueError("not a packed track") from error
    deltas = np.frombuffer(plain, "<i4", 3 * count, _HEADER.size).reshape(3, count).astype(np.int64)
    offset, latitude, longitude = np.cumsum(deltas, axis=1).tolist()
    speed = np.frombuffer(plain, "<u2", count, _HEADER.size + 12 * count).tolist()
    cadence = np.frombuffer(plain, "u1", count, _HEADER.size + 14 * count).tolist()
    return [
        TrackPoint(
            at,
            north / 1e5,
            east / 1e5,
            None if centimetres == _NO_SPEED else centimetres / 100,
            None if rpm == _NO_CADENCE else rpm,
        )
        for at, north, east, centimetres, rpm in zip(offset, latitude, longitude, speed, cadence, strict=True)
    ]
