"""Invented recordings for the readers' tests, and the folder of real ones when it is there."""

from __future__ import annotations

import os
from datetime import UTC, datetime
from pathlib import Path

import numpy as np
import pytest

from ingest.ride.plausible_samples import COLUMNS
from ingest.ride.recording import Column, GearChange, Recording, SensorSeen

START = datetime(2025, 6, 14, 6, 30, tzinfo=UTC)
START_S = START.timestamp()
NAMES = ("time_s", *COLUMNS)


def corpus(kind: str) -> list[Path]:
    """The real files of one kind, "fit" or "gpx"; skips the test when the folder is not here."""
    folder = os.environ.get("GRITLEDGER_CORPUS")
    if not folder or not (Path(folder) / kind).is_dir():
        pytest.skip(f"GRITLEDGER_CORPUS names no folder with real {kind} files")
    return sorted((Path(folder) / kind).iterdir())


def ride(rows: int = 300, *, seed: int = 1, gaps: bool = True) -> Recording:
    """A ride with every column, one sample a second, its values exactly as FIT can hold them.

    gaps: some values of the sensors are missing.
    """
    random = np.random.default_rng(seed)
    seconds = np.arange(rows, dtype=np.float64)

    def sensed(low: int, high: int, missing: float) -> Column:
        values = random.integers(low, high, rows).astype(np.float64)
        if gaps:
            values[random.random(rows) < missing] = np.nan
        return values

    north = np.rint(35.1 / 180 * 2**31 + seconds * 55 + random.integers(-9, 9, rows)) * (180 / 2**31)
    east = np.rint(-118.2 / 180 * 2**31 + seconds * 70 + random.integers(-9, 9, rows)) * (180 / 2**31)
    return Recording(
        file_name="ride.fit",
        reader="invented",
        time_s=START_S + seconds,
        latitude_deg=north,
        longitude_deg=east,
        altitude_m=(9_500 + np.cumsum(random.integers(-2, 3, rows))) / 5 - 500,
        distance_m=np.cumsum(random.integers(300, 1200, rows)) / 100,
        speed_mps=random.integers(0, 15_000, rows) / 1000,
        cadence_rpm=sensed(0, 110, 0.1),
        power_w=sensed(0, 700, 0.1),
        temperature_c=sensed(-15, 45, 0.02),
        heart_rate_bpm=sensed(70, 190, 0.05),
        sport="cycling",
        sub_sport="gravel_cycling",
        profile_name="Dust",
        device=SensorSeen("head unit", serial=4_000_111, manufacturer="65000", product="12", battery="good"),
        sensors=(
            SensorSeen("power meter", serial=70_001, ant_number=4_711, manufacturer="65000", battery="low"),
            SensorSeen("speed", ant_number=815, battery="62 %"),
            SensorSeen("shifter", serial=99),
        ),
        gear_changes=(GearChange(START_S + 20, 40, 19), GearChange(START_S + 25, 40, None)),
        session_started_at=START,
        session_timer_s=float(max(rows - 31, 0)),
        session_distance_m=1234.5,
        pauses=((START_S + 100, START_S + 130),) if rows > 130 else (),
    )


def same_column(left: Column, right: Column, *, tolerance: float = 0.0) -> bool:
    """Whether two columns agree, NaN with NaN."""
    return len(left) == len(right) and np.allclose(left, right, rtol=0, atol=tolerance, equal_nan=True)
