"""What a recorder makes of a ride: head units and phones, their noise, their gaps, the sensors they heard."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime

import numpy as np

from fixtures.fit_writer import fit_bytes
from fixtures.gpx_writer import gpx_bytes
from ingest.ride.recording import Recording, SensorSeen
from tests.bike_physics import Column, Motion


@dataclass(frozen=True, slots=True)
class Recorder:
    """A head unit, a phone, or a head unit whose rides are kept as GPX.

    speed_noise_mps, place_noise_m: of its satellite fix, on a common day.  every_s: between samples.
    profile: whether its rider picks an activity profile before a ride, at least now and then.
    """

    name: str
    kind: str  # head unit, phone, exported
    serial: int | None
    speed_noise_mps: float
    place_noise_m: float
    every_s: int = 1
    hears_ids: float = 1.0  # share of rides in which its file names the sensors
    smart: bool = False
    auto_pause: bool = False
    profile: float = 0.0
    usual: str = "generic"  # the profile that is on when nobody picks one
    set_wheel_m: float = 2.096  # what it believes a wheel turns, if it does not measure it itself
    measures_wheel: bool = True


@dataclass(frozen=True, slots=True)
class Heard:
    """A sensor that takes part in a ride. gives: speed, cadence, power."""

    kind: str
    serial: int | None = None
    ant_number: int | None = None
    battery: str | None = None
    gives: tuple[str, ...] = ()


def recorded(
    rng: np.random.Generator,
    motion: Motion,
    recorder: Recorder,
    sensors: Sequence[Heard],
    start: datetime,
    *,
    home: tuple[float, float],
    wheel_m: float,
    sub_sport: str | None,
    profile_name: str | None,
    indoor: bool = False,
    named: Sequence[Heard] = (),
) -> tuple[str, bytes]:
    """The file's ending and bytes. sensors: those that gave something; named: those the file names."""
    seconds = len(motion.speed_mps)
    nothing = np.full(seconds, np.nan)
    gives = {what for one in sensors for what in one.gives} if recorder.kind != "phone" else set()
    luck = float(np.exp(rng.normal(0, 0.45)))
    east, north = (
        one + _drift(rng, seconds, recorder.place_noise_m * luck, 25) + rng.normal(0, 0.25, seconds)
        for one in (motion.east_m, motion.north_m)
    )
    latitude = home[0] + north / 111_195
    longitude = home[1] + east / (111_195 * np.cos(np.radians(home[0])))
    if "speed" in gives or indoor:
        believed = wheel_m * rng.normal(1, 0.003) if recorder.measures_wheel else recorder.set_wheel_m
        speed = motion.speed_mps * (1.0 if indoor else believed / wheel_m) * rng.normal(1, 0.004, seconds)
    else:
        seen = motion.speed_mps + _drift(rng, seconds, recorder.speed_noise_mps * luck, 3)
        speed = np.convolve(np.maximum(seen, 0), (0.5, 0.3, 0.2))[:seconds]
        speed[motion.speed_mps == 0] = 0.0
    cadence = nothing
    if "cadence" in gives:
        held = motion.cadence_rpm.copy()
        ends = np.flatnonzero((held[1:] == 0) & (held[:-1] > 0)) + 1
        held[ends] = held[ends - 1]  # a sensor needs a while to know that nothing turns any more
        smooth = np.convolve(held, (0.6, 0.4))[:seconds]
        cadence = np.where(held > 0, np.rint(smooth + rng.normal(0, 0.7, seconds)), 0).clip(0, 190)
        _lose(rng, cadence)
    power = nothing
    if "power" in gives:
        power = np.rint(motion.power_w * rng.normal(1, 0.05, seconds) * rng.normal(1, 0.015)).clip(0)
        _lose(rng, power)
    phone = recorder.kind == "phone"
    height = motion.altitude_m + _drift(rng, seconds, 5.0 if phone else 1.2, 60)
    keep = np.arange(seconds) % recorder.every_s == 0
    pauses: list[tuple[float, float]] = []
    begin = start.timestamp()
    if recorder.auto_pause:
        for first, last in _standing(motion.speed_mps):
            keep[first:last] = False
            pauses.append((begin + first, begin + last))
    seen = tuple(SensorSeen(one.kind, one.serial, one.ant_number, battery=one.battery) for one in named)
    recording = Recording(
        file_name="ride",
        reader="invented",
        time_s=begin + np.arange(seconds)[keep],
        latitude_deg=nothing[keep] if indoor else np.round(latitude[keep], 6),
        longitude_deg=nothing[keep] if indoor else np.round(longitude[keep], 6),
        altitude_m=nothing[keep] if indoor else height[keep],
        distance_m=np.cumsum(speed)[keep],
        speed_mps=speed[keep],
        cadence_rpm=cadence[keep],
        power_w=power[keep],
        temperature_c=nothing[keep],
        heart_rate_bpm=nothing[keep],
        sport="cycling",
        sub_sport=sub_sport,
        profile_name=profile_name,
        device=SensorSeen("head unit", serial=recorder.serial),
        sensors=seen,
        pauses=tuple(pauses),
    )
    if recorder.kind == "head unit" or indoor:
        return ".fit", fit_bytes(recording, smart=recorder.smart)
    return ".gpx", gpx_bytes(recording, pretty=False)


def _drift(rng: np.random.Generator, seconds: int, size: float, memory_s: float) -> Column:
    """Noise that remembers: its deviation is size, its memory a while."""
    kernel = np.exp(-np.arange(int(memory_s * 4)) / memory_s)
    noise = np.convolve(rng.normal(0, 1, seconds), kernel)[:seconds]
    return np.asarray(noise * size / np.sqrt((kernel**2).sum()))


def _lose(rng: np.random.Generator, column: Column) -> None:
    """The radio drops out for a while, now and then."""
    for first in np.flatnonzero(rng.random(len(column)) < 0.0007):
        column[first : first + int(rng.exponential(12))] = np.nan


def _standing(speed: Column) -> list[tuple[int, int]]:
    still = np.flatnonzero(np.diff(np.concatenate(([0], (speed < 0.3).astype(int), [0]))))
    return [(int(a) + 2, int(b)) for a, b in still.reshape(-1, 2) if b - a > 6 and b < len(speed)]
