"""How long a chain was turned: by cadence, by required power, or as a share of the moving time."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import cast

import numpy as np
from numpy.typing import NDArray

from ingest.ride.gaps import LONGEST_BRIDGE_S, LONGEST_MOVING_GAP_S, bridged
from ingest.ride.motion import MOVING_MPS, Intervals
from ingest.ride.recording import Column, Recording
from ingest.ride.smoothing import smoothed
from rules.vocabulary import DriveMethod

TURNING_RPM = 20.0
DRIVING_W = 10.0
SAMPLE_SPEAKS_S = 5.0  # a lone sample vouches for no more seconds than these

# Rider and bike on a paved road. Checked in the tests; the values are ordinary, not the rider's own.
MASS_KG = 80.0
GRAVITY_MPS2 = 9.80665
ROLLING_COEFFICIENT = 0.005
DRAG_AREA_M2 = 0.35
AIR_KG_M3 = 1.2

ALTITUDE_WINDOW_S = 15.0
SPEED_WINDOW_S = 5.0

# Common practice, no source: what share of its moving time a bike is pedalled.
MOVING_SHARE, MOVING_SHARE_LOW, MOVING_SHARE_HIGH = 0.85, 0.75, 0.95
# How far a method may be off, as a share of its seconds. Cadence: a judgement, no source. Required power: on
# three recorded rides whose cadence was hidden from it, it was off by +14 %, +13 % and −2 %.
BAND = {DriveMethod.CADENCE: 0.02, DriveMethod.REQUIRED_POWER: 0.15}
# More of the moving seconds in long intervals than this, and single samples tell little of what lay between.
SPARSE_SHARE = 0.2


@dataclass(frozen=True, slots=True, eq=False)
class DriveTime:
    """Seconds of drive per interval, and what they rest on.

    low_s, high_s: the band of the total.  parts: seconds by method, only methods that were used, most first.
    lost_s: seconds in motion, or pedalled indoors, in gaps too long to vouch for; the upper end of the band
    contains them.
    """

    seconds: Column
    low_s: float
    high_s: float
    method: DriveMethod
    parts: tuple[tuple[DriveMethod, float], ...]
    lost_s: float


def required_power_w(
    speed_mps: Column | float,
    slope: Column | float = 0.0,
    acceleration_mps2: Column | float = 0.0,
) -> Column:
    """What power it takes to ride like this in still air. [W] Negative where gravity or braking gives more.

    speed_mps: along the road [m/s].  slope: rise over run, 0.05 = 5 % [1].  acceleration_mps2: [m/s²].
    P = m g v (sin α + Crr cos α) + ½ ρ CdA v³ + m v a
    Source: Martin et al., J. Appl. Biomech. 14 (1998) 276-291, without bearing and wind terms.
    """
    cosine = 1.0 / np.sqrt(1.0 + np.square(slope))
    climb_and_roll = MASS_KG * GRAVITY_MPS2 * speed_mps * cosine * (slope + ROLLING_COEFFICIENT)
    air = 0.5 * AIR_KG_M3 * DRAG_AREA_M2 * speed_mps * speed_mps * speed_mps
    return cast(Column, climb_and_roll + air + MASS_KG * np.multiply(speed_mps, acceleration_mps2))


def drive_time(recording: Recording, intervals: Intervals, required_w: Callable[[], Column]) -> DriveTime:
    """How many seconds of each interval the chain was turned.

    Cadence where the samples have it; measured power, else required power, where they do not; a share of the
    moving time where samples are too sparse or have no altitude.
    recording: strictly ascending times, as given to `intervals_of`.  required_w: see `estimated_power_w`.
    """
    active, speed = intervals.active_s, intervals.speed_mps
    cadence = bridged(recording.time_s, recording.cadence_rpm)
    power = bridged(recording.time_s, recording.power_w)[1:]
    short = active <= LONGEST_BRIDGE_S
    vouched = np.where(short, active, SAMPLE_SPEAKS_S)

    moving_s = intervals.moving_s
    sparse = moving_s[~short].sum() > SPARSE_SHARE * moving_s.sum()
    vouchable = ~intervals.carried & (short | ~sparse)

    by_cadence = np.isfinite(cadence[1:]) & vouchable
    bike_works = (speed > MOVING_MPS) | (power > 0) | (np.isnan(speed) & np.isnan(power))
    turned = np.where(by_cadence & bike_works, vouched * _turning_share(cadence, active), 0.0)

    elsewhere = ~by_cadence & ~intervals.carried
    watched = elsewhere & np.isfinite(power) & vouchable
    estimate = np.full(len(active), np.nan)
    if not sparse and moving_s[elsewhere & ~watched].any():
        estimate = required_w()
    followed = watched | (elsewhere & np.isfinite(estimate))
    works = np.where(watched, power > DRIVING_W, (estimate > DRIVING_W) & intervals.moving)
    powered = np.where(followed & works, vouched, 0.0)
    shared = np.where(elsewhere & ~followed, MOVING_SHARE * moving_s, 0.0)

    in_action = intervals.moving | (np.isnan(speed) & (by_cadence | watched))
    lost = float((active - vouched)[~short & (by_cadence | followed) & in_action].sum())
    return _summed(turned, powered, shared, lost)


def drive_time_by_word(intervals: Intervals) -> DriveTime:
    """Nothing measured moved, but its rider says that it was ridden: a share of the timer's time."""
    nothing = np.zeros(len(intervals.active_s))
    ticking = np.where(intervals.active_s <= LONGEST_MOVING_GAP_S, intervals.active_s, 0.0)
    return _summed(nothing, nothing, MOVING_SHARE * ticking, 0.0)


def estimated_power_w(recording: Recording, intervals: Intervals) -> Column:
    """What power each interval required of an ordinary rider. [W] NaN without speed or without altitude."""
    time = recording.time_s
    altitude = bridged(time, recording.altitude_m)
    if len(time) < 3 or np.isfinite(altitude).sum() < 0.5 * len(time):
        return np.full(len(intervals.active_s), np.nan)
    wall = np.diff(time)
    speed = smoothed(time[1:], intervals.speed_mps, SPEED_WINDOW_S)
    rise = np.diff(smoothed(time, altitude, ALTITUDE_WINDOW_S))
    run = speed * wall
    slope = np.clip(rise / np.where(run > 0.1, run, np.inf), -0.4, 0.4)
    acceleration = np.gradient(speed, time[1:])
    known = np.isfinite(intervals.speed_mps)
    return np.where(known, required_power_w(speed, slope, acceleration), np.nan)


def _summed(turned: Column, powered: Column, shared: Column, lost_s: float) -> DriveTime:
    parts = {
        DriveMethod.CADENCE: float(turned.sum()),
        DriveMethod.REQUIRED_POWER: float(powered.sum()),
        DriveMethod.MOVING_SHARE: float(shared.sum()),
    }
    low = high = 0.0
    for method, seconds in parts.items():
        if method is DriveMethod.MOVING_SHARE:
            low += seconds * MOVING_SHARE_LOW / MOVING_SHARE
            high += seconds * MOVING_SHARE_HIGH / MOVING_SHARE
        else:
            low += seconds * (1 - BAND[method])
            high += seconds * (1 + BAND[method])
    used = sorted(((m, s) for m, s in parts.items() if s > 0), key=lambda part: -part[1])
    method = used[0][0] if used else DriveMethod.MOVING_SHARE
    return DriveTime(turned + powered + shared, low, high + lost_s, method, tuple(used), lost_s)


def _turning_share(cadence_rpm: Column, active_s: Column) -> Column:
    """What share of each interval the cranks turned; a part where a line crosses the threshold."""
    before, after = cadence_rpm[:-1], cadence_rpm[1:]
    share: NDArray[np.float64] = np.where(after >= TURNING_RPM, 1.0, 0.0)
    line = (active_s > SAMPLE_SPEAKS_S) & (active_s <= LONGEST_BRIDGE_S) & np.isfinite(before)
    crosses = line & ((before >= TURNING_RPM) != (after >= TURNING_RPM))
    upper, lower = np.maximum(before, after)[crosses], np.minimum(before, after)[crosses]
    share[crosses] = (upper - TURNING_RPM) / (upper - lower)
    return share
