"""A ride minute by minute, small enough to keep for ever, so that recordings can be compared."""

from __future__ import annotations

import struct
import zlib
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from ingest.columns import LONGEST_BRIDGE_S
from ingest.geometry import unwrapped, wrapped
from ingest.recording import Column, Recording

_HEADER = struct.Struct("<4sqIIHHHH")
_MARK = b"skt1"
LONGEST_MINUTES = 60 * 24 * 40


@dataclass(frozen=True, slots=True, eq=False)
class Sketch:
    """Columns by UTC minute; NaN = not known in that minute.

    first_minute: minutes since 1970.  Places are those at the exact start of the minute, so that two devices
    on one bike agree to the metre.  Cadence, heart rate, power and speed are means over the minute.
    identity: the recording device, when the file names it.  The shares are of the samples.
    """

    first_minute: int
    latitude_deg: Column
    longitude_deg: Column
    speed_mps: Column
    cadence_rpm: Column
    heart_rate_bpm: Column
    power_w: Column
    samples: int
    sensors: int
    damaged: bool
    place_share: float
    cadence_share: float
    power_share: float
    identity: str | None

    @property
    def minutes(self) -> int:
        """How many minutes the sketch spans."""
        return len(self.latitude_deg)


def packed_sketch(recording: Recording) -> bytes:
    """The recording's sketch, compressed: about a kilobyte an hour.

    recording: strictly ascending times, not empty.
    """
    time = recording.time_s
    first = int(time[0] // 60)
    minutes = min(int(time[-1] // 60) - first + 1, LONGEST_MINUTES)
    starts = (first + np.arange(minutes)) * 60.0
    of = np.minimum((time // 60).astype(np.int64) - first, minutes - 1)
    latitude = _at(starts, time, recording.latitude_deg)
    longitude = wrapped(_at(starts, time, unwrapped(recording.longitude_deg)))
    body = b"".join(
        (
            np.where(np.isfinite(latitude), np.round(latitude * 1e5), 2**31 - 1).astype("<i4").tobytes(),
            np.where(np.isfinite(longitude), np.round(longitude * 1e5), 2**31 - 1).astype("<i4").tobytes(),
            _mean_by_minute(recording.speed_mps, of, minutes, 100.0),
            _mean_by_minute(recording.cadence_rpm, of, minutes, 10.0),
            _mean_by_minute(recording.heart_rate_bpm, of, minutes, 10.0),
            _mean_by_minute(recording.power_w, of, minutes, 10.0),
        )
    )
    identity = ((recording.device.identity if recording.device else None) or "").encode()[:200]
    header = _HEADER.pack(
        _MARK,
        first,
        minutes,
        min(len(time), 2**32 - 1),
        min(len(recording.sensors), 0xFFFF) << 1 & 0xFFFF | bool(recording.damage),
        _share(recording.latitude_deg),
        _share(recording.cadence_rpm),
        _share(recording.power_w),
    )
    return zlib.compress(header + body + identity, 6)


def sketch_of(packed: bytes) -> Sketch:
    """The sketch that was packed. Raises ValueError for bytes that are no packed sketch."""
    try:
        plain = zlib.decompress(packed)
        mark, first, n, samples, flags, place, cadence, power = _HEADER.unpack_from(plain)
        if mark != _MARK or len(plain) < _HEADER.size + n * 16:
            raise ValueError("not a packed sketch")
    except (zlib.error, struct.error) as error:
        raise ValueError("not a packed sketch") from error
    places = np.frombuffer(plain, "<i4", 2 * n, _HEADER.size).astype(np.float64).reshape(2, n)
    places[places == 2**31 - 1] = np.nan
    means = np.frombuffer(plain, "<u2", 4 * n, _HEADER.size + 8 * n).astype(np.float64).reshape(4, n)
    means[means == 0xFFFF] = np.nan
    identity = plain[_HEADER.size + 16 * n :].decode(errors="replace") or None
    return Sketch(
        first_minute=first,
        latitude_deg=places[0] / 1e5,
        longitude_deg=places[1] / 1e5,
        speed_mps=means[0] / 100,
        cadence_rpm=means[1] / 10,
        heart_rate_bpm=means[2] / 10,
        power_w=means[3] / 10,
        samples=samples,
        sensors=flags >> 1,
        damaged=bool(flags & 1),
        place_share=place / 1000,
        cadence_share=cadence / 1000,
        power_share=power / 1000,
        identity=identity,
    )


def _at(instants: NDArray[np.floating], time_s: Column, column: Column) -> Column:
    """The column at these instants, where known samples lie close on both sides."""
    known = np.isfinite(column)
    if known.sum() < 2:
        return np.full(len(instants), np.nan)
    at, value = time_s[known], column[known]
    after = np.clip(np.searchsorted(at, instants), 1, len(at) - 1)
    near = (at[after] - at[after - 1] <= 6 * LONGEST_BRIDGE_S) & (instants >= at[0]) & (instants <= at[-1])
    return np.where(near, np.interp(instants, at, value), np.nan)


def _mean_by_minute(column: Column, minute: NDArray[np.int64], minutes: int, scale: float) -> bytes:
    known = np.isfinite(column)
    count = np.bincount(minute[known], minlength=minutes)
    total = np.bincount(minute[known], column[known], minutes)
    mean = np.clip(np.round(total / np.maximum(count, 1) * scale), 0, 0xFFFE)
    return np.where(count > 0, mean, 0xFFFF).astype("<u2").tobytes()


def _share(column: Column) -> int:
    return round(float(np.isfinite(column).mean()) * 1000)
