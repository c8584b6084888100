"""A second kind of invented household, from physics: who rode what is known, and nothing flatters the judge.

Riders push against gravity, air and tyres with powers and moods of their own, shift when their legs want it,
stop at junctions, share bikes, forget to change the profile and let batteries die. Satellite errors last,
with heavy tails. Every constant is drawn anew for each household, so no two seeds are alike.

    house = invent("twins5", seed=7)       house.rides[0].data, .bike (None = nobody's here), .name
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field, replace
from datetime import UTC, datetime, timedelta

import numpy as np

from fixtures.fit_writer import fit_bytes
from fixtures.gpx_writer import gpx_bytes
from ingest.ride.recording import Column, Recording, SensorSeen
from rules.vocabulary import Bike, BikeId, Rider, RiderId, Sensor

KINDS = ("solo4", "twins5", "solo7", "phones4", "share6", "one-each", "trainer3")
FIRST_DAY = datetime(2022, 2, 1, tzinfo=UTC)
AIR, GRAVITY = 1.2, 9.81  # kg/m³, m/s²

# Combinations that are sold, some of them in no list of the judge's.
ROAD = ((50, 34), (11, 12, 13, 14, 15, 17, 19, 21, 23, 25, 28))
RACE = ((52, 36), (11, 12, 13, 14, 15, 16, 17, 19, 21, 24, 28))
WINTER = ((48, 32), (11, 13, 15, 17, 19, 21, 23, 25, 27, 30, 34))
CROSS = ((46, 36), (11, 12, 13, 14, 16, 18, 20, 22, 25, 28, 32))
GRAVEL = ((40,), (11, 13, 15, 17, 19, 21, 24, 28, 32, 37, 42))
GRAVEL_WIDE = ((42,), (10, 12, 14, 16, 18, 21, 24, 28, 32, 38, 44))
MOUNTAIN = ((32,), (10, 12, 14, 16, 18, 21, 24, 28, 33, 39, 45, 51))
ERRAND = ((38,), (11, 13, 15, 18, 21, 24, 28, 32))
TOWN = ((48, 36, 26), (11, 13, 15, 17, 20, 23, 26, 30, 34))
ONE_GEAR = ((46,), (17,))


@dataclass(slots=True)
class TrueBike:
    """A bike as it is. speed: of its position and tyres. rough: how much its ground shakes the sensors."""

    name: str
    owner: int
    use: str  # road, gravel, mountain, town, trainer
    gears: tuple[tuple[int, ...], tuple[int, ...]]
    wheel_m: float
    teeth_entered: bool = True
    bought: float = 0.0  # share of the story at which it came
    later: list[tuple[float, tuple[tuple[int, ...], tuple[int, ...]], float]] = field(default_factory=list)

    def fitted(self, at: float) -> tuple[tuple[tuple[int, ...], tuple[int, ...]], float]:
        """Its gears and wheel at this share of the story."""
        gears, wheel = self.gears, self.wheel_m
        for since, other, size in self.later:
            if at >= since:
                gears, wheel = other, size
        return gears, wheel


@dataclass(slots=True)
class TrueSensor:
    """A sensor: on which bike from which share of the story on (None: in a drawer)."""

    kind: str
    serial: int | None
    places: list[tuple[float, str | None]]

    def at(self, when: float) -> str | None:
        """The bike it sits on."""
        on = None
        for since, bike in self.places:
            if when >= since:
                on = bike
        return on


@dataclass(frozen=True, slots=True)
class TrueRide:
    """One ride: its file, and the bike it really was on; None = a bike that is nobody's here."""

    name: str
    data: bytes
    rider: int
    bike: str | None
    started_at: datetime


@dataclass(slots=True)
class House:
    """A household with its rides in order, and the equipment as the riders entered it."""

    kind: str
    seed: int
    riders: tuple[Rider, ...]
    bikes: tuple[Bike, ...]
    sensors: tuple[Sensor, ...]
    rides: list[TrueRide]

    def truth(self, ride: TrueRide) -> BikeId | None:
        """The bike's number."""
        return next((bike.id for bike in self.bikes if bike.name == ride.bike), None)


_Choose = Callable[[np.random.Generator, int, int, float], tuple[str, str]]  # rider, weekday, when


@dataclass(slots=True)
class _Plan:
    """How a household lives: what it has, and how each rider chooses."""

    bikes: list[TrueBike]
    sensors: list[TrueSensor]
    units: dict[int, list[str]]  # a rider's recorders: "unit N" or "phone"
    choose: _Choose
    strays: float = 0.02
    ids_missing: float = 0.0


def invent(kind: str, seed: int, rides: int = 400) -> House:
    """A household of this kind, its rides written as files."""
    dice = np.random.default_rng([KINDS.index(kind), seed])
    plan = _plan(kind, dice)
    riders = sorted(plan.units)
    habits = {r: _rider(dice) for r in riders}
    noise = {u: dice.uniform(0.07, 0.22) for r in riders for u in plan.units[r]}
    days = rides / (len(riders) * dice.uniform(0.55, 0.8))
    told: list[TrueRide] = []
    ends: dict[int, datetime] = dict.fromkeys(riders, FIRST_DAY)
    busy: dict[str, datetime] = {}
    for day in range(int(days) + 1):
        when = min(day / days, 1.0)
        for rider in riders:
            if dice.random() > 0.62 or len(told) >= rides:
                continue
            date = FIRST_DAY + timedelta(days=day)
            bike_name, errand = plan.choose(dice, rider, date.weekday(), when)
            hour = 7.3 if errand == "commute" else dice.uniform(8, 17)
            start = max(
                date + timedelta(hours=hour + dice.normal(0, 0.4)), ends[rider] + timedelta(minutes=20)
            )
            legs = 2 if errand == "commute" else 1
            if dice.random() < 0.025:
                bike_name, legs = "lent", 1
            for leg in range(legs):
                begin = (start if leg == 0 else start + timedelta(hours=9.2)).replace(microsecond=0)
                if busy.get(bike_name, FIRST_DAY) > begin or len(told) >= rides:
                    continue
                one, seconds = _ride(
                    dice,
                    plan,
                    rider,
                    bike_name,
                    errand,
                    leg,
                    when,
                    begin,
                    habits[rider],
                    noise,
                    len(told),
                )
                told.append(one)
                ends[rider] = busy[bike_name] = begin + timedelta(seconds=seconds + 300)
    told.sort(key=lambda ride: (ride.started_at, ride.rider))
    end = FIRST_DAY + timedelta(days=days)
    bikes = tuple(_entered(index + 1, bike, end) for index, bike in enumerate(plan.bikes))
    people = tuple(Rider(RiderId(r), f"Rider {r}", "") for r in riders)
    return House(kind, seed, people, bikes, (), told)


def _entered(number: int, bike: TrueBike, end: datetime) -> Bike:
    """As the riders typed it in: some teeth are missing, no wheel was measured."""
    share = {"road": 0.0, "town": 0.05, "gravel": 0.6, "mountain": 0.9, "trainer": 0.0}[bike.use]
    since = FIRST_DAY + (end - FIRST_DAY) * bike.bought if bike.bought else None
    chainrings, cogs = bike.gears if bike.teeth_entered else ((), ())
    return Bike(
        BikeId(number),
        bike.name,
        RiderId(bike.owner),
        unpaved_share=share,
        chainrings=chainrings,
        cogs=cogs,
        indoor=bike.use == "trainer",
        from_at=since,
    )


def _rider(dice: np.random.Generator) -> dict[str, float]:
    return {
        "w_kg": dice.uniform(1.7, 3.1),
        "kg": dice.uniform(58, 90),
        "rpm": dice.uniform(72, 92),
        "band": dice.uniform(6, 12),
        "mood": dice.uniform(0.05, 0.16),
        "forgets": float(dice.choice([0.05, 0.15, 0.3, 1.0], p=[0.4, 0.3, 0.2, 0.1])),
        "far": dice.uniform(0.05, 0.2),
    }


GROUND = {  # rolling resistance, drag area [m²], hills [m a km], trees, junctions a km, shaking
    "road": (0.005, 0.33, 9.0, 0.15, 0.25, 0.004),
    "gravel": (0.010, 0.40, 11.0, 0.45, 0.15, 0.02),
    "mountain": (0.016, 0.48, 24.0, 0.8, 0.10, 0.05),
    "town": (0.007, 0.46, 4.0, 0.25, 1.6, 0.007),
    "trainer": (0.004, 0.32, 6.0, 0.0, 0.0, 0.0),
}


def _ride(
    dice: np.random.Generator,
    plan: _Plan,
    rider: int,
    bike_name: str,
    errand: str,
    leg: int,
    when: float,
    begin: datetime,
    habit: dict[str, float],
    noise: dict[str, float],
    number: int,
) -> tuple[TrueRide, float]:
    lent = bike_name == "lent"
    bike = _lent(dice, rider, plan) if lent else next(b for b in plan.bikes if b.name == bike_name)
    (rings, cogs), wheel = bike.fitted(when)
    indoors = bike.use == "trainer"
    km = (
        7.5 + rider
        if errand == "commute"
        else float(
            dice.lognormal(
                math.log({"road": 42, "gravel": 33, "mountain": 20, "town": 6, "trainer": 26}[bike.use]), 0.35
            )
        )
    )
    ground = bike.use if errand != "commute" or bike.use != "mountain" else "town"
    rolling, drag, hills, trees, junctions, shakes = GROUND[ground]
    watts = (
        habit["w_kg"]
        * habit["kg"]
        * math.exp(dice.normal(0, habit["mood"]))
        * (0.75 if errand == "commute" else 1.0)
    )
    mass = habit["kg"] + {"mountain": 13, "town": 16}.get(bike.use, 9)
    step = 10.0
    n = int(min(km, 95) * 1000 / step)
    grade = np.convolve(dice.normal(0, 1, n + 60), np.hanning(61) / 30.5, mode="valid")
    grade = grade / max(grade.std(), 1e-6) * hills / 1000 * 1.9 * dice.uniform(0.7, 1.3)
    power = watts * np.clip(1.0 + 3.0 * grade + dice.normal(0, 0.05, n), 0.2, 1.9)
    wind = dice.normal(0, 1.5)
    coasting = grade < -0.022 - dice.uniform(0, 0.012)
    power[coasting] = 0.0
    speed = _speed(power, grade, mass, rolling, drag, wind)
    speed = np.clip(_smooth(speed, 6), 1.6, 17.0)
    seconds = np.cumsum(step / speed)
    duration = float(seconds[-1])
    sample_s = float(dice.choice([1, 1, 2, 4])) if duration < 9000 else 4.0
    t = np.arange(0.0, duration, sample_s)
    true_speed = np.interp(t, seconds, speed)
    coasts = (np.interp(t, seconds, coasting.astype(float)) > 0.5) | _spells(dice, len(t), sample_s, 0.1)
    stops = np.zeros(len(t))
    for at in np.flatnonzero(dice.random(len(t)) < junctions * sample_s * true_speed / 1000):
        stops[at:] += float(dice.uniform(8, 70))
    near = np.minimum(
        1.0,
        np.abs(t[:, None] - t[np.flatnonzero(np.diff(stops, prepend=0) > 0)][None, :]).min(axis=1, initial=99)
        / 8
        + 0.25,
    )
    true_speed = true_speed * near
    cadence = _cadence(
        true_speed, coasts, rings, cogs, wheel * (1 + dice.normal(0, 0.004)), habit, dice, sample_s
    )
    time_s = begin.timestamp() + t + stops
    unit = (
        str(dice.choice(plan.units[rider]))
        if not indoors
        else next((u for u in plan.units[rider] if u != "phone"), "phone")
    )
    phone = unit == "phone"
    heard = [] if phone else _heard(dice, plan, None if lent else bike_name, when)
    by_wheel = any(s.kind in ("speed", "speed and cadence") for s in heard if s.kind)
    has_cadence = any(s.kind in ("cadence", "speed and cadence", "power meter", "trainer") for s in heard)
    sigma = noise[unit] * (1 + 1.2 * trees)
    if by_wheel or indoors:
        told_speed = true_speed * (1 + _calibration(bike.name)) * (1 + dice.normal(0, 0.004, len(t)))
    else:
        told_speed = np.maximum(
            0,
            true_speed + _lasting(dice, len(t), sample_s) * sigma + dice.standard_t(4, len(t)) * 0.4 * sigma,
        )
    told_speed = told_speed * (1 + dice.normal(0, shakes, len(t)))
    latitude, longitude = _way(dice, rider, errand, leg, true_speed * sample_s, habit)
    if phone:
        latitude += _lasting(dice, len(t), sample_s) * 2.5 / 111_000 + dice.normal(0, 0.6, len(t)) / 111_000
        longitude += _lasting(dice, len(t), sample_s) * 2.5 / 78_000 + dice.normal(0, 0.6, len(t)) / 78_000
    blank = np.full(len(t), np.nan)
    word = {
        "road": "road",
        "gravel": "gravel_cycling",
        "mountain": "mountain",
        "town": "commuting",
        "trainer": "indoor_cycling",
    }
    usual = word[bike.use]
    if not indoors and dice.random() < habit["forgets"]:
        usual = "road" if habit["forgets"] == 1.0 else str(dice.choice(["road", "gravel_cycling", "generic"]))
    altitude = 700 + np.interp(t, seconds, np.cumsum(grade * step))
    recording = Recording(
        file_name="",
        reader="",
        time_s=time_s,
        latitude_deg=blank if indoors else latitude,
        longitude_deg=blank if indoors else longitude,
        altitude_m=blank if indoors else altitude,
        distance_m=np.cumsum(told_speed * sample_s),
        speed_mps=told_speed,
        cadence_rpm=cadence if has_cadence else blank,
        power_w=np.where(cadence > 0, np.interp(t, seconds, power), 0.0)
        if any(s.kind in ("power meter", "trainer") for s in heard)
        else blank,
        temperature_c=blank,
        heart_rate_bpm=blank,
        sport="cycling",
        sub_sport=None if phone else usual,
        device=None if phone else SensorSeen("head unit", serial=4000 + int(unit.split()[1])),
        sensors=tuple(heard),
    )
    name = f"{begin:%Y%m%d-%H%M}-{rider}-{number}.{'gpx' if phone else 'fit'}"
    data = gpx_bytes(replace(recording, sport="cycling", speed_mps=blank)) if phone else fit_bytes(recording)
    return TrueRide(name, data, rider, None if lent else bike_name, begin), float(time_s[-1] - time_s[0])


def _speed(power: Column, grade: Column, mass: float, rolling: float, drag: float, wind: float) -> Column:
    low, high = np.full(len(power), 0.5), np.full(len(power), 25.0)
    force = mass * GRAVITY * (rolling + grade)
    for _ in range(30):
        middle = 0.5 * (low + high)
        needs = force * middle + 0.5 * AIR * drag * (middle + wind) * np.abs(middle + wind) * middle
        too_fast = needs > power
        high, low = np.where(too_fast, middle, high), np.where(too_fast, low, middle)
    result: Column = 0.5 * (low + high)
    return result


def _smooth(values: Column, width: int) -> Column:
    kernel = np.ones(2 * width + 1) / (2 * width + 1)
    result: Column = np.convolve(np.pad(values, width, mode="edge"), kernel, mode="valid")
    return result


def _spells(dice: np.random.Generator, samples: int, sample_s: float, share: float) -> np.ndarray:
    starts = dice.random(samples) < share * sample_s / 9
    return np.convolve(starts, np.ones(max(1, int(9 / sample_s))), mode="full")[:samples] > 0


def _lasting(dice: np.random.Generator, samples: int, sample_s: float) -> Column:
    """An error of unit size that lasts about nine seconds, with tails."""
    keep = math.exp(-sample_s / 9.0)
    kicks = dice.standard_t(5, samples) * math.sqrt(1 - keep * keep) * 0.77
    result = np.empty(samples)
    value = 0.0
    for i, kick in enumerate(kicks.tolist()):
        value = keep * value + kick
        result[i] = value
    return result


def _cadence(
    speed: Column,
    coasts: np.ndarray,
    rings: Sequence[int],
    cogs: Sequence[int],
    wheel: float,
    habit: dict[str, float],
    dice: np.random.Generator,
    sample_s: float,
) -> Column:
    """The rider shifts a cog when the legs turn too slow or too fast, and a ring when cogs run out."""
    low, high = habit["rpm"] - habit["band"], habit["rpm"] + habit["band"]
    cogs = sorted(cogs)
    rings = sorted(rings)
    ring, cog = len(rings) - 1, len(cogs) // 2
    turns = np.zeros(len(speed))
    for i, (v, free) in enumerate(zip(speed.tolist(), coasts.tolist(), strict=True)):
        rpm = 60 * v / (rings[ring] / cogs[cog] * wheel)
        for _ in range(1 if sample_s <= 1 else 3):
            if rpm < low and cog < len(cogs) - 1:
                cog += 1
            elif rpm > high and cog > 0:
                cog -= 1
            elif rpm < low - 8 and ring > 0:
                ring, cog = ring - 1, max(0, cog - 3)
            elif rpm > high + 5 and ring < len(rings) - 1:
                ring, cog = ring + 1, min(len(cogs) - 1, cog + 3)
            rpm = 60 * v / (rings[ring] / cogs[cog] * wheel)
        turns[i] = 0.0 if free or v < 1.2 else rpm
    return np.rint(np.clip(np.where(turns > 0, turns + dice.normal(0, 0.7, len(turns)), 0.0), 0, 180))


def _calibration(name: str) -> float:
    return (sum(map(ord, name)) % 41 - 20) / 1000.0


PLACES = ((46.11, 7.10), (46.08, 7.15), (46.14, 7.03))


def _way(
    dice: np.random.Generator, rider: int, errand: str, leg: int, steps_m: Column, habit: dict[str, float]
) -> tuple[Column, Column]:
    home = PLACES[0] if rider < 3 else PLACES[2]
    start = (home[0] + 0.05, home[1] - 0.06 - 0.03 * rider) if errand == "commute" and leg == 1 else home
    if errand != "commute" and dice.random() < habit["far"]:
        start = (home[0] + 0.3, home[1] + 0.21)
    heading = np.cumsum(dice.normal(0, 0.05, len(steps_m))) + dice.uniform(0, 6.28)
    latitude = start[0] + np.cumsum(steps_m * np.cos(heading)) / 111_000
    longitude = start[1] + np.cumsum(steps_m * np.sin(heading)) / 77_000
    return latitude, longitude


def _heard(dice: np.random.Generator, plan: _Plan, bike: str | None, when: float) -> list[SensorSeen]:
    heard = []
    for sensor in plan.sensors:
        on = sensor.at(when)
        here = bike is not None and on == bike and dice.random() < 0.972
        stray = on is not None and on != bike and dice.random() < plan.strays * 0.5
        if here or stray:
            nameless = sensor.serial is None or dice.random() < plan.ids_missing
            heard.append(SensorSeen(sensor.kind, serial=None if nameless else sensor.serial))
    return heard


def _lent(dice: np.random.Generator, rider: int, plan: _Plan) -> TrueBike:
    """Half of the bikes that one borrows are near those one has."""
    gears, use = [(ROAD, "road"), (RACE, "road"), (GRAVEL, "gravel"), (MOUNTAIN, "mountain"), (TOWN, "town")][
        int(dice.integers(5))
    ]
    return TrueBike("lent", rider, use, gears, float(dice.uniform(2.07, 2.3)))


def _plan(kind: str, dice: np.random.Generator) -> _Plan:
    serial = iter(range(int(dice.integers(10_000, 900_000)), 10**7, 37))

    def sensor(kind_of: str, *places: tuple[float, str | None], named: bool = True) -> TrueSensor:
        return TrueSensor(kind_of, next(serial) if named else None, list(places))

    def wheel(low: float = 2.08, high: float = 2.16) -> float:
        return float(dice.uniform(low, high))

    moved = float(dice.uniform(0.3, 0.7))
    turn = float(dice.uniform(0.35, 0.65))

    def by_use(table: dict[int, Sequence[tuple[str, str, float]]], commutes: dict[int, float]) -> _Choose:
        bought = {bike.name: bike.bought for bike in bikes}

        def choose(dice: np.random.Generator, rider: int, weekday: int, when: float) -> tuple[str, str]:
            there = [
                (name, errand, share) for name, errand, share in table[rider] if bought.get(name, 0) <= when
            ]
            works = [row for row in there if row[1] == "commute"]
            if works and weekday < 5 and dice.random() < commutes.get(rider, 0.0):
                row = works[int(dice.choice(len(works), p=_shares(works)))]
            else:
                rest = [row for row in there if row[1] != "commute"] or there
                row = rest[int(dice.choice(len(rest), p=_shares(rest)))]
            return row[0], row[1]

        return choose

    if kind == "solo4":
        bikes = [
            TrueBike("Ash", 1, "road", ROAD, wheel()),
            TrueBike(
                "Birch",
                1,
                "gravel",
                GRAVEL,
                wheel(2.14, 2.22),
                later=[(turn, GRAVEL_WIDE, wheel(2.14, 2.22))],
            ),
            TrueBike("Cedar", 1, "town", ONE_GEAR, wheel(), teeth_entered=False),
            TrueBike("Dogwood", 1, "mountain", MOUNTAIN, wheel(2.24, 2.32), bought=0.5),
        ]
        sensors = [
            sensor("power meter", (0.0, "Ash"), (max(moved, 0.52), "Dogwood")),
            sensor("speed", (0.0, "Birch")),
            sensor("cadence", (0.0, "Birch")),
            sensor("speed", (0.5, "Dogwood")),
        ]
        table = {
            1: (
                ("Ash", "ride", 0.45),
                ("Birch", "ride", 0.35),
                ("Cedar", "commute", 1.0),
                ("Dogwood", "ride", 0.35),
            )
        }
        return _Plan(bikes, sensors, {1: ["unit 1"] * 9 + ["phone"]}, by_use(table, {1: 0.3}))
    if kind == "twins5":
        size = wheel(2.14, 2.2)
        bikes = [
            TrueBike("Ash", 1, "road", ROAD, wheel()),
            TrueBike("Birch", 1, "gravel", GRAVEL, size),
            TrueBike("Cherry", 2, "gravel", GRAVEL, size, later=[(turn, GRAVEL, size * 1.02)]),
            TrueBike("Dogwood", 1, "mountain", MOUNTAIN, wheel(2.24, 2.32)),
            TrueBike("Elm", 2, "town", ERRAND, wheel(), teeth_entered=False),
        ]
        sensors = [
            sensor("power meter", (0.0, "Ash")),
            sensor("speed", (0.0, "Birch")),
            sensor("cadence", (0.0, "Birch")),
            sensor("speed", (0.0, "Cherry")),
            sensor("cadence", (0.0, "Cherry")),
            sensor("speed", (0.0, "Dogwood")),
            sensor("cadence", (0.0, "Dogwood"), (0.9, None)),
        ]
        table = {
            1: (
                ("Ash", "ride", 0.4),
                ("Birch", "ride", 0.3),
                ("Dogwood", "ride", 0.25),
                ("Cherry", "ride", 0.03),
                ("Elm", "ride", 0.03),
            ),
            2: (
                ("Cherry", "ride", 0.6),
                ("Elm", "commute", 1.0),
                ("Birch", "ride", 0.06),
                ("Dogwood", "ride", 0.08),
            ),
        }
        return _Plan(
            bikes,
            sensors,
            {1: ["unit 1"] * 6 + ["unit 2", "phone"], 2: ["unit 2"] * 6 + ["unit 1", "phone"]},
            by_use(table, {2: 0.35}),
        )
    if kind == "solo7":
        bikes = [
            TrueBike("Ash", 1, "road", RACE, wheel()),
            TrueBike("Birch", 1, "road", ROAD, wheel()),
            TrueBike("Cedar", 1, "road", WINTER, wheel(2.1, 2.17)),
            TrueBike("Damson", 1, "gravel", CROSS, wheel(2.1, 2.17), teeth_entered=False),
            TrueBike("Elm", 1, "gravel", GRAVEL, wheel(2.14, 2.22)),
            TrueBike("Fir", 1, "mountain", MOUNTAIN, wheel(2.24, 2.32), bought=0.45),
            TrueBike("Gorse", 1, "town", TOWN, wheel(), teeth_entered=False),
        ]
        sensors = [
            sensor(
                "power meter",
                (0.0, "Ash"),
                (moved * 0.6, "Birch"),
                (moved, "Cedar"),
                (min(moved + 0.2, 0.95), "Ash"),
            ),
            sensor("speed", (0.0, "Elm"), (turn, "Fir")),
            sensor("light", (0.0, "Cedar"), (turn * 0.7, "Gorse"), (turn, "Elm")),
            sensor("cadence", (0.0, "Birch")),
            sensor("cadence", (0.0, "Elm")),
            sensor("shifter", (0.0, "Damson"), named=False),
        ]
        names = (
            ("Ash", 0.22),
            ("Birch", 0.17),
            ("Cedar", 0.14),
            ("Damson", 0.1),
            ("Elm", 0.15),
            ("Fir", 0.15),
        )
        table = {1: (*((name, "ride", share) for name, share in names), ("Gorse", "commute", 1.0))}
        return _Plan(bikes, sensors, {1: ["unit 1"]}, by_use(table, {1: 0.12}))
    if kind == "phones4":
        bikes = [
            TrueBike("Ash", 1, "road", ROAD, wheel()),
            TrueBike("Birch", 1, "gravel", GRAVEL, wheel()),
            TrueBike("Cherry", 2, "town", ERRAND, wheel()),
            TrueBike("Dogwood", 2, "mountain", MOUNTAIN, wheel(2.24, 2.32)),
        ]
        table = {
            1: (("Ash", "ride", 0.5), ("Birch", "ride", 0.42), ("Dogwood", "ride", 0.08)),
            2: (("Cherry", "commute", 1.0), ("Dogwood", "ride", 0.7), ("Birch", "ride", 0.1)),
        }
        return _Plan(bikes, [], {1: ["phone"], 2: ["phone"]}, by_use(table, {2: 0.4}))
    if kind == "share6":
        bikes = [
            TrueBike("Ash", 1, "road", ROAD, wheel()),
            TrueBike("Birch", 1, "gravel", GRAVEL, wheel(2.14, 2.22)),
            TrueBike("Cherry", 2, "gravel", GRAVEL_WIDE, wheel(2.14, 2.22)),
            TrueBike("Dogwood", 2, "mountain", MOUNTAIN, wheel(2.24, 2.32)),
            TrueBike("Elm", 3, "town", ERRAND, wheel(), teeth_entered=False),
            TrueBike("Fir", 3, "road", RACE, wheel(), teeth_entered=False),
        ]
        sensors = [
            sensor("power meter", (0.0, "Ash")),
            sensor("speed and cadence", (0.0, "Birch")),
            sensor("speed", (0.0, "Cherry")),
            sensor("cadence", (0.0, "Cherry")),
            sensor("cadence", (0.0, "Dogwood"), (turn, "Fir")),
        ]
        everything = [bike.name for bike in bikes]
        own = {1: ("Ash", "Birch"), 2: ("Cherry", "Dogwood"), 3: ("Fir",)}
        table = {
            r: (
                *((name, "ride", 0.3 if name in own[r] else 0.07) for name in everything if name != "Elm"),
                ("Elm", "commute", 1.0),
            )
            for r in (1, 2, 3)
        }
        return _Plan(
            bikes,
            sensors,
            {1: ["unit 1", "unit 2"], 2: ["unit 2", "unit 1"], 3: ["phone", "phone", "unit 2"]},
            by_use(table, {3: 0.4, 1: 0.08}),
            ids_missing=0.25,
        )
    if kind == "one-each":
        bikes = [
            TrueBike("Ash", 1, "town", ERRAND, wheel(), teeth_entered=False),
            TrueBike("Birch", 2, "gravel", GRAVEL, wheel(2.14, 2.22)),
        ]
        sensors = [sensor("cadence", (0.0, "Birch"), named=False)]
        table = {
            1: (("Ash", "commute", 1.0), ("Ash", "ride", 0.6), ("Birch", "ride", 0.25)),
            2: (("Birch", "ride", 0.8), ("Ash", "ride", 0.17)),
        }
        return _Plan(
            bikes, sensors, {1: ["unit 1", "phone"], 2: ["unit 1", "phone"]}, by_use(table, {1: 0.4})
        )
    bikes = [
        TrueBike("Ash", 1, "road", ROAD, wheel()),
        TrueBike("Birch", 1, "trainer", RACE, wheel()),
        TrueBike("Cedar", 1, "mountain", MOUNTAIN, wheel(2.24, 2.32)),
    ]
    sensors = [
        sensor("power meter", (0.0, "Ash")),
        sensor("trainer", (0.0, "Birch")),
        sensor("speed", (0.0, "Cedar")),
    ]
    table = {1: (("Ash", "ride", 0.5), ("Birch", "ride", 0.25), ("Cedar", "ride", 0.3))}
    return _Plan(bikes, sensors, {1: ["unit 1"] * 19 + ["phone"]}, by_use(table, {}))


def _shares(rows: Sequence[tuple[str, str, float]]) -> np.ndarray:
    weights = np.array([share for _, _, share in rows])
    return weights / weights.sum()
