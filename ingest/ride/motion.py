"""What happened between one sample and the next: seconds in action, metres, speed, motion."""

from __future__ import annotations

from dataclasses import dataclass
from typing import cast

import numpy as np
from numpy.typing import NDArray

from ingest.ride.gaps import LONGEST_BRIDGE_S, LONGEST_MOVING_GAP_S, bridged
from ingest.ride.geometry import haversine_m, steps_m, unwrapped
from ingest.ride.plausible_samples import JUMP_MPS, MOTOR_MPS
from ingest.ride.recording import Column, Recording
from ingest.ride.smoothing import smoothed

Mask = NDArray[np.bool_]

MOVING_MPS = 0.5  # slower is standing still
PLACE_WINDOW_S = 6.0  # speed from places is taken over this long, so that a jittering place does not move


@dataclass(frozen=True, slots=True, eq=False)
class Intervals:
    """Columns one shorter than the samples: entry i is the time between sample i and sample i+1.

    active_s: seconds with the timer running.  step_m: metres ridden (0 where carried by a motor).
    speed_mps: speed in the interval, NaN = not known.  moving, carried: masks.
    jumps: how many steps were left out because nothing on a bike is that fast.
    """

    active_s: Column
    step_m: Column
    speed_mps: Column
    moving: Mask
    carried: Mask
    jumps: int

    @property
    def moving_s(self) -> Column:
        """Seconds in motion, per interval. [s]"""
        return np.where(self.moving, self.active_s, 0.0)


def intervals_of(recording: Recording, *, wheel_is_blind: bool = False) -> Intervals:
    """What happened between the samples of a recording with strictly ascending times.

    wheel_is_blind: speed and distance never moved though the rider pedalled: not known, rather than zero.
    """
    time = recording.time_s
    active = _active_s(time, recording.pauses)
    if wheel_is_blind:
        nothing = np.full(len(active), np.nan)
        still = np.zeros(len(active), np.bool_)
        return Intervals(active, np.zeros(len(active)), nothing, still, still, 0)
    seconds = np.where(active > 0, active, np.nan)
    counted, jumps = _counted_steps(recording, active)
    placed = steps_m(recording.latitude_deg, recording.longitude_deg)
    far = placed > JUMP_MPS * np.maximum(np.diff(time), 1.0)
    jumps += int(far.sum())
    # A stopped timer or a long silence may hold anything: no metres by the places at its ends.
    wall = np.diff(time)
    stopped = (active < wall / 2) & (wall > LONGEST_BRIDGE_S)
    placed[far | stopped | (wall > LONGEST_MOVING_GAP_S)] = np.nan

    speed = bridged(time, recording.speed_mps)[1:]
    # Over a longer interval what was covered says more than the speed at its end.
    long = active > LONGEST_BRIDGE_S / 2
    has_counted = np.isfinite(counted)
    covered = np.where(has_counted, counted, placed) / seconds
    speed = np.where(long & np.isfinite(covered), covered, speed)
    speed = np.where(np.isfinite(speed) | ~has_counted, speed, covered)
    unknown = np.flatnonzero(~np.isfinite(speed) & ~has_counted)
    if len(unknown):
        speed[unknown] = _speed_by_place(recording, unknown)
    speed[speed > JUMP_MPS] = np.nan

    known_long = np.isfinite(covered) & (active <= LONGEST_MOVING_GAP_S)
    moving = (speed > MOVING_MPS) & ((active <= LONGEST_BRIDGE_S) | known_long)
    integral = np.where(
        (active <= LONGEST_BRIDGE_S) & np.isfinite(recording.speed_mps[1:]), speed * active, np.nan
    )
    step = np.where(has_counted, counted, integral)
    step = np.where(np.isfinite(step), step, np.where(moving, placed, 0.0))
    step = np.where(np.isfinite(step), step, 0.0)

    carried = _carried(time, active, speed)
    return Intervals(active, np.where(carried, 0.0, step), speed, moving & ~carried, carried, jumps)


def _active_s(time_s: Column, pauses: tuple[tuple[float, float], ...]) -> Column:
    """Seconds between samples without the seconds in which the timer stood."""
    wall = np.diff(time_s)
    spans = sorted((start, stop) for start, stop in pauses if stop > start)
    merged: list[list[float]] = []
    for start, stop in spans:
        if merged and start <= merged[-1][1]:
            merged[-1][1] = max(merged[-1][1], stop)
        else:
            merged.append([start, stop])
    if not merged:
        return wall
    edges = np.array(merged).ravel()
    paused = np.concatenate(([0.0], np.cumsum(np.diff(edges) * (np.arange(len(edges) - 1) % 2 == 0))))
    return cast(Column, np.maximum(wall - np.diff(np.interp(time_s, edges, paused)), 0.0))


def _counted_steps(recording: Recording, active_s: Column) -> tuple[Column, int]:
    """Metres per interval by the device's own counter, NaN where it does not tell; and how often it jumped.

    A counter that falls began again from nought (a chained file, a reset): what it shows then is the step.
    """
    counter = recording.distance_m
    none = np.full(len(counter) - 1, np.nan)
    known = np.flatnonzero(np.isfinite(counter))
    if len(known) < 2 or np.ptp(counter[known]) == 0.0:
        return none, 0
    seen, at_s = (
        (counter, recording.time_s)
        if len(known) == len(counter)
        else (counter[known], recording.time_s[known])
    )
    steps = np.diff(seen)
    # By the wall clock: a counter runs on while the timer is stopped.
    possible = JUMP_MPS * np.maximum(np.diff(at_s), 1.0)
    # The rounding of a file may take the counter back by a hair; only a real fall is a new start.
    fell = np.flatnonzero(steps < 0)
    steps[fell] = np.where(steps[fell] > -5.0, 0.0, np.minimum(seen[1:][fell], possible[fell]))
    jumped = np.flatnonzero(steps > possible)
    steps[jumped] = 0.0
    if len(known) == len(counter) and (active_s > 0).all():
        return steps, len(jumped)
    # Between two sightings of the counter its metres are spread over the seconds in action.
    clock_all = np.concatenate(([0.0], np.cumsum(active_s)))
    clock, total = clock_all[known], np.concatenate(([0.0], np.cumsum(steps)))
    spread = np.diff(np.interp(clock_all, clock, total)) if np.ptp(clock) > 0 else none
    spread[: known[0]] = np.nan
    spread[known[-1] :] = np.nan
    return spread, len(jumped)


def _speed_by_place(recording: Recording, rows: NDArray[np.intp]) -> Column:
    """Speed at the end of these intervals from the places around them, NaN where there are none near."""
    time = recording.time_s
    known = np.isfinite(recording.latitude_deg) & np.isfinite(recording.longitude_deg)
    if known.sum() < 2:
        return np.full(len(rows), np.nan)
    at, latitude = time[known], recording.latitude_deg[known]
    longitude = unwrapped(recording.longitude_deg[known])
    low = np.clip(time[1:][rows] - PLACE_WINDOW_S / 2, at[0], at[-1])
    high = np.clip(time[1:][rows] + PLACE_WINDOW_S / 2, at[0], at[-1])
    length = haversine_m(
        np.interp(low, at, latitude),
        np.interp(low, at, longitude),
        np.interp(high, at, latitude),
        np.interp(high, at, longitude),
    )
    seconds = high - low
    speed = np.where(seconds > 0, length / np.where(seconds > 0, seconds, 1.0), np.nan)
    near = np.isfinite(bridged(time, np.where(known, 0.0, np.nan), LONGEST_MOVING_GAP_S))[1:][rows]
    return np.where(near, speed, np.nan)


def _carried(time_s: Column, active_s: Column, speed_mps: Column) -> Mask:
    """Where the bike went faster for a whole minute than a bike can, so a motor carried it."""
    if not (speed_mps > MOTOR_MPS).any():
        return np.zeros(len(active_s), np.bool_)
    minute = smoothed(time_s[1:], np.where(np.isfinite(speed_mps), speed_mps, 0.0), 60.0)
    return minute > MOTOR_MPS
