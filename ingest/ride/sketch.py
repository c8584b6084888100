"""A ride minute by minute, small enough to keep for ever, so that recordings can be compared."""

from __future__ import annotations

import struct
import zlib
from dataclasses import dataclass, replace
from datetime import timedelta

import numpy as np
from numpy.typing import NDArray

from ingest.ride.gaps import LONGEST_BRIDGE_S
from ingest.ride.geometry import unwrapped, wrapped
from ingest.ride.recording import Column, Recording

_HEADER = struct.Struct("<4sqIIHHHH")
_MARK = b"skt2"
_NO_PLACE, _NO_MEAN = 2**31 - 1, 0xFFFF
PLACES_A_MINUTE = 3
_MINUTE_BYTES = PLACES_A_MINUTE * 8 + 4 * 2
LONGEST_MINUTES = 60 * 24 * 40


@dataclass(frozen=True, slots=True, eq=False)
class Sketch:
    """Columns by UTC minute; NaN = not known in that minute.

    first_minute: minutes since 1970.  Places are three to a minute, at its full 20 s, so that two devices on
    one bike agree to the metre.  Cadence, heart rate, power and speed are means over the minute.
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
        return len(self.speed_mps)


def packed_sketch(recording: Recording) -> bytes:
    """The recording's sketch, compressed: about a kilobyte an hour.

    recording: strictly ascending times, not empty.
    """
    time = recording.time_s
    first = int(time[0] // 60)
    minutes = min(int(time[-1] // 60) - first + 1, LONGEST_MINUTES)
    instants = first * 60.0 + np.arange(minutes * PLACES_A_MINUTE) * (60.0 / PLACES_A_MINUTE)
    minute = np.minimum(time.astype(np.int64) // 60 - first, minutes - 1)
    begins = np.flatnonzero(np.append(True, minute[1:] != minute[:-1]))  # times ascend
    of = minute[begins]
    latitude = _at(instants, time, recording.latitude_deg)
    longitude = wrapped(_at(instants, time, unwrapped(recording.longitude_deg)))
    body = b"".join(
        (
            _steps(latitude),
            _steps(longitude),
            _mean_by_minute(recording.speed_mps, begins, of, minutes, 100.0),
            _mean_by_minute(recording.cadence_rpm, begins, of, minutes, 10.0),
            _mean_by_minute(recording.heart_rate_bpm, begins, of, minutes, 10.0),
            _mean_by_minute(recording.power_w, begins, of, minutes, 10.0),
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
    return zlib.compress(header + body + identity, 1)  # a hundredth larger than at level 6, ten times as fast


def sketch_of(packed: bytes) -> Sketch:
    """The sketch that was packed. Raises ValueError for bytes that are no packed sketch."""
    try:
        plain = zlib.decompress(packed)
        mark, first, n, samples, flags, place, cadence, power = _HEADER.unpack_from(plain)
        if mark != _MARK or len(plain) < _HEADER.size + n * _MINUTE_BYTES:
            raise ValueError("not a packed sketch")
    except (zlib.error, struct.error) as error:
        raise ValueError("not a packed sketch") from error
    steps = np.frombuffer(plain, "<i4", 2 * PLACES_A_MINUTE * n, _HEADER.size).reshape(2, -1)
    places = np.cumsum(steps, axis=1, dtype=np.int64).astype(np.int32).astype(np.float64)
    places[places == _NO_PLACE] = np.nan
    means = np.frombuffer(plain, "<u2", 4 * n, _HEADER.size + steps.nbytes).astype(np.float64).reshape(4, n)
    means[means == _NO_MEAN] = np.nan
    identity = plain[_HEADER.size + _MINUTE_BYTES * n :].decode(errors="replace") or None
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


def shifted(sketch: Sketch, by: timedelta) -> Sketch:
    """The same sketch by another clock; by: whole minutes."""
    return replace(sketch, first_minute=sketch.first_minute + round(by.total_seconds() / 60))


def _steps(degrees: Column) -> bytes:
    """Places in 1e-5° as differences, which pack better; they wrap at 32 bits, and back when summed."""
    whole = np.where(np.isfinite(degrees), np.round(degrees * 1e5), _NO_PLACE).astype(np.int64)
    return np.diff(whole, prepend=0).astype("<i4").tobytes()


def _at(instants: NDArray[np.floating], time_s: Column, column: Column) -> Column:
    """The column at these instants, where known samples lie close on both sides."""
    known = np.isfinite(column)
    if np.count_nonzero(known) < 2:
        return np.full(len(instants), np.nan)
    at, value = (time_s, column) if known.all() else (time_s[known], column[known])
    after = np.clip(np.searchsorted(at, instants), 1, len(at) - 1)
    near = (at[after] - at[after - 1] <= 6 * LONGEST_BRIDGE_S) & (instants >= at[0]) & (instants <= at[-1])
    return np.where(near, np.interp(instants, at, value), np.nan)


def _mean_by_minute(
    column: Column, begins: NDArray[np.intp], of: NDArray[np.int64], minutes: int, scale: float
) -> bytes:
    """begins: where a minute's samples begin.  of: which minute that is."""
    known = np.isfinite(column)
    count = np.add.reduceat(known, begins, dtype=np.int64)
    total = np.add.reduceat(column if known.all() else np.where(known, column, 0.0), begins)
    mean = np.clip(np.round(total / np.maximum(count, 1) * scale), 0, _NO_MEAN - 1)
    means = np.full(minutes, _NO_MEAN, "<u2")
    means[of] = np.where(count > 0, mean, _NO_MEAN)
    return means.tobytes()


def _share(column: Column) -> int:
    return round(float(np.isfinite(column).mean()) * 1000)
