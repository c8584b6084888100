"""A ride as physics has it, second by second: a rider turns cranks, a drivetrain turns wheels, hills resist.

Cassettes, rings and wheel sizes are those of the trade, from memory; rolling resistance, drag and braking are
common practice, no source. Nothing in here knows how a ride is judged.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

Column = NDArray[np.float64]
GRID_M: Final = 10.0
GRAVITY, AIR_KGM3, DRIVE_EFFICIENCY = 9.81, 1.15, 0.965

# From the smallest cog to the largest.
CASSETTES: Final[dict[str, tuple[int, ...]]] = {
    "road 11-25": (11, 12, 13, 14, 15, 16, 17, 19, 21, 23, 25),
    "road 11-28": (11, 12, 13, 14, 15, 17, 19, 21, 23, 25, 28),
    "road 11-30": (11, 12, 13, 14, 15, 16, 17, 19, 21, 24, 27, 30),
    "road 11-32": (11, 12, 13, 14, 16, 18, 20, 22, 25, 28, 32),
    "road 11-34": (11, 13, 15, 17, 19, 21, 23, 25, 27, 30, 34),
    "road 10-33": (10, 11, 12, 13, 14, 15, 17, 19, 21, 24, 28, 33),
    "gravel 10-36": (10, 11, 12, 13, 15, 17, 19, 21, 24, 28, 32, 36),
    "gravel 11-42": (11, 13, 15, 17, 19, 21, 24, 28, 32, 37, 42),
    "gravel 10-44": (10, 11, 13, 15, 17, 19, 21, 24, 28, 32, 38, 44),
    "mountain 10-51": (10, 12, 14, 16, 18, 21, 24, 28, 33, 39, 45, 51),
    "mountain 11-50": (11, 13, 15, 17, 19, 22, 25, 28, 32, 36, 42, 50),
    "mountain 11-46": (11, 13, 15, 17, 19, 21, 24, 28, 32, 37, 46),
    "town 11-32": (11, 13, 15, 18, 21, 24, 28, 32),
    "town 12-28": (12, 14, 16, 18, 21, 24, 28),
}
HUB_GEARS: Final = {8: (0.527, 0.644, 0.748, 0.851, 1.0, 1.223, 1.419, 1.615), 3: (0.75, 1.0, 1.333)}
WHEELS_M: Final = {
    "25": 2.105, "28": 2.136, "32": 2.155, "35": 2.168, "38": 2.180, "45": 2.218, "650x47": 2.088,
    "29x2.25": 2.281, "27.5x2.25": 2.182, "26x1.75": 2.023, "20x1.75": 1.515,
}  # fmt: skip


@dataclass(frozen=True, slots=True)
class Drivetrain:
    """Rings and cogs as teeth, the wheel as it rolls [m a turn]; hub: the ratios of a geared hub."""

    rings: tuple[int, ...]
    cogs: tuple[int, ...]
    wheel_m: float
    hub: tuple[float, ...] = ()

    def development_m(self) -> list[list[float]]:
        """Metres a turn of the cranks: by ring, small to large; within a ring from the hardest gear."""
        if self.hub:
            return [[self.rings[0] / self.cogs[0] * one * self.wheel_m for one in reversed(self.hub)]]
        return [[ring / cog * self.wheel_m for cog in sorted(self.cogs)] for ring in sorted(self.rings)]


@dataclass(frozen=True, slots=True)
class Legs:
    """Who rides: comfortable power [W] and cadence [1/min], mass [kg]; how daring downhill [m/s]."""

    power_w: float
    cadence_rpm: float
    mass_kg: float
    shifts_at_rpm: float
    daring_mps: float


@dataclass(frozen=True, slots=True)
class Frame:
    """What of a bike resists: drag area [m²], mass [kg], rolling resistance where smooth, where rough."""

    drag_m2: float
    mass_kg: float
    smooth: float
    rough: float


@dataclass(frozen=True, slots=True, eq=False)
class Route:
    """A way through the land in steps of 10 m."""

    name: str
    east_m: Column
    north_m: Column
    altitude_m: Column
    roughness: Column  # 0 = smooth road .. 1 = trail
    limit_mps: Column  # bends
    stops: tuple[int, ...]  # steps at which there is a junction

    def out(self) -> Route:
        """The first half of the loop: from home to where one goes."""
        half = len(self.east_m) // 2
        kept = (self.east_m, self.north_m, self.altitude_m, self.roughness, self.limit_mps)
        return Route(self.name, *(one[:half] for one in kept), tuple(s for s in self.stops if s < half - 5))

    def reversed(self) -> Route:
        """The other way round."""
        last = len(self.east_m) - 1
        turned = (self.east_m, self.north_m, self.altitude_m, self.roughness, self.limit_mps)
        return Route(self.name, *(one[::-1] for one in turned), tuple(last - s for s in reversed(self.stops)))


@dataclass(frozen=True, slots=True, eq=False)
class Motion:
    """What truly happened, once a second."""

    east_m: Column
    north_m: Column
    altitude_m: Column
    speed_mps: Column
    cadence_rpm: Column
    power_w: Column
    roughness: Column
    gear: NDArray[np.int64]  # ring × 100 + cog, as places in the drivetrain


def route(
    rng: np.random.Generator, name: str, length_m: float, *, hills_m: float, rough: float, stop_every_m: float
) -> Route:
    """A loop from home and back. hills_m: how high its waves stand; rough: the unpaved share."""
    steps = max(60, int(length_m / GRID_M))
    along = np.arange(steps + 1) / steps
    turn = np.cumsum(rng.normal(0, 0.12 + 0.1 * (rough > 0.5), steps + 1)) + 2 * np.pi * along
    east, north = np.cumsum(np.cos(turn)) * GRID_M, np.cumsum(np.sin(turn)) * GRID_M
    east, north = (one - one[0] - (one[-1] - one[0]) * along for one in (east, north))
    # Closing the loop bends its steps: all are GRID_M long again, for a track is as long as the wheel rolls.
    rolled = np.concatenate(([0.0], np.cumsum(np.hypot(np.diff(east), np.diff(north)))))
    grow = steps * GRID_M / rolled[-1]
    east, north = (np.interp(along * rolled[-1], rolled, one) * grow for one in (east, north))
    height = np.zeros(steps + 1)
    for wave in range(1, 2 + int(length_m / 700)):
        height += (
            np.sin(2 * np.pi * wave * along + rng.uniform(0, 7)) * hills_m * rng.uniform(0.2, 1) / wave**0.75
        )
    grade = np.clip(np.gradient(height, GRID_M), -0.13, 0.13)
    grade -= grade.mean()
    ground = np.zeros(steps + 1)
    at = 0
    while at < steps:
        piece = int(rng.uniform(40, 250))
        ground[at : at + piece] = rng.uniform(0.35, 1.0) if rng.random() < rough else 0.0
        at += piece
    bends = np.full(steps + 1, 99.0)
    places = rng.integers(5, steps - 5, int(length_m / 400))
    bends[places] = rng.uniform(4.5, 9, len(places))
    stops = np.cumsum(rng.exponential(stop_every_m / GRID_M, 400)).astype(int)
    at_m = np.cumsum(grade) * GRID_M
    kept = tuple(int(s) for s in stops if 10 < s < steps - 10)
    return Route(name, east, north, 1100.0 + at_m, ground, bends, kept)


def ridden(
    rng: np.random.Generator,
    way: Route,
    gears: Drivetrain,
    frame: Frame,
    legs: Legs,
    *,
    effort: float,
    wind_mps: float,
) -> Motion:
    """How the ride goes. effort: 1 = as comfortable; wind_mps: from a direction of its own."""
    slope = np.gradient(way.altitude_m, GRID_M).tolist()
    heading = np.arctan2(np.gradient(way.north_m), np.gradient(way.east_m))
    head_mps = (wind_mps * np.cos(heading - rng.uniform(0, 7))).tolist()
    rough, limit = way.roughness.tolist(), way.limit_mps.tolist()
    stops = {s: float(rng.uniform(4, 50)) for s in way.stops if rng.random() < 0.45}
    chance = rng.random(20_000).tolist()
    jitter = rng.normal(0, 1, 20_000).tolist()
    metres = gears.development_m()
    single = len(metres) == 1 and len(metres[0]) == 1
    mass = legs.mass_kg + frame.mass_kg
    ring, cog = 0, min(len(metres[0]) - 1, len(metres[0]) // 2)
    x = v = lag = rest_s = since_shift = 0.0
    coast_s = 0
    end_m = (len(slope) - 1) * GRID_M - 1
    rows: list[tuple[float, float, float, float, float, int]] = []
    for second in range(15_000):
        if x >= end_m:
            break
        at = int(x / GRID_M)
        luck, wobble = chance[second], jitter[second]
        lag += 0.08 * (jitter[-1 - second] - lag)
        ahead = next((s for s in range(at + 1, min(at + 4, len(slope))) if s in stops), None)
        if rest_s > 0:
            rest_s -= 1
            rows.append((x, 0.0, 0.0, 0.0, rough[at], ring * 100 + cog))
            continue
        if ahead is not None and v < 3.2 and ahead - at <= 1:
            rest_s, v = stops.pop(ahead), 0.0
            continue
        cap = min(limit[at], limit[min(at + 1, len(limit) - 1)], legs.daring_mps * (1 - 0.45 * rough[at]))
        if ahead is not None:
            cap = min(cap, 3.0 + 1.6 * (ahead - at - 1))
        # One gear or two at a time, when the legs ask for it.
        dev = metres[ring][cog]
        cadence = v * 60 / dev
        wish = legs.cadence_rpm * (1 - 1.2 * min(0.1, max(0.0, slope[at]))) * (0.9 + 0.1 * effort)
        since_shift += 1
        if not single and since_shift > 2 and (v > 1.0):
            row = metres[ring]
            if cadence > wish + legs.shifts_at_rpm:
                if cog > 0:
                    cog, since_shift = cog - 1, 0
                if cog <= 2 and ring + 1 < len(metres) and slope[at] < 0.04:
                    ring, since_shift = ring + 1, -2
                    cog = min(range(len(row)), key=lambda c: abs(metres[ring][c] - dev * 1.08))
            elif cadence < wish - legs.shifts_at_rpm:
                if cog < len(row) - 1:
                    cog = min(len(row) - 1, cog + (2 if cadence < wish - 25 else 1))
                    since_shift = 0
                if cog >= len(row) - 2 and ring > 0:
                    ring, since_shift = ring - 1, -2
                    cog = min(range(len(row)), key=lambda c: abs(metres[ring][c] - dev * 0.92))
            dev = metres[ring][cog]
            cadence = v * 60 / dev
        coast_s = max(coast_s - 1, 0)
        if not coast_s and luck < 0.006 + 0.01 * rough[at]:
            coast_s = 2 + int(luck * 1000)
        pedals = v < cap and not coast_s and cadence < legs.cadence_rpm + 28
        power = 0.0
        if pedals:
            power = legs.power_w * effort * (1 + min(0.7, max(-0.9, 7 * slope[at]))) * (1 + 0.35 * lag)
            power = max(15.0, min(power, (95 + legs.mass_kg * 3.4) * 0.17 * max(cadence, 22) / 9.55 * 2.2))
        resist = frame.smooth + (frame.rough - frame.smooth) * rough[at] * (1 + 0.5 * wobble)
        air = v + head_mps[at]
        force = power * DRIVE_EFFICIENCY / max(v, 1.2) - mass * GRAVITY * (resist + slope[at])
        force -= 0.5 * AIR_KGM3 * frame.drag_m2 * air * abs(air)
        v = max(0.0, v + force / (mass * 1.02))
        if v > cap:
            v = max(cap, v - 1.8)
        walks = v < 1.1 and slope[at] > 0.05
        v = max(v, 1.1)
        turns = v * 60 / dev if pedals and not walks else 0.0
        rows.append((x, v, turns, power if turns else 0.0, rough[at], ring * 100 + cog))
        x += v
    x_m, speed, turns_rpm, power_w, ground, gear = (np.array(column) for column in zip(*rows, strict=True))
    grid = np.arange(len(slope)) * GRID_M
    east, north, up = (np.interp(x_m, grid, one) for one in (way.east_m, way.north_m, way.altitude_m))
    return Motion(east, north, up, speed, turns_rpm, power_w, ground, gear.astype(np.int64))


def turned_indoors(
    rng: np.random.Generator, gears: Drivetrain, legs: Legs, minutes: float, *, effort: float, erg: bool
) -> Motion:
    """On a trainer: no wind, no hills, hardly a shift; the flywheel's speed is by its own gear."""
    seconds = int(minutes * 60)
    metres = gears.development_m()[-1]
    place = min(range(len(metres)), key=lambda c: abs(metres[c] * legs.cadence_rpm / 60 - 8.5))
    blocks = np.repeat(rng.normal(0, 1, seconds // 180 + 1), 180)[:seconds]
    gear = np.full(seconds, place)
    if not erg:
        gear = np.clip(place - np.round(blocks).astype(int), 0, len(metres) - 1)
    slow = np.convolve(rng.normal(0, 1, seconds), np.ones(20) / 20, "same")
    cadence = legs.cadence_rpm + 4 * slow + 3 * blocks
    cadence[rng.random(seconds) < 0.004] = 0
    dev = np.array(metres)[gear]
    power = np.where(cadence > 0, legs.power_w * effort * (1 + 0.2 * blocks) + rng.normal(0, 8, seconds), 0)
    speed = np.convolve(cadence * dev / 60, np.ones(5) / 5, "same")
    nothing = np.zeros(seconds)
    return Motion(nothing, nothing, nothing, speed, cadence, np.maximum(power, 0), nothing, gear)
