"""Legs, or a lift: which climbs in a recording without cadence did a rope, a train or a van do?

Each long climb is judged by what a human can do and what a rope does; several alike say more than one.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from math import exp, log
from typing import Final

import numpy as np
from numpy.typing import NDArray

from ingest.ride.drive_time import DRIVING_W, TURNING_RPM
from ingest.ride.gaps import bridged
from ingest.ride.geometry import haversine_m
from ingest.ride.motion import Intervals, Mask
from ingest.ride.recording import Column, Recording
from ingest.ride.smoothing import smoothed

SHORTEST_S: Final = 180.0
LONGEST_HALT_S: Final = 30.0  # inside one climb
CLIMBING_MPH: Final = 400.0  # metres an hour
WINDOW_S: Final = 60.0
# A climb in a file that says cycling is a lift: a judgement, as are the likelihood ratios; no source.
PRIOR: Final = log(0.03 / 0.97)
CARRIED_FROM, DOUBTED_FROM = 0.95, 0.2
# Required watts with a heart at rest, or falling: such a climb is 20 times as likely to be carried.
WORK_W, RESTING_BPM, FALL_BPM = 200.0, 100.0, 15.0
AT_WORK_BPM: Final = 120.0
HEART: Final = log(20)
MOST_ALIKE: Final = 4  # climbs with a resting heart that speak for one another
# A rope keeps its speed and goes straight; published: chair lifts 2.0 to 2.8 m/s fixed, 5 m/s detachable.
ROPE_VARIATION, ROPE_STRAIGHT = 0.03, 1.02
ROPE, LONG_ROPE, STRAIGHT, LONG_ROPE_S = log(30), log(100), log(10), 480.0
# 6 W/kg of rider on a bike climb 1 680 m/h at most: 3600 · 0.85 · 6 · 72/80 / 9.81.
HUMAN_MPH, BEYOND_HUMAN = 1_680.0, log(100)
# World-class watts a kilogram by duration (from memory), for a rider of 72 kg.
HUMAN_S, HUMAN_W = (60.0, 300.0, 3600.0), (11.5 * 72, 7.6 * 72, 6.4 * 72)
_MOTORS = ("e_bik", "ebik", "e_mtb")


@dataclass(frozen=True, slots=True)
class Climb:
    """One long climb, and how likely something else than legs did it. Rows are of intervals."""

    begin: int
    end: int
    chance: float


def lifts(recording: Recording, intervals: Intervals, required_w: Callable[[], Column]) -> tuple[Mask, Mask]:
    """Which intervals were carried uphill, and which perhaps were: two masks over the intervals.

    A climb with cadence or power is never judged, nor one of a bike with a motor.
    required_w: what power each interval required, when it is asked for.
    """
    carried, doubted = (np.zeros(len(intervals.active_s), np.bool_) for _ in range(2))
    words = f"{recording.sport or ''} {recording.sub_sport or ''}".lower()
    if not any(mark in words for mark in _MOTORS):
        for climb in climbs(recording, intervals, required_w):
            mask = carried if climb.chance >= CARRIED_FROM else doubted
            mask[climb.begin : climb.end] = climb.chance >= DOUBTED_FROM
    return carried, doubted


def climbs(recording: Recording, intervals: Intervals, required_w: Callable[[], Column]) -> tuple[Climb, ...]:
    """Every long climb without a turn of the cranks, judged."""
    time = recording.time_s
    if len(time) < 3 or np.isfinite(recording.altitude_m).mean() < 0.5:
        return ()
    turned = bridged(time, recording.cadence_rpm)[1:] >= TURNING_RPM
    worked = bridged(time, recording.power_w)[1:] > DRIVING_W
    idle = ~(turned | worked | intervals.carried)
    if not _spans(idle, time):
        return ()
    altitude = smoothed(time, recording.altitude_m, WINDOW_S)
    rate_mph = smoothed(time[1:], np.diff(altitude) / np.diff(time) * 3600.0, WINDOW_S)
    spans = _spans(idle & (rate_mph >= CLIMBING_MPH), time)
    if not spans:
        return ()
    power = required_w()
    heart = _heart(recording)
    speed = smoothed(time[1:], intervals.speed_mps, 30.0)
    resting = [_rests(heart, power, begin, end) for begin, end in spans]
    alike = min(sum(one is True for one in resting), MOST_ALIKE)
    found = []
    for (begin, end), rests in zip(spans, resting, strict=True):
        logit = PRIOR + (HEART * alike if rests else -HEART if rests is False else 0.0)
        logit += _rope(recording, speed, begin, end)
        seconds = float(time[end] - time[begin])
        if (altitude[end] - altitude[begin]) / seconds * 3600 > HUMAN_MPH:
            logit += BEYOND_HUMAN
        if _mean(power[begin:end]) > np.interp(log(seconds), np.log(HUMAN_S), HUMAN_W):
            logit += BEYOND_HUMAN
        found.append(Climb(begin, end, 1 / (1 + exp(-logit))))
    return tuple(found)


def _spans(rising: NDArray[np.bool_], time_s: Column) -> list[tuple[int, int]]:
    """Stretches that rise long enough, short halts taken in."""
    rows = np.flatnonzero(rising)
    if not len(rows):
        return []
    halts = np.flatnonzero(np.diff(time_s[rows]) > LONGEST_HALT_S)
    begins, ends = rows[np.append(0, halts + 1)], rows[np.append(halts, len(rows) - 1)] + 1
    long = time_s[ends] - time_s[begins] >= SHORTEST_S
    return list(zip(begins[long].tolist(), ends[long].tolist(), strict=True))


def _heart(recording: Recording) -> Column:
    """Heart rate over half a minute; NaN where there is none, or where the strap repeats one number."""
    heart = recording.heart_rate_bpm
    known = heart[np.isfinite(heart) & (heart > 0)]
    if len(known) < 60 or float(known.std()) < 1.0:
        return np.full(len(heart), np.nan)
    return smoothed(recording.time_s, np.where(heart > 0, heart, np.nan), 30.0)


def _rests(heart: Column, power: Column, begin: int, end: int) -> bool | None:
    """Whether the heart rests while watts are asked for; False = it works, None = it does not tell."""
    beats = heart[begin : end + 1]
    if not np.isfinite(beats).all():
        return None
    mean = float(beats.mean())
    if _mean(power[begin:end]) > WORK_W and (mean < RESTING_BPM or beats[0] - beats[-1] > FALL_BPM):
        return True
    return False if mean >= AT_WORK_BPM else None


def _rope(recording: Recording, speed_mps: Column, begin: int, end: int) -> float:
    """How much the climb is like a rope's: at one speed, smoothed over half a minute, and straight."""
    time = recording.time_s
    # The climb was found over a window: its first and last half of one may be the way there.
    begin, end = np.searchsorted(time, (time[begin] + WINDOW_S, time[end] - WINDOW_S)).tolist()
    if end - begin < 2:
        return 0.0
    speed = speed_mps[begin:end]
    seconds = float(time[end] - time[begin])
    if not np.isfinite(speed).any() or _mean(speed) <= 0 or np.nanstd(speed) > ROPE_VARIATION * _mean(speed):
        return 0.0
    logit = LONG_ROPE if seconds >= LONG_ROPE_S else ROPE
    placed = begin + np.flatnonzero(np.isfinite(recording.latitude_deg[begin : end + 1]))
    if len(placed) < 2:
        return logit
    latitude, longitude = recording.latitude_deg[placed], recording.longitude_deg[placed]
    tenths = np.linspace(0, len(placed) - 1, 11).astype(int)
    legs = haversine_m(
        latitude[tenths[:-1]], longitude[tenths[:-1]], latitude[tenths[1:]], longitude[tenths[1:]]
    )
    line = haversine_m(latitude[:1], longitude[:1], latitude[-1:], longitude[-1:])
    return logit + (STRAIGHT if float(legs.sum()) <= ROPE_STRAIGHT * float(line[0]) else -STRAIGHT)


def _mean(values: Column) -> float:
    known = values[np.isfinite(values)]
    return float(known.mean()) if len(known) else 0.0
