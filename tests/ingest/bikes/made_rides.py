"""Made rides whose truth is known: looks at gears, and clues with all the rest left out."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta

import numpy as np

from ingest.bikes.gear_samples import GearLooks
from ingest.bikes.ride_clues import HeardSensor, RideClues
from ingest.bikes.sold_gears import sold_table
from rules.vocabulary import Bike, BikeId, RiderId

MORNING = datetime(2025, 5, 3, 7, tzinfo=UTC)
DAY = timedelta(days=1)
INA, TOM = RiderId(1), RiderId(2)
PLOVER, WHEATEAR, LARK, SHRIKE = (BikeId(n) for n in (1, 2, 3, 4))
ROAD = ((50, 34), (11, 12, 13, 14, 15, 17, 19, 21, 23, 25, 28))
BROAD = ((46, 30), (11, 13, 15, 17, 19, 21, 23, 25, 27, 30, 34))
MOUNTAIN = ((32,), (10, 12, 14, 16, 18, 21, 24, 28, 33, 39, 45, 51))


def bike(number: BikeId, name: str, owner: RiderId = INA, gears: object = None, **more: object) -> Bike:
    rings, cogs = gears if gears is not None else ((), ())  # type: ignore[misc]
    return Bike(number, name, owner, chainrings=rings, cogs=cogs, **more)  # type: ignore[arg-type]


def ride(day: float = 0, rider: RiderId = INA, **more: object) -> RideClues:
    start = MORNING + day * DAY
    return RideClues(rider, start, start + timedelta(hours=2), **more)  # type: ignore[arg-type]


def heard(*identities: str, kind: str = "power meter") -> tuple[HeardSensor, ...]:
    return tuple(HeardSensor(kind, identity) for identity in identities)


def looks_at(
    gears: tuple[tuple[int, ...], tuple[int, ...]], wheel_m: float, *, seed: int, noise_mps: float = 0.1
) -> GearLooks:
    """Ninety looks at neighbouring gears of one bike, through the noise of a speed sensor."""
    dice = np.random.default_rng(seed)
    lines = np.unique(np.log([front / rear * wheel_m for front in gears[0] for rear in gears[1]]))
    first = int(dice.integers(0, max(len(lines) - 8, 1)))
    used = dice.choice(lines[first : first + 8], 90, p=dice.dirichlet(np.full(8, 3.0)))
    speed = np.exp(used) * dice.normal(80, 6, 90) / 60.0
    seen = used + dice.normal(0, noise_mps, 90) / speed
    return GearLooks(
        tuple(np.rint(seen * 1000).astype(int).tolist()),
        tuple(np.rint(speed * 10).astype(int).tolist()),
        noise_mps,
    )


def geared(
    day: float, gears: tuple[tuple[int, ...], tuple[int, ...]], wheel_m: float = 2.12, **more: object
) -> RideClues:
    """A ride that shows its gears."""
    looks = looks_at(gears, wheel_m, seed=int(day * 10))
    return ride(day, looks=looks, sold=sold_table(looks), channels="cadence", **more)
