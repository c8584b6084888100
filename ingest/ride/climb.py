"""How far a ride climbs."""

from __future__ import annotations

import numpy as np

from ingest.ride.motion import Intervals
from ingest.ride.recording import Column, Recording
from ingest.ride.smoothing import smoothed

CLIMB_WINDOW_S = 30.0


def climb_m(recording: Recording, intervals: Intervals) -> Column:
    """Metres climbed per interval, from altitude smoothed over half a minute."""
    altitude = smoothed(recording.time_s, recording.altitude_m, CLIMB_WINDOW_S)
    rise = np.diff(altitude)
    return np.where(intervals.moving & (rise > 0), rise, 0.0)
