"""Twelve-second looks at speed over cadence, with the noise that this ride's own speed has.

A mean over twelve seconds outlives most of a satellite's second-to-second error; how much the samples inside
scatter says how far the mean itself may be off. So every ride brings its own width, in metres a second: the
same receiver is blunt at walking pace and sharp downhill.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from ingest.bikes.pedalled_gears import GearHistogram, pedalling_speed
from ingest.ride.recording import Column, Recording

LOOK_S = 12.0
FEWEST_LOOKS, MOST_LOOKS = 10, 90  # more of one ride says no more
LEAST_CADENCE_RPM, MOST_CADENCE_RPM = 45.0, 130.0
STEADY_CADENCE = 0.3  # of its mean, from lowest to highest: more is a shift or a soft foot
LEAST_SPEED_MPS = 1.2
LONGEST_GAP_S = 8.0
SHIFTED_SHARE = 0.2  # of looks, those that scatter most inside: a gear was changed
NOISE_OF_OLD_HISTOGRAMS = 0.18  # m/s: of rides kept before their looks were
TYPICAL_SPEED_MPS = 6.5


@dataclass(frozen=True, slots=True)
class GearLooks:
    """The developments a ride was pedalled in, look by look.

    ln_development: [ln m], in thousandths.  speed_mps: at each look, in tenths.  noise_mps: of one look.
    """

    ln_development: tuple[int, ...]
    speed_mps: tuple[int, ...]
    noise_mps: float

    def columns(self) -> tuple[Column, Column]:
        """ln development [ln m] and speed [m/s]."""
        return np.array(self.ln_development) / 1000.0, np.array(self.speed_mps) / 10.0

    def packed(self) -> list[float]:
        """The noise, then each look's two numbers: flat, for JSON."""
        flat: list[float] = [self.noise_mps]
        for development, speed in zip(self.ln_development, self.speed_mps, strict=True):
            flat += (development, speed)
        return flat

    @classmethod
    def unpacked(cls, flat: list[float]) -> GearLooks:
        """What `packed` packed. Raises ValueError for anything else."""
        developments, speeds = tuple(int(x) for x in flat[1::2]), tuple(int(v) for v in flat[2::2])
        if len(developments) != len(speeds) or not developments:
            raise ValueError("its looks at the gears are not pairs")
        return cls(developments, speeds, float(flat[0]))


def gear_looks(recording: Recording, wheel_off: float = 0.0) -> GearLooks | None:
    """Looks at the gears of this ride, evenly spread over it. None: no cadence, or too few.

    wheel_off: ln of how much larger the wheel is than its sensor was set for; developments are corrected.
    """
    if not recording.has_cadence:
        return None
    time_s, cadence, speed = recording.time_s, recording.cadence_rpm, pedalling_speed(recording)
    with np.errstate(invalid="ignore", divide="ignore"):
        good = (cadence >= LEAST_CADENCE_RPM) & (cadence <= MOST_CADENCE_RPM) & (speed > LEAST_SPEED_MPS)
        ratio = np.log(speed / cadence)
    good[1:] &= np.diff(time_s) <= LONGEST_GAP_S
    block = ((time_s - time_s[0]) // LOOK_S).astype(np.int64)
    starts = np.flatnonzero(np.diff(block, prepend=-1))
    samples = np.diff(np.append(starts, len(block)))

    def total(values: Column) -> Column:
        sums: Column = np.add.reduceat(values, starts)
        return sums

    whole = (np.add.reduceat(good.astype(np.int64), starts) == samples) & (samples >= 2)
    with np.errstate(invalid="ignore", divide="ignore"):
        highest, lowest = np.maximum.reduceat(cadence, starts), np.minimum.reduceat(cadence, starts)
        mean_cadence, mean_speed = total(cadence) / samples, total(speed) / samples
        whole &= highest - lowest < STEADY_CADENCE * mean_cadence
        inside = total(ratio * ratio) / samples - (total(ratio) / samples) ** 2
        scatter = np.sqrt(np.maximum(inside, 0.0) * samples / (samples - 1))
        development = np.log(60.0 * mean_speed / mean_cadence) + wheel_off
    kept = np.flatnonzero(whole)
    if len(kept) < FEWEST_LOOKS:
        return None
    kept = np.sort(kept[np.argsort(scatter[kept], kind="stable")[: round(len(kept) * (1.0 - SHIFTED_SHARE))]])
    noise_mps = float(np.median(mean_speed[kept] * scatter[kept]))
    if len(kept) > MOST_LOOKS:
        kept = kept[np.linspace(0, len(kept) - 1, MOST_LOOKS).round().astype(np.int64)]
    return GearLooks(
        tuple(np.rint(development[kept] * 1000.0).astype(int).tolist()),
        tuple(np.rint(mean_speed[kept] * 10.0).astype(int).tolist()),
        round(noise_mps, 3),
    )


def looks_of_histogram(histogram: GearHistogram) -> GearLooks:
    """Looks as the histogram of a ride kept by an older version would have given them, less sharp."""
    seconds = np.array(histogram.seconds, dtype=np.float64)
    counts = np.rint(seconds / max(LOOK_S, seconds.sum() / MOST_LOOKS)).astype(np.int64)
    lines = np.repeat(histogram.centres(), counts)
    return GearLooks(
        tuple(np.rint(lines * 1000.0).astype(int).tolist()),
        (round(TYPICAL_SPEED_MPS * 10),) * len(lines),
        NOISE_OF_OLD_HISTOGRAMS,
    )
