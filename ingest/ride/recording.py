"""A recording: what a file said, in columns, before anyone judges it."""

from __future__ import annotations

from dataclasses import dataclass, field
from datetime import datetime

import numpy as np
from numpy.typing import NDArray

Column = NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class SensorSeen:
    """A device that took part in the recording, as the file names it."""

    # power meter, speed, cadence, speed and cadence, shifter, radar, light, heart rate, head unit,
    # trainer, other
    kind: str
    serial: int | None = None
    ant_number: int | None = None
    manufacturer: str | None = None
    product: str | None = None
    battery: str | None = None

    @property
    def identity(self) -> str | None:
        """One stable name for this very device, serial before radio number; None = the file does not tell."""
        if self.serial is not None:
            return f"serial {self.serial}"
        if self.ant_number is not None:
            return f"ant {self.kind} {self.ant_number}"
        return None


@dataclass(frozen=True, slots=True)
class GearChange:
    """An electronic shift, when the file has them."""

    at_s: float  # Unix seconds
    front_teeth: int | None
    rear_teeth: int | None


@dataclass(frozen=True, slots=True, eq=False)
class Recording:
    """Samples as columns of equal length; NaN = the sample has no such value. Zero is a value.

    time_s: Unix seconds, UTC, ascending (ties allowed: two devices may report in one second).
    """

    file_name: str
    reader: str  # which reader read it: "fit columns", "fitdecode", "gpx stream", "gpxpy"
    time_s: Column
    latitude_deg: Column
    longitude_deg: Column
    altitude_m: Column
    distance_m: Column  # cumulative, as the device counted
    speed_mps: Column
    cadence_rpm: Column
    power_w: Column
    temperature_c: Column
    heart_rate_bpm: Column
    sport: str | None = None  # FIT's word, e.g. "cycling", "running"; GPX <type> verbatim
    sub_sport: str | None = None  # FIT's word, e.g. "gravel_cycling", "indoor_cycling", "virtual_activity"
    profile_name: str | None = None  # the sport profile the rider chose on the device
    title: str | None = None
    device: SensorSeen | None = None  # the recording device itself, kind "head unit"
    sensors: tuple[SensorSeen, ...] = ()
    gear_changes: tuple[GearChange, ...] = ()
    session_started_at: datetime | None = None
    session_timer_s: float | None = None  # the device's own timer total, pauses excluded
    session_distance_m: float | None = None
    pauses: tuple[tuple[float, float], ...] = ()  # timer stopped from .. to, Unix seconds
    damage: tuple[str, ...] = ()  # sentences: "ends after 1 204 of 88 310 bytes", "its checksum is wrong"
    dropped: dict[str, int] = field(default_factory=dict)  # samples left out, by reason

    def __len__(self) -> int:
        return len(self.time_s)

    @property
    def has_place(self) -> bool:
        """Whether any sample knows where it was."""
        return bool(np.isfinite(self.latitude_deg).any())

    @property
    def has_cadence(self) -> bool:
        """Whether any sample carries cadence, a zero included."""
        return bool(np.isfinite(self.cadence_rpm).any())
