"""Invented households whose truth is known: who rode what, when, with which sensors awake, as FIT files.

Two riders, seven bikes of which two are twins, two head units that both use, sensors that move and whose
batteries die, a tyre change, borrowed bikes. Everything follows from the seed.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta

import numpy as np

from fixtures.fit_writer import fit_bytes
from ingest.bikes.learning import Household
from ingest.ride.recording import GearChange, Recording, SensorSeen
from rules.vocabulary import Bike, BikeId, Rider, RiderId

FIRST_DAY = datetime(2021, 3, 1, tzinfo=UTC)
RIDERS = (RiderId(1), RiderId(2))
HOME = (39.412, -104.871)
SAMPLE_S = 5
GPS_NOISE, WHEEL_NOISE = 0.025, 0.010  # of ln speed, one sample
NOISE_LASTS_S = 12.0  # satellite and wheel errors do not change from one second to the next
SILENT_CHANCE = 0.285  # no identifying sensor, batteries apart
NO_CADENCE_WHEN_SILENT = 0.5
BORROWED_CHANCE = 0.02
RIGHT_PROFILE_CHANCE = 0.85
SAME_AGAIN_SOON, SAME_AGAIN_LATER = 0.6, 0.15
SPEED_SPREAD = 0.09  # of ln mean speed, from ride to ride
COASTING = 0.13
ODD_SAMPLES = 0.04  # speed and cadence out of step

CASSETTES = {
    "close": (11, 12, 13, 14, 15, 17, 19, 21, 23, 25, 28),
    "middle": (11, 12, 13, 14, 15, 17, 19, 21, 24, 27, 30),
    "broad": (11, 13, 15, 17, 19, 21, 23, 25, 27, 30, 34),
    "gravel": (11, 13, 15, 17, 19, 21, 24, 28, 32, 37, 42),
    "mountain": (10, 12, 14, 16, 18, 21, 24, 28, 33, 39, 45, 51),
    "tour": (11, 12, 14, 16, 18, 21, 24, 28, 32, 36),
}


@dataclass(slots=True)
class TrueBike:
    """A bike as it is, not as it was entered."""

    id: BikeId | None
    name: str
    owner: RiderId
    profile: str
    chainrings: tuple[int, ...]
    cogs: tuple[int, ...]
    circumference_m: float
    speed_mps: float
    roughness: float
    teeth_entered: bool = True
    electronic: bool = False
    tyre_changed_at: datetime | None = None
    other_circumference_m: float = 0.0

    def wheel_m(self, at: datetime) -> float:
        """The circumference on this day."""
        changed = self.tyre_changed_at is not None and at >= self.tyre_changed_at
        return self.other_circumference_m if changed else self.circumference_m

    def developments(self, at: datetime) -> np.ndarray:
        """Metres per crank turn of every gear, ascending."""
        wheel = self.wheel_m(at)
        return np.unique([front / rear * wheel for front in self.chainrings for rear in self.cogs])


@dataclass(slots=True)
class TrueSensor:
    """A sensor, where it sat from when on, and when its battery was flat."""

    kind: str
    serial: int
    ant_number: int
    places: list[tuple[datetime, BikeId]]
    flat: list[tuple[datetime, datetime]] = field(default_factory=list)

    def on(self, at: datetime) -> BikeId:
        """The bike it sat on."""
        return [bike for since, bike in self.places if since <= at][-1]

    def awake(self, at: datetime) -> bool:
        """Whether its battery had charge."""
        return not any(since <= at < until for since, until in self.flat)


@dataclass(frozen=True, slots=True)
class TrueRide:
    """One ride as it was. chances: of every bike (None = borrowed), by rider, day and the ride before."""

    number: int
    rider: RiderId
    bike: BikeId | None
    machine: TrueBike
    started_at: datetime
    duration_s: int
    head_unit: int
    profile: str
    start: tuple[float, float]
    awake: tuple[TrueSensor, ...]
    cadence: bool
    speed_mps: float
    chances: dict[BikeId | None, float]

    @property
    def ended_at(self) -> datetime:
        """When it was over."""
        return self.started_at + timedelta(seconds=self.duration_s)


@dataclass(slots=True)
class Story:
    """A household, what was entered of it, and its rides in order."""

    seed: int
    bikes: list[TrueBike]
    sensors: list[TrueSensor]
    habits: dict[RiderId, dict[str, dict[BikeId, float]]]
    rides: list[TrueRide]
    twins: frozenset[BikeId]

    def household(self) -> Household:
        """As the riders entered it: most teeth, wheel sizes from a table, no sensor."""
        bikes = tuple(
            Bike(
                id=b.id,
                name=b.name,
                owner=b.owner,
                unpaved_share={"road": 0.0, "gravel_cycling": 0.5, "mountain": 0.9}.get(b.profile, 0.1),
                chainrings=b.chainrings if b.teeth_entered else (),
                cogs=b.cogs if b.teeth_entered else (),
                wheel_circumference_m=round(b.circumference_m * 1.004, 3) if b.teeth_entered else None,
            )
            for b in self.bikes
            if b.id is not None
        )
        return Household(bikes, (), (Rider(RIDERS[0], "Ina"), Rider(RIDERS[1], "Tom")))


def story(seed: int, rides: int = 2000) -> Story:
    """A household and its rides."""
    dice = np.random.default_rng(seed)
    bikes = _bikes(dice)
    days = rides / 1.35
    sensors = _sensors(dice, bikes, days)
    habits = _habits(dice, bikes)
    told = Story(seed, bikes, sensors, habits, [], frozenset({BikeId(4), BikeId(5)}))
    at = FIRST_DAY
    last: dict[RiderId, tuple[datetime, BikeId | None]] = {}
    busy: dict[BikeId, datetime] = {}
    while len(told.rides) < rides:
        at += timedelta(days=1)
        for rider in dice.permutation(RIDERS):
            for _ in range(int(dice.choice([0, 1, 2], p=[0.42, 0.48, 0.10]))):
                if len(told.rides) < rides:
                    told.rides.append(_ride(dice, told, RiderId(int(rider)), at, last, busy))
    told.rides.sort(key=lambda r: r.started_at)
    return told


def _bikes(dice: np.random.Generator) -> list[TrueBike]:
    ina, tom = RIDERS
    twin_rings, twin_cogs, twin_wheel = (46, 30), CASSETTES["broad"], 2.155 * dice.normal(1, 0.003)
    bikes = [
        TrueBike(BikeId(1), "Plover", ina, "road", (50, 34), CASSETTES["close"], 2.105, 8.1, 0.030),
        TrueBike(BikeId(2), "Wheatear", ina, "gravel_cycling", (40,), CASSETTES["gravel"], 2.190, 6.6, 0.048),
        TrueBike(BikeId(3), "Shrike", tom, "mountain", (32,), CASSETTES["mountain"], 2.298, 4.6, 0.075),
        TrueBike(BikeId(4), "Lark", ina, "road", twin_rings, twin_cogs, twin_wheel, 7.0, 0.036),
        TrueBike(BikeId(5), "Pipit", tom, "road", twin_rings, twin_cogs, twin_wheel, 7.0, 0.036),
        TrueBike(BikeId(6), "Dotterel", tom, "commuting", (44, 32), CASSETTES["tour"], 2.168, 5.8, 0.040),
        TrueBike(BikeId(7), "Dunlin", tom, "road", (52, 36), CASSETTES["middle"], 2.136, 8.0, 0.030),
    ]
    for bike in bikes:
        if bike.id not in (4, 5):
            bike.circumference_m *= float(dice.normal(1, 0.004))
            bike.speed_mps *= float(dice.normal(1, 0.05))
    bikes[1].teeth_entered = bikes[5].teeth_entered = False
    bikes[6].electronic = True
    changed = bikes[int(dice.choice([0, 2, 6]))]
    changed.tyre_changed_at = FIRST_DAY + timedelta(days=int(dice.integers(300, 900)))
    changed.other_circumference_m = changed.circumference_m * float(dice.choice([0.96, 1.025, 1.045]))
    return bikes


def _sensors(dice: np.random.Generator, bikes: list[TrueBike], days: float) -> list[TrueSensor]:
    kinds = {
        1: ("power meter", "speed"),
        2: ("speed", "cadence"),
        3: ("power meter",),
        4: ("speed and cadence",),
        5: ("speed and cadence",),
        6: ("speed and cadence", "light"),
        7: ("power meter", "shifter"),
    }
    sensors = []
    for bike in bikes:
        assert bike.id is not None
        for kind in kinds[bike.id]:
            number = int(dice.integers(1000, 60000))
            sensors.append(TrueSensor(kind, 100_000 + number, number, [(FIRST_DAY, bike.id)]))
    for sensor in sensors:
        for _ in range(int(dice.poisson(days / 500))):
            since = FIRST_DAY + timedelta(days=float(dice.uniform(60, days)))
            sensor.flat.append((since, since + timedelta(days=float(dice.uniform(4, 25)))))
    # The bike that gives its only sensor away, or swaps it with another's, is where a household goes wrong.
    power_meters = [s for s in sensors if s.kind == "power meter"]
    days_of_moves = sorted(float(d) for d in dice.uniform(0.2 * days, 0.9 * days, 2))
    one, other = (power_meters[int(i)] for i in dice.choice(len(power_meters), 2, replace=False))
    swapped = FIRST_DAY + timedelta(days=days_of_moves[0])
    a, b = one.on(swapped), other.on(swapped)
    one.places.append((swapped, b))
    other.places.append((swapped, a))
    moved = [s for s in sensors if s.kind in ("speed", "light")][int(dice.integers(0, 3))]
    when = FIRST_DAY + timedelta(days=days_of_moves[1])
    target = bikes[int(dice.choice([0, 1, 2, 5]))].id
    assert target is not None
    if target != moved.on(when):
        moved.places.append((when, target))
    return sensors


def _habits(
    dice: np.random.Generator, bikes: list[TrueBike]
) -> dict[RiderId, dict[str, dict[BikeId, float]]]:
    habits: dict[RiderId, dict[str, dict[BikeId, float]]] = {}
    for rider in RIDERS:
        liking = {
            bike.id: float(dice.gamma(3.0)) * (1.0 if bike.owner == rider else 0.22)
            for bike in bikes
            if bike.id is not None
        }
        habits[rider] = {}
        for day in ("working day", "weekend"):
            tilted = {}
            for bike in bikes:
                assert bike.id is not None
                commutes = bike.profile == "commuting"
                tilt = (2.5 if day == "working day" else 0.3) if commutes else 1.0
                tilted[bike.id] = liking[bike.id] * tilt
            total = sum(tilted.values())
            habits[rider][day] = {bike: value / total for bike, value in tilted.items()}
    return habits


def chances_of(
    told: Story,
    rider: RiderId,
    at: datetime,
    before: tuple[datetime, BikeId | None] | None,
    busy: set[BikeId],
) -> dict[BikeId | None, float]:
    """The chance of every bike, as the story rolls it."""
    usual = told.habits[rider]["weekend" if at.weekday() >= 5 else "working day"]
    again = 0.0
    if before is not None and before[1] is not None and before[1] not in busy:
        again = SAME_AGAIN_SOON if at - before[0] <= timedelta(hours=18) else SAME_AGAIN_LATER
    free = {bike: chance for bike, chance in usual.items() if bike not in busy}
    total = sum(free.values())
    chances: dict[BikeId | None, float] = {
        bike: (1 - BORROWED_CHANCE)
        * ((1 - again) * chance / total + again * (before is not None and bike == before[1]))
        for bike, chance in free.items()
    }
    chances[None] = BORROWED_CHANCE
    return chances


def _ride(
    dice: np.random.Generator,
    told: Story,
    rider: RiderId,
    day: datetime,
    last: dict[RiderId, tuple[datetime, BikeId | None]],
    busy: dict[BikeId, datetime],
) -> TrueRide:
    earliest = last[rider][0] + timedelta(minutes=30) if rider in last else day
    started_at = max(day + timedelta(hours=float(dice.uniform(12.5, 23.0))), earliest)
    started_at = started_at.replace(microsecond=0)
    taken = {bike for bike, until in busy.items() if until > started_at}
    chances = chances_of(told, rider, started_at, last.get(rider), taken)
    names = list(chances)
    bike = names[int(dice.choice(len(names), p=np.array(list(chances.values())) / sum(chances.values())))]
    machine = _borrowed(dice, rider) if bike is None else told.bikes[bike - 1]
    duration_s = int(np.clip(dice.lognormal(math.log(4300), 0.45), 1500, 14000))
    awake: tuple[TrueSensor, ...] = ()
    if dice.random() >= SILENT_CHANCE:
        awake = tuple(
            s for s in told.sensors if bike is not None and s.on(started_at) == bike and s.awake(started_at)
        )
    cadence = bool(awake) or dice.random() >= NO_CADENCE_WHEN_SILENT
    profiles = ["road", "gravel_cycling", "mountain", "commuting", "generic"]
    profile = machine.profile if dice.random() < RIGHT_PROFILE_CHANCE else str(dice.choice(profiles))
    start = HOME
    if dice.random() < 0.2:
        far = {"road": 0.06, "gravel_cycling": -0.05, "mountain": -0.11, "commuting": 0.04}[machine.profile]
        start = (HOME[0] + far, HOME[1] + 0.02 * float(dice.integers(-1, 2)))
    unit = 1 if dice.random() < (0.7 if rider == RIDERS[0] else 0.3) else 2
    rider_pace = 1.0 if rider == RIDERS[0] else 0.95
    speed = machine.speed_mps * rider_pace * float(np.exp(dice.normal(0, SPEED_SPREAD)))
    ends = started_at + timedelta(seconds=duration_s)
    last[rider] = (ends, bike)
    if bike is not None:
        busy[bike] = ends
    number = len(told.rides)
    return TrueRide(
        number,
        rider,
        bike,
        machine,
        started_at,
        duration_s,
        unit,
        profile,
        start,
        awake,
        cadence,
        speed,
        chances,
    )


def _borrowed(dice: np.random.Generator, rider: RiderId) -> TrueBike:
    rings = ((48, 31), (53, 39), (42,), (34,), (38, 24))[int(dice.integers(0, 5))]
    cogs = list(CASSETTES.values())[int(dice.integers(0, 6))]
    profile = "road" if max(rings) > 45 else "mountain" if max(rings) < 40 else "gravel_cycling"
    wheel_m, speed, rough = (float(dice.uniform(*span)) for span in ((2.07, 2.31), (4.5, 8.2), (0.03, 0.07)))
    return TrueBike(None, "borrowed", rider, profile, rings, cogs, wheel_m, speed, rough)


def recording_of(told: Story, ride: TrueRide) -> Recording:
    """What the head unit recorded."""
    dice = np.random.default_rng((told.seed, ride.number))
    time_s = np.arange(0, ride.duration_s, SAMPLE_S, dtype=np.float64)
    time_s += np.where(np.arange(len(time_s)) > 0, dice.integers(-2, 3, len(time_s)), 0)
    speed = _speeds(dice, ride, len(time_s))
    gears = ride.machine.developments(ride.started_at)
    held = _gears_held(speed, gears, float(dice.normal(82, 3)))
    cadence = speed * 60 / gears[held]
    coasting = _spells(dice, len(time_s), COASTING)
    odd = dice.random(len(time_s)) < ODD_SAMPLES
    cadence = np.where(odd, cadence * np.exp(dice.normal(0, 0.25, len(time_s))), cadence)
    cadence = np.where(coasting, 0.0, np.clip(np.rint(cadence), 0, 200))
    by_wheel = any(s.kind in ("speed", "speed and cadence") for s in ride.awake)
    noise = WHEEL_NOISE if by_wheel else GPS_NOISE
    error = 0.8 * _lasting(dice, len(time_s), NOISE_LASTS_S) + 0.6 * dice.normal(0, 1, len(time_s))
    told_speed = speed * np.exp(noise * error)
    distance = np.concatenate(([0.0], np.cumsum(speed[1:] * np.diff(time_s))))
    heading = np.cumsum(dice.normal(0, 0.12, len(time_s)))
    north = np.concatenate(([0.0], np.cumsum(speed[1:] * np.diff(time_s) * np.cos(heading[1:]))))
    east = np.concatenate(([0.0], np.cumsum(speed[1:] * np.diff(time_s) * np.sin(heading[1:]))))
    nothing = np.full(len(time_s), np.nan)
    start_s = ride.started_at.timestamp()
    return Recording(
        file_name=f"{ride.started_at:%Y%m%d-%H%M%S}-{ride.rider}.fit",
        reader="",
        time_s=start_s + time_s,
        latitude_deg=ride.start[0] + north / 111_195.0,
        longitude_deg=ride.start[1] + east / (111_195.0 * math.cos(math.radians(HOME[0]))),
        altitude_m=2100 + np.cumsum(dice.normal(0, 0.4, len(time_s))),
        distance_m=distance,
        speed_mps=told_speed,
        cadence_rpm=cadence if ride.cadence else nothing,
        power_w=nothing,
        temperature_c=nothing,
        heart_rate_bpm=nothing,
        sport="cycling",
        sub_sport=ride.profile,
        profile_name=None,
        device=SensorSeen("head unit", serial=900_000 + ride.head_unit),
        sensors=tuple(SensorSeen(s.kind, serial=s.serial, ant_number=s.ant_number) for s in ride.awake),
        gear_changes=_shifts(ride, start_s + time_s, held, gears),
        session_started_at=ride.started_at,
        session_timer_s=float(time_s[-1]),
        session_distance_m=float(distance[-1]),
    )


def fit_of(told: Story, ride: TrueRide) -> bytes:
    """The ride as a FIT file."""
    return fit_bytes(recording_of(told, ride))


def _speeds(dice: np.random.Generator, ride: TrueRide, samples: int) -> np.ndarray:
    """Ground, wind and will: ln speed wanders around the ride's mean, and stutters with the path."""
    wander = 0.28 * _lasting(dice, samples, 100.0)
    stutter = np.convolve(dice.normal(0, ride.machine.roughness * 1.5, samples), np.full(2, 0.5), mode="same")
    return np.maximum(ride.speed_mps * np.exp(wander + stutter), 0.9)


def _lasting(dice: np.random.Generator, samples: int, lasts_s: float) -> np.ndarray:
    """Chance that lasts: mean 0, variance 1, forgotten at this pace (a first-order autoregression)."""
    keep = math.exp(-SAMPLE_S / lasts_s)
    values = np.empty(samples)
    level = float(dice.normal())
    for index, step in enumerate(dice.normal(0, math.sqrt(1 - keep * keep), samples).tolist()):
        values[index] = level
        level = keep * level + step
    return values


def _gears_held(speed: np.ndarray, gears: np.ndarray, cadence_rpm: float) -> np.ndarray:
    """A rider shifts when the cadence strays more than a tenth from the one they like."""
    ln_gears, ln_wanted = np.log(gears).tolist(), np.log(speed * 60 / cadence_rpm)
    nearest = np.abs(ln_wanted[:, None] - np.log(gears)[None, :]).argmin(axis=1).tolist()
    held = np.empty(len(speed), dtype=np.int64)
    gear = nearest[0]
    for index, wanted in enumerate(ln_wanted.tolist()):
        if abs(wanted - ln_gears[gear]) > 0.11:
            gear = nearest[index]
        held[index] = gear
    return held


def _spells(dice: np.random.Generator, samples: int, share: float) -> np.ndarray:
    """Coasting comes in stretches."""
    starts = dice.random(samples) < share / 5
    return np.convolve(starts, np.ones(5), mode="full")[:samples] > 0


def _shifts(
    ride: TrueRide, time_s: np.ndarray, held: np.ndarray, gears: np.ndarray
) -> tuple[GearChange, ...]:
    if not any(s.kind == "shifter" for s in ride.awake):
        return ()
    wheel = ride.machine.wheel_m(ride.started_at)
    pairs = {
        round(front / rear * wheel, 9): (front, rear)
        for front in ride.machine.chainrings
        for rear in ride.machine.cogs
    }
    changed = np.flatnonzero(np.diff(held)) + 1
    return tuple(GearChange(float(time_s[i]), *pairs[round(float(gears[held[i]]), 9)]) for i in changed)
