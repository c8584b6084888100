"""Days of climbs and descents made by hand, as a rope, a van or legs would ride them."""

from __future__ import annotations

import numpy as np

from ingest.ride.recording import Recording
from tests.ingest.rides import METRES_PER_DEGREE, recording, seconds


def day(
    *legs: tuple[float, float, float, float], wobble: float = 0.0, seed: int = 3, turns: bool = False
) -> Recording:
    """Legs of (minutes, m/s, metres climbed an hour, heart) one after the other; turns: the road winds."""
    dice = np.random.default_rng(seed)
    spans = [np.full(int(minutes * 60), row) for row, (minutes, *_) in enumerate(legs)]
    of = np.concatenate(spans)
    columns = np.array([leg[1:] for leg in legs])[of]
    slow = np.convolve(dice.normal(0, 1, len(of) + 40), np.ones(41) / 41, "valid") * np.sqrt(41)
    speed = columns[:, 0] * (1 + wobble * slow)
    time = seconds(len(of) - 1)
    heading = 1.2 * np.sin(time / 45) if turns else np.zeros(len(of))
    return recording(
        time,
        sport="cycling",
        sub_sport="mountain",
        latitude_deg=46 + np.cumsum(speed * np.cos(heading)) / METRES_PER_DEGREE,
        longitude_deg=9 + np.cumsum(speed * np.sin(heading)) / METRES_PER_DEGREE / np.cos(np.radians(46)),
        altitude_m=800 + np.cumsum(columns[:, 1]) / 3600,
        heart_rate_bpm=columns[:, 2] + dice.normal(0, 2, len(of)),
    )


DOWN = (8.0, 9.0, -4500.0, 130.0)
