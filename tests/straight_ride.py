"""The plainest ride there is, for tests that are about something else."""

from __future__ import annotations

from datetime import datetime

import numpy as np

from ingest.ride.recording import Recording, SensorSeen


def straight_ride(
    start: datetime, seconds: float, *, sensor: int | None = None, eastward_deg: float = 0.0
) -> Recording:
    """Pedalling all the way at 90 rpm and 7 m/s, northwards from one place, once a second.

    sensor: the serial number of a power meter that took part.
    """
    passed_s = np.arange(seconds + 1)
    nothing = np.full(len(passed_s), np.nan)
    return Recording(
        file_name="ride.fit",
        reader="invented",
        time_s=start.timestamp() + passed_s,
        latitude_deg=-31.0 + passed_s * 7.0 / 111_195,
        longitude_deg=np.full(len(passed_s), 21.0 + eastward_deg),
        altitude_m=np.full(len(passed_s), 1400.0),
        distance_m=passed_s * 7.0,
        speed_mps=np.full(len(passed_s), 7.0),
        cadence_rpm=np.full(len(passed_s), 90.0),
        power_w=nothing,
        temperature_c=nothing,
        heart_rate_bpm=nothing,
        sport="cycling",
        sub_sport="road",
        device=SensorSeen("head unit", serial=1),
        sensors=() if sensor is None else (SensorSeen("power meter", serial=sensor),),
    )
