"""A recording summed up: drive time, distance and mean place, for the ride and for each UTC hour of it."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace
from datetime import UTC, datetime, timedelta
from functools import cache, partial

import numpy as np

from ingest.errors import NotARide, NotNow, UnreadableFile
from ingest.ride.climb import climb_m
from ingest.ride.drive_time import drive_time, drive_time_by_word, estimated_power_w
from ingest.ride.gaps import LONGEST_MOVING_GAP_S
from ingest.ride.geometry import mean_places, unwrapped
from ingest.ride.lifts import lifts
from ingest.ride.motion import MOVING_MPS, Intervals, Mask, intervals_of
from ingest.ride.plausible_samples import EARLIEST_S
from ingest.ride.recording import Column, Recording, SensorSeen
from ingest.ride.ride_or_not import Kind, kind_of, refuse_other_paces, refuse_other_sports, unpaved_share_of
from ingest.ride.sketch import packed_sketch
from ingest.ride.smoothing import one_sample_per_instant, only
from ingest.ride.track import TrackPoint, packed_track, track_points
from rules.vocabulary import DriveMethod

__all__ = ["HourSummary", "RideSummary", "TrackPoint", "summarise", "track_points"]

AHEAD = timedelta(days=1)  # a clock may be set to the wrong zone
# Common practice, no source: a place that stays this close while the wheel covers that is indoors.
TRAINER_SPREAD_DEG, TRAINER_DISTANCE_M = 0.0004, 2_000.0
DEAD_SENSOR_DISTANCE_M = 2_000.0
LOOKS_CARRIED = "seconds that count, and look carried uphill"


@dataclass(frozen=True, slots=True)
class HourSummary:
    """The part of a ride inside one UTC hour. Mean place is None where it is not known or not real."""

    hour_start: datetime
    drive_s: float
    distance_m: float
    moving_s: float
    mean_speed_mps: float | None  # over moving time
    latitude_deg: float | None
    longitude_deg: float | None
    climb_m: float


@dataclass(frozen=True, slots=True)
class RideSummary:
    """One ride, summed. Its drive time lies in drive_low_s..drive_high_s; its `hours` add up to it."""

    title: str
    started_at: datetime
    ended_at: datetime
    drive_s: float
    drive_low_s: float
    drive_high_s: float
    drive_method: DriveMethod  # behind most of the drive time; drive_parts has them all
    moving_s: float
    distance_m: float
    climb_m: float
    indoor: bool
    virtual: bool
    unpaved_share: float | None
    sport: str | None
    sub_sport: str | None
    reader: str
    damage: tuple[str, ...]
    dropped: dict[str, int]
    device: SensorSeen | None
    sensors: tuple[SensorSeen, ...]
    hours: tuple[HourSummary, ...]
    track: bytes = b""  # see ingest.ride.track.track_points
    sketch: bytes = b""  # see ingest.ride.sketch.sketch_of
    drive_parts: tuple[tuple[DriveMethod, float], ...] = ()  # seconds by method
    file_name: str = ""
    profile_name: str | None = None

    @property
    def doubt(self) -> str:
        """What counts of it and may not have been ridden, in half a sentence; "" = nothing."""
        looks_carried_s = self.dropped.get(LOOKS_CARRIED, 0)
        if looks_carried_s < 60:
            return ""
        return f"{looks_carried_s / 60:.0f} of its {self.drive_s / 60:.0f} drive minutes look carried uphill"


def summarise(recording: Recording, *, now: datetime, said_ride: bool = False) -> RideSummary:
    """What a recording says about a ride.

    now: aware UTC; a recording from the future is refused.
    said_ride: the rider's word that it was a bicycle ride, whatever the file says.
    Raises NotARide for another sport or a file in which nothing moves, UnreadableFile for impossible times,
    NotNow for a recording from the future: this machine's clock may be the one that is wrong.
    """
    if not said_ride:
        refuse_other_sports(recording)
    dropped = dict(recording.dropped)
    recording = one_sample_per_instant(_with_possible_times(recording, now, dropped))
    half_known = np.isfinite(recording.latitude_deg) != np.isfinite(recording.longitude_deg)
    if half_known.any():
        recording = _without_place(recording, half_known)
    kind = kind_of(recording)
    if kind is Kind.OUTDOOR and _stands_on_a_trainer(recording):
        kind = Kind.INDOOR
    if kind is not Kind.OUTDOOR:
        recording = _without_place(recording, np.ones(len(recording), np.bool_))

    intervals = intervals_of(
        recording, wheel_is_blind=kind is not Kind.OUTDOOR and _wheel_is_blind(recording)
    )
    if not said_ride:
        refuse_other_paces(recording, intervals)
    recording = _without_dead_sensors(recording, intervals, dropped)
    # Where it is asked for at all, it is asked for twice.
    required_w = cache(partial(estimated_power_w, recording, intervals))
    lifted, doubted = _lifts(recording, intervals, kind, required_w)
    intervals = replace(
        intervals,
        carried=intervals.carried | lifted,
        moving=intervals.moving & ~lifted,
        step_m=np.where(lifted, 0.0, intervals.step_m),
    )
    drive = drive_time(recording, intervals, required_w)
    if said_ride and not drive.seconds.any() and not intervals.moving.any() and not intervals.carried.any():
        drive, kind = drive_time_by_word(intervals), kind if recording.has_place else Kind.INDOOR
    moving = np.where(np.isnan(intervals.speed_mps) & ~intervals.carried, drive.seconds, intervals.moving_s)
    if not moving.any() and not drive.seconds.any():
        raise NotARide(
            recording.file_name, "nothing in it moves", "there is nothing to mend: no chain was turned"
        )
    climb = climb_m(recording, intervals)

    _count(dropped, "seconds lost in gaps of the recording", drive.lost_s)
    _count(dropped, "seconds carried uphill", float(intervals.active_s[lifted].sum()))
    _count(
        dropped, "seconds carried by a motor", float(intervals.active_s[intervals.carried & ~lifted].sum())
    )
    doubted_s = float(drive.seconds[doubted].sum())
    _count(dropped, LOOKS_CARRIED, doubted_s)
    _count(dropped, "impossible jumps", intervals.jumps)
    recording = _with_every_speed(recording, intervals)
    hours = _hours(recording, drive.seconds, intervals.step_m, moving, climb)
    return RideSummary(
        title=(recording.title or "").strip(),
        started_at=_started_at(recording),
        ended_at=datetime.fromtimestamp(float(recording.time_s[-1]), UTC),
        drive_s=float(drive.seconds.sum()),
        drive_low_s=max(drive.low_s - doubted_s, 0.0),
        drive_high_s=drive.high_s,
        drive_method=drive.method,
        moving_s=float(moving.sum()),
        distance_m=float(intervals.step_m.sum()),
        climb_m=float(climb.sum()),
        indoor=kind is not Kind.OUTDOOR,
        virtual=kind is Kind.VIRTUAL,
        unpaved_share=unpaved_share_of(recording) if kind is Kind.OUTDOOR else None,
        sport=recording.sport,
        sub_sport=recording.sub_sport,
        reader=recording.reader,
        damage=recording.damage,
        dropped=dropped,
        device=recording.device,
        sensors=recording.sensors,
        hours=hours,
        track=packed_track(recording),
        sketch=packed_sketch(recording),
        drive_parts=drive.parts,
        file_name=recording.file_name,
        profile_name=recording.profile_name,
    )


def _with_possible_times(recording: Recording, now: datetime, dropped: dict[str, int]) -> Recording:
    """Without samples from before 1990 or from the future; raises when none are left."""
    name, time = recording.file_name, recording.time_s
    possible = np.isfinite(time) & (time >= EARLIEST_S) & (time <= (now + AHEAD).timestamp())
    count = int(possible.sum())
    if count < len(time):
        if not count:
            raise _impossible(name, time, now)
        _count(dropped, "samples at impossible times", len(time) - count)
        recording = only(recording, possible)
    if count < 2:
        why = "has no samples with a time" if count == 0 else "has a single sample"
        raise UnreadableFile(name, why, "export the recorded activity, with its times, and try again")
    return recording


def _lifts(
    recording: Recording, intervals: Intervals, kind: Kind, required_w: Callable[[], Column]
) -> tuple[Mask, Mask]:
    if kind is not Kind.OUTDOOR:
        none = np.zeros(len(intervals.active_s), np.bool_)
        return none, none
    return lifts(recording, intervals, required_w)


def _impossible(name: str, time_s: Column, now: datetime) -> UnreadableFile:
    finite = time_s[np.isfinite(time_s)]
    mend = "set the device's clock, or mend the times and try again"
    if not len(finite):
        return UnreadableFile(name, "has no times", mend)
    first = float(finite[0])
    if first < EARLIEST_S:
        return UnreadableFile(name, "is dated before 1990: the device's clock was not set", mend)
    return NotNow(
        name,
        f"is dated in the future: {datetime.fromtimestamp(first, UTC):%Y-%m-%d %H:%M} UTC, when this "
        f"machine's clock says {now:%Y-%m-%d %H:%M}",
        "set the clock that is wrong",
    )


def _stands_on_a_trainer(recording: Recording) -> bool:
    """Whether the place stays put while the wheel covers kilometres."""
    placed = np.isfinite(recording.latitude_deg)
    counter = recording.distance_m[np.isfinite(recording.distance_m)]
    if not placed.any() or not len(counter) or counter[-1] - counter[0] < TRAINER_DISTANCE_M:
        return False
    latitude = recording.latitude_deg[placed]
    if np.ptp(latitude) >= TRAINER_SPREAD_DEG:
        return False
    east = np.ptp(unwrapped(recording.longitude_deg[placed])) * np.cos(np.radians(latitude[0]))
    return bool(east < TRAINER_SPREAD_DEG)


def _without_place(recording: Recording, rows: Mask) -> Recording:
    return replace(
        recording,
        latitude_deg=np.where(rows, np.nan, recording.latitude_deg),
        longitude_deg=np.where(rows, np.nan, recording.longitude_deg),
    )


def _wheel_is_blind(recording: Recording) -> bool:
    """Whether an indoor recording shows no wheel motion at all, so that its zeros mean 'no sensor'."""
    counter = recording.distance_m[np.isfinite(recording.distance_m)]
    moved = bool((recording.speed_mps > MOVING_MPS).any()) or (
        len(counter) > 1 and float(np.ptp(counter)) > 0
    )
    return not moved


def _without_dead_sensors(recording: Recording, intervals: Intervals, dropped: dict[str, int]) -> Recording:
    """Without a cadence or power that is nought over kilometres: a field without a sensor."""
    if float(intervals.step_m.sum()) < DEAD_SENSOR_DISTANCE_M:
        return recording
    for name, word in (("cadence_rpm", "cadence"), ("power_w", "power")):
        column = getattr(recording, name)
        known = int(np.isfinite(column).sum())
        if known and not (column > 0).any():
            _count(dropped, f"samples of a {word} that never moved", known)
            nothing = np.full(len(column), np.nan)
            recording = replace(recording, **{name: nothing})  # type: ignore[arg-type]
    return recording


def _with_every_speed(recording: Recording, intervals: Intervals) -> Recording:
    """With the speed found from distance or places wherever the file has none."""
    found = np.concatenate((intervals.speed_mps[:1], intervals.speed_mps))
    return replace(
        recording, speed_mps=np.where(np.isfinite(recording.speed_mps), recording.speed_mps, found)
    )


def _started_at(recording: Recording) -> datetime:
    first = datetime.fromtimestamp(float(recording.time_s[0]), UTC)
    said = recording.session_started_at
    return said if said is not None and timedelta(0) <= first - said <= timedelta(hours=1) else first


def _hours(
    recording: Recording, drive_s: Column, step_m: Column, moving_s: Column, climb_m: Column
) -> tuple[HourSummary, ...]:
    """The ride cut at full UTC hours. What an interval holds is spread over it: the hours add up."""
    time = recording.time_s
    # Times ascend: each hour is a stretch of them.
    hour = time.astype(np.int64) // 3600
    begins = np.flatnonzero(np.append(True, hour[1:] != hour[:-1]))
    every, last = hour[begins], begins[1:] - 1
    held = np.vstack((drive_s, step_m, moving_s, climb_m))
    sums = np.zeros((len(held), len(every)))
    full = begins < held.shape[1]  # the last sample has no interval behind it
    sums[:, full] = np.add.reduceat(held, begins[full], axis=1)
    # What leads into the next hour is parted at the full hour; what a long silence holds stays at its start,
    # where a sample vouches.
    lasted_s = time[last + 1] - time[last]
    beyond_s = np.where(lasted_s > LONGEST_MOVING_GAP_S, 0.0, time[last + 1] - (every[:-1] + 1) * 3600.0)
    moved = held[:, last] * (beyond_s / lasted_s)
    sums[:, :-1] -= moved
    sums[:, 1:] += moved
    drive, distance, moving, climb = sums
    latitude, longitude = mean_places(recording.latitude_deg, recording.longitude_deg, begins)
    return tuple(
        HourSummary(
            hour_start=datetime.fromtimestamp(int(every[i]) * 3600, UTC),
            drive_s=float(drive[i]),
            distance_m=float(distance[i]),
            moving_s=float(moving[i]),
            mean_speed_mps=float(distance[i] / moving[i]) if moving[i] >= 1.0 else None,
            latitude_deg=None if np.isnan(latitude[i]) else float(latitude[i]),
            longitude_deg=None if np.isnan(longitude[i]) else float(longitude[i]),
            climb_m=float(climb[i]),
        )
        for i in range(len(every))
        if drive[i] > 0 or moving[i] > 0 or distance[i] > 0
    )


def _count(dropped: dict[str, int], reason: str, amount: float) -> None:
    if round(amount) > 0:
        dropped[reason] = dropped.get(reason, 0) + round(amount)
