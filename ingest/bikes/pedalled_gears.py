"""Gears seen from the saddle: speed over cadence is gear ratio times circumference, so a ride draws a comb.

Development D [m] = metres per crank turn = (front teeth / rear teeth) · wheel circumference. Worked in ln D,
where one cog step is the same distance whatever the chainring, and another tyre shifts the whole comb.
"""

from __future__ import annotations

import itertools
import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from ingest.ride.geometry import steps_m
from ingest.ride.recording import Column, Recording

SHORTEST_DEVELOPMENT_M = 0.9
LONGEST_DEVELOPMENT_M = 13.0
BIN_WIDTH = 0.01  # of ln D: finer than any sensor's noise
FIRST_EDGE = math.log(SHORTEST_DEVELOPMENT_M)
BINS = math.ceil((math.log(LONGEST_DEVELOPMENT_M) - FIRST_EDGE) / BIN_WIDTH)
BIN_CENTRES: Column = FIRST_EDGE + (np.arange(BINS, dtype=np.float64) + 0.5) * BIN_WIDTH

WHEEL_NOISE = 0.010  # of ln D, one sample, from a wheel sensor
GPS_NOISE = 0.028  # of ln D, one sample, from satellite speed
WHEEL_SENSORS = frozenset({"speed", "speed and cadence"})
SAMPLE_GAP_S = 10.0  # further apart, two samples tell nothing of what lay between
STEADY_STEP = 0.07  # of ln D from one sample to the next: less is one gear held
LEAST_CADENCE_RPM = 35.0
LEAST_SPEED_MPS = 1.2
FEWEST_GEARS = 4  # fewer lines are no comb: one tyre more or less moves a line by a whole cog


def development_m(front_teeth: int, rear_teeth: int, circumference_m: float) -> float:
    """How far one turn of the crank goes. [m]"""
    return front_teeth / rear_teeth * circumference_m


@dataclass(frozen=True, slots=True)
class GearHistogram:
    """Seconds of steady pedalling per bin of ln development.

    bins: indices into BIN_CENTRES, ascending.  noise: of one sample, in ln D; says where the speed came from.
    gears_held: how many peaks it has, see `gears_seen`.
    """

    bins: tuple[int, ...]
    seconds: tuple[int, ...]
    noise: float
    gears_held: int

    def centres(self) -> Column:
        """The developments of its bins. [ln m]"""
        return BIN_CENTRES[list(self.bins)]

    def packed(self) -> list[float]:
        """Noise and gears held, then bin and seconds in turn: flat, for JSON."""
        flat: list[float] = [self.noise, self.gears_held]
        for index, seconds in zip(self.bins, self.seconds, strict=True):
            flat += (index, seconds)
        return flat

    @classmethod
    def unpacked(cls, flat: list[float]) -> GearHistogram:
        """What `packed` packed. Raises ValueError for anything else."""
        bins, seconds = tuple(int(b) for b in flat[2::2]), tuple(int(s) for s in flat[3::2])
        in_order = all(a < b for a, b in itertools.pairwise(bins))
        if len(bins) != len(seconds) or not in_order or (bins and not 0 <= bins[0] <= bins[-1] < BINS):
            raise ValueError("its gears are not a histogram")
        return cls(bins, seconds, float(flat[0]), int(flat[1]))


def summed(histograms: Sequence[GearHistogram]) -> GearHistogram | None:
    """All of them as one. None: there is none."""
    if not histograms:
        return None
    column = np.zeros(BINS)
    for one in histograms:
        column[list(one.bins)] += one.seconds
    bins = np.flatnonzero(column)
    noise, held = max(one.noise for one in histograms), max(one.gears_held for one in histograms)
    return GearHistogram(tuple(map(int, bins)), tuple(map(int, column[bins])), noise, held)


def gear_histogram(recording: Recording, wheel_off: float = 0.0) -> GearHistogram | None:
    """Which developments the ride was pedalled in, and how long. None: no cadence, or hardly any pedalling.

    Only gears held count: coasting, shifting and soft-pedalling leave speed and cadence unrelated.
    wheel_off: ln of how much larger the wheel is than its sensor was set for; developments are corrected.
    """
    if not recording.has_cadence:
        return None
    time_s, cadence_rpm = recording.time_s, recording.cadence_rpm
    speed = pedalling_speed(recording)
    with np.errstate(invalid="ignore", divide="ignore"):
        usable = (cadence_rpm >= LEAST_CADENCE_RPM) & (cadence_rpm <= 150) & (speed >= LEAST_SPEED_MPS)
        ln_development = np.where(usable, np.log(speed * 60.0 / cadence_rpm) + wheel_off, np.nan)
    gap_s = np.diff(time_s)
    with np.errstate(invalid="ignore"):
        joined = (gap_s > 0) & (gap_s <= SAMPLE_GAP_S) & (np.abs(np.diff(ln_development)) < STEADY_STEP)
    if not joined.any():
        return None
    steady = np.zeros(len(time_s), dtype=bool)
    steady[1:] |= joined
    steady[:-1] |= joined
    smooth = _mean_with_joined_neighbours(ln_development, joined)
    held_s = np.zeros(len(time_s))
    held_s[1:] += np.where(joined, gap_s / 2, 0.0)
    held_s[:-1] += np.where(joined, gap_s / 2, 0.0)
    index = np.floor((smooth - FIRST_EDGE) / BIN_WIDTH)
    kept = steady & (index >= 0) & (index < BINS)
    seconds = np.bincount(index[kept].astype(np.int64), weights=held_s[kept], minlength=BINS)
    whole = np.rint(seconds).astype(np.int64)
    filled = np.flatnonzero(whole)
    if whole.sum() < 120:
        return None
    by_wheel = any(s.kind in WHEEL_SENSORS for s in recording.sensors)
    noise = WHEEL_NOISE if by_wheel else GPS_NOISE
    held = len(gears_seen(whole.astype(np.float64)))
    return GearHistogram(tuple(filled.tolist()), tuple(whole[filled].tolist()), noise, held)


def pedalling_speed(recording: Recording) -> Column:
    """Speed as the device gave it, else from its distance, else from its places. [m/s], NaN where unknown."""
    speed: Column = recording.speed_mps
    if np.isfinite(speed).any():
        return speed
    distance_m = recording.distance_m
    if not np.isfinite(distance_m).any():
        step_m = steps_m(recording.latitude_deg, recording.longitude_deg)
        distance_m = np.concatenate(([0.0], np.cumsum(np.nan_to_num(step_m))))
    gap_s = np.diff(recording.time_s, prepend=np.nan)
    with np.errstate(invalid="ignore", divide="ignore"):
        result: Column = np.where(gap_s > 0, np.diff(distance_m, prepend=np.nan) / gap_s, np.nan)
    return result


def _mean_with_joined_neighbours(values: Column, joined: NDArray[np.bool_]) -> Column:
    total, count = np.nan_to_num(values), np.ones(len(values))
    clean = total.copy()
    total[1:] += np.where(joined, clean[:-1], 0.0)
    total[:-1] += np.where(joined, clean[1:], 0.0)
    count[1:] += joined
    count[:-1] += joined
    mean: Column = total / count
    return mean


def smoothed(histogram: Column, width: float = 0.008) -> Column:
    """The histogram seen through a bell of this width [ln D]."""
    reach = math.ceil(4 * width / BIN_WIDTH)
    bell = np.exp(-0.5 * (np.arange(-reach, reach + 1) * BIN_WIDTH / width) ** 2)
    result: Column = np.convolve(histogram, bell / bell.sum(), mode="same")
    return result


def gears_seen(histogram: Column, *, least_share: float = 0.02) -> Column:
    """The ln developments at which a histogram peaks, ascending: the gears that were held. [ln m]

    A peak counts when it stands a seventh above the valley to the next one, and the ±2 % around it hold at
    least `least_share` of the time.
    """
    curve = smoothed(histogram)
    total = histogram.sum()
    inner = curve[1:-1]
    peaks = np.flatnonzero((inner > curve[:-2]) & (inner >= curve[2:])) + 1
    kept: list[int] = []
    for peak in peaks:
        nearby = histogram[max(peak - 2, 0) : peak + 3].sum()
        if nearby < least_share * total:
            continue
        if kept:
            valley = curve[kept[-1] : peak + 1].min()
            if min(curve[kept[-1]], curve[peak]) < 1.15 * valley:
                if curve[peak] > curve[kept[-1]]:
                    kept[-1] = int(peak)
                continue
        kept.append(int(peak))
    lines = []
    for at in kept:
        left, here, right = curve[at - 1], curve[at], curve[at + 1]
        bend = left - 2 * here + right
        lines.append(BIN_CENTRES[at] + (0.5 * (left - right) / bend * BIN_WIDTH if bend < 0 else 0.0))
    return np.array(lines)
