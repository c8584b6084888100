"""A runner's cadence, or a bicycle's: what a recording without a sport shows in its legs."""

from __future__ import annotations

from typing import Final

import numpy as np

from ingest.ride.gaps import bridged
from ingest.ride.motion import Intervals
from ingest.ride.recording import Recording
from ingest.ride.smoothing import smoothed

FEWEST_S: Final = 300.0  # of motion with cadence: less shows no stride
STEPS_RPM: Final = 125.0  # the middle of a cadence that counts steps, not turns; no rider spins so
# Common practice, no source: a runner's legs hardly ever stand while moving, and turn evenly.
STANDING_SHARE, VARIATION = 0.03, 0.08
# A runner's stride grows with speed: 1.90, 2.20 and 2.58 m at 2.68, 3.16 and 3.83 m/s, a slope of 0.86 in
# logarithms (30 runners, Leacox 2025); a gear's metres a turn do not.
STRIDE_SLOPE: Final = 0.6
RESTING_SHARE, GEAR_SLOPE = 0.05, 0.3  # of a bicycle: common practice, no source
STRIDE_M: Final = (0.9, 3.6)  # a leg's two steps, from walking to a sprint


def runs_like(recording: Recording, intervals: Intervals) -> str | None:
    """How this cadence is a runner's or walker's, half a sentence; None = it is not, or does not tell."""
    cadence = bridged(recording.time_s, recording.cadence_rpm)[1:]
    known = intervals.moving & np.isfinite(cadence) & np.isfinite(intervals.speed_mps)
    seconds = intervals.active_s[known]
    if float(seconds.sum()) < FEWEST_S:
        return None
    cadence_rpm, speed_mps = cadence[known], intervals.speed_mps[known]
    turning = cadence_rpm > 0
    if not turning.any():
        return None
    middle = float(np.median(cadence_rpm[turning]))
    if middle > STEPS_RPM:
        return f"its cadence counts steps, not turns ({middle:.0f} a minute)"
    standing = float(seconds[~turning].sum() / seconds.sum())
    variation = float(cadence_rpm[turning].std() / middle)
    per_turn_m = float(np.median(speed_mps[turning] * 60 / cadence_rpm[turning]))
    if standing >= STANDING_SHARE or not STRIDE_M[0] <= per_turn_m <= STRIDE_M[1]:
        return None
    slope = _slope(recording, intervals, cadence)
    if variation < VARIATION and (slope is None or slope > STRIDE_SLOPE):
        return (
            f"its legs turn evenly all the time and go {per_turn_m:.1f} m a turn, as a runner's do "
            "and a bicycle's do not"
        )
    return None


def turns_a_gear(recording: Recording, intervals: Intervals) -> bool:
    """Whether the cadence is a bicycle's: legs that rest while it rolls, and metres a turn that stay."""
    cadence = bridged(recording.time_s, recording.cadence_rpm)[1:]
    known = intervals.moving & np.isfinite(cadence)
    seconds = intervals.active_s[known]
    resting = float(seconds[cadence[known] == 0].sum())
    if float(seconds.sum()) < FEWEST_S or resting < RESTING_SHARE * float(seconds.sum()):
        return False
    slope = _slope(recording, intervals, cadence)
    return slope is None or slope < GEAR_SLOPE


def _slope(recording: Recording, intervals: Intervals, cadence: np.ndarray) -> float | None:
    """How metres a turn grow with speed, in logarithms over half a minute; None = the pace never changes."""
    time = recording.time_s[1:]
    speed = smoothed(time, np.where(intervals.moving, intervals.speed_mps, np.nan), 30.0)
    turns = smoothed(time, np.where(cadence > 0, cadence, np.nan), 30.0)
    known = np.isfinite(speed) & np.isfinite(turns) & (speed > 0.5) & (turns > 0)
    x, y = np.log(speed[known]), np.log(speed[known] * 60 / turns[known])
    spread = float(np.var(x)) if len(x) else 0.0
    if spread < 0.03**2:
        return None
    return float(np.mean((x - x.mean()) * (y - y.mean())) / spread)
