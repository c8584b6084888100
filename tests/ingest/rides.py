"""Recordings made up for the tests of this folder: exact ones by hand, and outings that look ridden."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, datetime
from typing import Any

import numpy as np

from ingest.ride.plausible_samples import COLUMNS
from ingest.ride.recording import Recording

NOON = datetime(2024, 6, 2, 12, tzinfo=UTC)
NOW = datetime(2025, 1, 1, tzinfo=UTC)
METRES_PER_DEGREE = 111_195.0802


def recording(time_s: Any, *, start: datetime = NOON, **known: Any) -> Recording:
    """A recording with these columns and facts; what is not given is not known. time_s: from the start."""
    time = np.asarray(time_s, np.float64) + start.timestamp()
    columns = {name: np.full(len(time), np.nan) for name in COLUMNS}
    columns |= {
        name: np.broadcast_to(np.asarray(known.pop(name), np.float64), time.shape).copy()
        for name in COLUMNS
        if name in known
    }
    facts = {"file_name": "ride.fit", "reader": "test", "sport": "cycling"} | known
    return Recording(time_s=time, **columns, **facts)


def seconds(count: int, step: float = 1.0) -> np.ndarray:
    """Sample times 0, step, … up to and including count."""
    return np.arange(0.0, count + step / 2, step)


def ridden(
    minutes: int = 60,
    *,
    seed: int = 1,
    start: datetime = NOON,
    latitude: float = 46.0,
    longitude: float = 9.0,
) -> Recording:
    """An outing that looks ridden: turns, hills, speeds, coasting, a heart that lags behind the legs."""
    dice = np.random.default_rng(seed)
    count = minutes * 60 + 1
    legs = _wander(dice, count, 90.0)
    slope = 0.03 * _wander(dice, count, 200.0)
    speed = np.clip(7.0 - 60 * slope + 1.5 * legs, 0.8, 18.0)
    pedals = (slope > -0.03) & (_wander(dice, count, 40.0) > -1.2)
    heading = np.cumsum(0.02 * _wander(dice, count, 60.0))
    north = np.cumsum(speed * np.cos(heading)) / METRES_PER_DEGREE
    east = np.cumsum(speed * np.sin(heading)) / METRES_PER_DEGREE / np.cos(np.radians(latitude))
    power = np.where(pedals, np.clip(180 + 60 * legs, 40, 500), 0.0)
    return recording(
        np.arange(count),
        start=start,
        latitude_deg=latitude + north,
        longitude_deg=longitude + east,
        altitude_m=400 + np.cumsum(slope * speed),
        distance_m=np.cumsum(speed),
        speed_mps=speed,
        cadence_rpm=np.where(pedals, np.clip(85 + 6 * legs, 55, 115), 0.0).round(),
        power_w=power.round(),
        heart_rate_bpm=(120 + 18 * _lagging(legs, 60)).round(),
    )


def without(one: Recording, *names: str) -> Recording:
    """The same recording with these columns not known."""
    return replace(one, **{name: np.full(len(one), np.nan) for name in names})


def part(one: Recording, first: int, last: int) -> Recording:
    """The samples first..last-1."""
    window = slice(first, last)
    columns = {name: getattr(one, name)[window] for name in COLUMNS}
    return replace(one, time_s=one.time_s[window], **columns)


def as_second_device(one: Recording, *, seed: int = 7, error_m: float = 3.0) -> Recording:
    """The same outing on another device of the same rider: its own receiver error, another start."""
    dice = np.random.default_rng(seed)
    count = len(one)
    error = error_m / METRES_PER_DEGREE
    moved = replace(
        one,
        time_s=one.time_s,
        latitude_deg=one.latitude_deg + error * _wander(dice, count, 120.0),
        longitude_deg=one.longitude_deg + error * _wander(dice, count, 120.0),
    )
    return part(moved, 12, count - 5)


def as_companion(one: Recording, *, seed: int = 11, behind_s: float = 3.0) -> Recording:
    """Another rider on the same road, a little behind, with legs and a heart of their own."""
    dice = np.random.default_rng(seed)
    count = len(one)
    at = np.clip(np.arange(count) - behind_s - 2.0 * _wander(dice, count, 150.0), 0, count - 1)
    rows = np.arange(count)
    legs = _wander(dice, count, 90.0)
    return replace(
        one,
        latitude_deg=np.interp(at, rows, one.latitude_deg),
        longitude_deg=np.interp(at, rows, one.longitude_deg),
        cadence_rpm=np.where(one.cadence_rpm > 0, 72 + 8 * legs, 0.0).round(),
        heart_rate_bpm=(138 + 15 * _lagging(legs, 60)).round(),
        power_w=np.where(one.power_w > 0, np.clip(120 + 50 * legs, 30, 400), 0.0).round(),
    )


def _wander(dice: np.random.Generator, count: int, span: float) -> np.ndarray:
    """A smooth random column of unit spread that forgets itself over `span` samples."""
    knots = dice.standard_normal(int(count / span) + 3)
    return np.interp(np.arange(count) / span, np.arange(len(knots)), knots)


def _lagging(column: np.ndarray, by: int) -> np.ndarray:
    return np.convolve(column, np.ones(by) / by)[: len(column)]
