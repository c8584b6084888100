"""What one ride tells about the bike it was on: kept with the ride, to judge again without its file."""

from __future__ import annotations

import json
import math
from dataclasses import dataclass, fields
from datetime import datetime, timedelta
from typing import Any, Protocol

import numpy as np

from ingest.bikes.gear_samples import GearLooks, gear_looks, looks_of_histogram
from ingest.bikes.pedalled_gears import (
    FEWEST_GEARS,
    WHEEL_SENSORS,
    GearHistogram,
    gear_histogram,
    pedalling_speed,
)
from ingest.bikes.routes import Way, way_of
from ingest.bikes.sold_gears import SoldTable, sold_table
from ingest.ride.geometry import steps_m
from ingest.ride.recording import Recording, SensorSeen
from rules.vocabulary import RiderId

# A heart-rate strap says who rode, not what was ridden.
WORN_BY_THE_RIDER = frozenset({"heart rate", "head unit"})
# The plain words every device uses when nothing was chosen; and that it was indoors is a clue of its own.
SAYS_NOTHING = frozenset(
    {"", "generic", "cycling", "all", "bike", "biking", "ride", "indoor_cycling", "virtual_activity"}
)
WHEEL_IS_OFF = 0.04  # of ln distance: less is curves cut short, and tyre pressure
CELLS_PER_DEGREE = 100  # about a kilometre
MOST_SHIFTS_KEPT = 60
LEAST_MOVING_MPS = 1.0
# Clues that are kept as they are: from the first version on, and since a later one.
_KEPT_EVER = ("sport", "sub_sport", "profile_name", "device", "speed_mps", "roughness", "unpaved_share")
_KEPT_SINCE = ("wheel_off", "speed_spread", "climb_m_per_km", "stopped_share", "speed_source", "channels")


class RideLike(Protocol):
    """What judging needs of a ride's summary."""

    @property
    def started_at(self) -> datetime: ...
    @property
    def ended_at(self) -> datetime: ...
    @property
    def moving_s(self) -> float: ...
    @property
    def climb_m(self) -> float: ...
    @property
    def distance_m(self) -> float: ...
    @property
    def indoor(self) -> bool: ...
    @property
    def unpaved_share(self) -> float | None: ...


@dataclass(frozen=True, slots=True)
class HeardSensor:
    """A sensor that took part in the ride, under its one stable name."""

    kind: str
    identity: str


@dataclass(frozen=True, slots=True)
class RideClues:
    """What one ride tells about its bike. None or empty = it does not tell, which weighs exactly 0.

    activity: sport, sub-sport and profile name are one choice on the device, so they are one clue.
    start_cell: where it began, in hundredths of a degree.  way: where it went, see `ways`.
    weekday: 0 = Monday, by the sun at the start.
    speed_mps: mean over moving time.  speed_spread: ln(fast tenth / median) of moving speed.
    roughness: relative scatter of speed from sample to sample; compares only within one `speed_source`.
    wheel_off: ln(distance by satellite / by wheel sensor): how much larger the wheel is than it was set for.
    channels: which of cadence, power and nameless sensors it has, in words; None = its recorder hears none.
    """

    rider: RiderId
    started_at: datetime
    ended_at: datetime
    sport: str | None = None
    sub_sport: str | None = None
    profile_name: str | None = None
    device: str | None = None
    sensors: tuple[HeardSensor, ...] = ()
    gears: GearHistogram | None = None
    looks: GearLooks | None = None
    sold: SoldTable | None = None  # how well its looks suit bikes as sold
    shifts: tuple[tuple[int | None, int | None], ...] = ()  # distinct (front, rear) teeth
    speed_mps: float | None = None
    roughness: float | None = None
    wheel_off: float | None = None
    speed_spread: float | None = None
    climb_m_per_km: float | None = None
    stopped_share: float | None = None
    speed_source: str | None = None
    channels: str | None = None
    unpaved_share: float | None = None
    start_cell: tuple[int, int] | None = None
    way: Way | None = None
    weekday: int = 0
    indoor: bool = False

    @property
    def activity(self) -> str | None:
        """What was chosen on the device: the profile, else the sub-sport; None when that says nothing."""
        for word in (self.profile_name, self.sub_sport):
            if word is not None and word.strip().lower() not in SAYS_NOTHING:
                return word.strip().lower()
        return None

    def to_json(self) -> str:
        """The clues as one line of JSON, to keep beside the ride."""
        kept = {one.name: getattr(self, one.name) for one in fields(self)}
        kept |= {
            "started_at": self.started_at.isoformat(),
            "ended_at": self.ended_at.isoformat(),
            "sensors": [[s.kind, s.identity] for s in self.sensors],
            "gears": self.gears.packed() if self.gears else None,
            "looks": self.looks.packed() if self.looks else None,
            "sold": [self.sold.noise_factor, self.sold.usual, self.sold.packed] if self.sold else None,
        }
        return json.dumps(kept, ensure_ascii=False, separators=(",", ":"))

    @classmethod
    def from_json(cls, text: str) -> RideClues:
        """The clues that `to_json` wrote. Raises ValueError, saying what is wrong, for anything else."""
        try:
            kept: dict[str, Any] = json.loads(text)
            gears = GearHistogram.unpacked(kept["gears"]) if kept["gears"] else None
            looks = GearLooks.unpacked(kept["looks"]) if kept.get("looks") else None
            sold = SoldTable(*kept["sold"]) if kept.get("sold") else None
            if gears and "looks" not in kept:  # kept by an older version
                looks = looks_of_histogram(gears)
                sold = sold_table(looks) if shows_gears(gears, bool(kept["indoor"])) else None
            plain = {name: kept[name] for name in _KEPT_EVER} | {name: kept.get(name) for name in _KEPT_SINCE}
            return cls(
                rider=RiderId(int(kept["rider"])),
                started_at=datetime.fromisoformat(kept["started_at"]),
                ended_at=datetime.fromisoformat(kept["ended_at"]),
                sensors=tuple(HeardSensor(kind, identity) for kind, identity in kept["sensors"]),
                gears=gears,
                looks=looks,
                sold=sold,
                shifts=tuple((front, rear) for front, rear in kept["shifts"]),
                start_cell=tuple(kept["start_cell"]) if kept["start_cell"] else None,
                way=tuple(kept["way"]) if kept.get("way") else None,
                weekday=int(kept["weekday"]),
                indoor=bool(kept["indoor"]),
                **plain,
            )
        except (KeyError, TypeError, ValueError) as trouble:
            raise ValueError(
                f"these are not the clues of a ride ({trouble}); read the ride's file again"
            ) from trouble


def clues_of(recording: Recording, ride: RideLike, rider: RiderId) -> RideClues:
    """What this recording tells about the bike it was ridden on."""
    start_cell, longitude_deg = _start(recording)
    wheel_off = _wheel_off(recording)
    local_start = ride.started_at + timedelta(hours=longitude_deg / 15.0)
    moves = ride.moving_s >= 60 and ride.distance_m > 0
    speed_mps = ride.distance_m / ride.moving_s if moves else None
    lasted_s = (ride.ended_at - ride.started_at).total_seconds()
    off = wheel_off if wheel_off and abs(wheel_off) >= WHEEL_IS_OFF else 0.0
    gears, looks = gear_histogram(recording, off), gear_looks(recording, off)
    return RideClues(
        rider=rider,
        started_at=ride.started_at,
        ended_at=ride.ended_at,
        sport=recording.sport,
        sub_sport=recording.sub_sport,
        profile_name=recording.profile_name,
        device=recording.device.identity if recording.device else None,
        sensors=_heard(recording.sensors),
        gears=gears,
        looks=looks,
        sold=sold_table(looks) if looks is not None and shows_gears(gears, ride.indoor) else None,
        shifts=_shifts(recording),
        speed_mps=None if speed_mps is None else round(speed_mps, 3),
        roughness=_roughness(recording),
        wheel_off=wheel_off,
        speed_spread=_speed_spread(recording),
        climb_m_per_km=round(1000.0 * ride.climb_m / ride.distance_m, 2) if moves else None,
        stopped_share=round(max(0.0, 1.0 - ride.moving_s / lasted_s), 4) if moves and lasted_s > 0 else None,
        speed_source=_speed_source(recording),
        channels=_channels(recording),
        unpaved_share=ride.unpaved_share,
        start_cell=start_cell,
        way=None if ride.indoor else way_of(recording.latitude_deg, recording.longitude_deg),
        weekday=local_start.weekday(),
        indoor=ride.indoor,
    )


def shows_gears(gears: GearHistogram | None, indoor: bool) -> bool:
    """Outdoors, with enough different gears held: a trainer's speed is invented, three lines are no comb."""
    return gears is not None and not indoor and gears.gears_held >= FEWEST_GEARS


def _heard(sensors: tuple[SensorSeen, ...]) -> tuple[HeardSensor, ...]:
    heard = {
        HeardSensor(s.kind, s.identity)
        for s in sensors
        if s.identity is not None and s.kind not in WORN_BY_THE_RIDER
    }
    return tuple(sorted(heard, key=lambda s: (s.kind, s.identity)))


def _start(recording: Recording) -> tuple[tuple[int, int] | None, float]:
    known = np.flatnonzero(np.isfinite(recording.latitude_deg) & np.isfinite(recording.longitude_deg))
    if not len(known):
        return None, 0.0
    latitude_deg = float(recording.latitude_deg[known[0]])
    longitude_deg = float(recording.longitude_deg[known[0]])
    cell = math.floor(latitude_deg * CELLS_PER_DEGREE), math.floor(longitude_deg * CELLS_PER_DEGREE)
    return cell, longitude_deg


def _shifts(recording: Recording) -> tuple[tuple[int | None, int | None], ...]:
    pairs = {(c.front_teeth, c.rear_teeth) for c in recording.gear_changes if c.front_teeth or c.rear_teeth}
    return tuple(sorted(pairs, key=lambda pair: (pair[0] or 0, pair[1] or 0)))[:MOST_SHIFTS_KEPT]


def _roughness(recording: Recording) -> float | None:
    """How much speed jumps from sample to sample: a rough path stutters. [ln units per √s]"""
    speed_mps = pedalling_speed(recording)
    if len(speed_mps) < 60:
        return None
    gap_s = np.diff(recording.time_s)
    with np.errstate(invalid="ignore", divide="ignore"):
        jump = np.diff(np.log(np.where(speed_mps > 1.5, speed_mps, np.nan))) / np.sqrt(gap_s)
    usable = np.isfinite(jump) & (gap_s > 0) & (gap_s <= 10)
    if int(usable.sum()) < 60:
        return None
    return round(float(np.median(np.abs(jump[usable]))), 4)


def _speed_spread(recording: Recording) -> float | None:
    """How far the fast tenth of moving speed lies above the median: hills and tarmac pull them apart. [ln]"""
    speed_mps = pedalling_speed(recording)
    moving = speed_mps[np.isfinite(speed_mps) & (speed_mps > LEAST_MOVING_MPS)]
    if len(moving) < 60:
        return None
    fast, median = np.quantile(moving, (0.9, 0.5))
    return round(math.log(fast / median), 4)


def _speed_source(recording: Recording) -> str:
    """What measured the speed, and how often: only rides measured alike have comparable roughness."""
    by_wheel = any(s.kind in WHEEL_SENSORS for s in recording.sensors)
    source = "wheel" if by_wheel else "satellite" if _hears(recording) else "phone"
    gaps_s = np.diff(recording.time_s)
    usual_s = float(np.median(gaps_s)) if len(gaps_s) else 1.0
    return f"{source} {'1 s' if usual_s <= 1.5 else '2 s' if usual_s <= 2.5 else 'slow'}"


def _hears(recording: Recording) -> bool:
    """Whether this recorder can hear sensors at all: a phone that never does tells nothing by silence."""
    names_itself = recording.device is not None and recording.device.identity is not None
    return names_itself or bool(recording.sensors) or recording.has_cadence


def _channels(recording: Recording) -> str | None:
    if not _hears(recording):
        return None
    nameless = any(s.identity is None and s.kind not in WORN_BY_THE_RIDER for s in recording.sensors)
    power = bool(np.nanmax(recording.power_w, initial=0.0) > 0)
    words = (
        ("cadence", recording.has_cadence and bool(np.nanmax(recording.cadence_rpm, initial=0.0) > 0)),
        ("power", power),
        ("nameless sensor", nameless),
    )
    return " and ".join(word for word, there in words if there) or "no sensor"


def _wheel_off(recording: Recording) -> float | None:
    """How far the wheel sensor's distance and the track's are apart, as ln(track / wheel).

    Only where both are known from one sample to the next, on the move, and over 5 km: less is noise.
    """
    if not recording.has_place or not any(s.kind in WHEEL_SENSORS for s in recording.sensors):
        return None
    by_track = steps_m(recording.latitude_deg, recording.longitude_deg)
    by_wheel, gap_s = np.diff(recording.distance_m), np.diff(recording.time_s)
    with np.errstate(invalid="ignore"):
        both = np.isfinite(by_track) & (by_wheel > 2.0 * gap_s) & (gap_s > 0) & (gap_s <= 10)
    wheel_m, track_m = float(by_wheel[both].sum()), float(by_track[both].sum())
    return round(math.log(track_m / wheel_m), 4) if wheel_m >= 5000 and track_m > 0 else None
