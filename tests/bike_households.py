"""Households and their rides, from how people live: who owns which bike, who borrows it, what hangs on it.

Seven kinds, each drawn anew from its seed: drivetrains, land, legs, recorders, sensors that come, go, die and
move, swaps of wheels, lent bikes. The rides are real FIT and GPX bytes; what they truly were is kept beside
them and never in them. Written without knowing how a ride is judged, to find out how well it is.
"""

from __future__ import annotations

import random
from dataclasses import dataclass, field, replace
from datetime import UTC, datetime
from typing import Final

from tests.bike_physics import (
    CASSETTES,
    HUB_GEARS,
    WHEELS_M,
    Drivetrain,
    Frame,
    Legs,
    Route,
)
from tests.bike_recorders import Heard, Recorder

KINDS: Final = ("solo4", "twins5", "solo7", "share6", "trainer3", "one-each", "phones4")
FIRST_DAY = datetime(2024, 2, 1, tzinfo=UTC)
DAYS = 640


@dataclass(slots=True)
class ASensor:
    """A sensor's life. sits: from which day on which bike ("rider 0": on a rider, None: in a
    drawer); dead: days without power. ids_known: whether the head unit writes its number."""

    heard: Heard
    sits: list[tuple[int, str | None]]
    dead: list[tuple[int, int]] = field(default_factory=list)
    ids_known: bool = True

    def on(self, day: int) -> str | None:
        """Which bike does it sit on?"""
        return next((bike for since, bike in reversed(self.sits) if since <= day), None)

    def is_alive(self, day: int) -> bool:
        """Whether its battery lasts."""
        return not any(first <= day < last for first, last in self.dead)


@dataclass(slots=True)
class ABike:
    """A bike. uses: how gladly it is taken for what; setups: from which day with which gears and wheels."""

    name: str
    owner: int
    frame: Frame
    setups: list[tuple[int, Drivetrain]]
    uses: dict[str, float]
    since: int = 0
    until: int = DAYS
    winter: float = 1.0  # how much gladlier in winter
    entered: tuple[bool, bool] = (True, True)  # whether its owner typed in gears, wheel
    indoor: bool = False
    sub_sport: str = "road"
    second_wheels: Drivetrain | None = None  # for some of its rides

    def setup(self, day: int) -> Drivetrain:
        """Its gears on a day."""
        return next(gears for since, gears in reversed(self.setups) if since <= day)


@dataclass(slots=True)
class AHousehold:
    """People, bikes, recorders, sensors and the land around them."""

    kind: str
    seed: int
    riders: tuple[str, ...]
    legs: list[Legs]
    bikes: list[ABike]
    recorders: list[list[tuple[Recorder, float]]]  # of each rider, with shares
    sensors: list[ASensor]
    wishes: list[dict[str, float]]  # of each rider: purposes, with weights
    borrows: float  # share of rides on a bike that is another's
    land: dict[str, float]
    lent: float
    routes: dict[tuple[str, int], list[Route]] = field(default_factory=dict)
    home: tuple[float, float] = (-31.0, 21.0)
    strays: float = 0.0


def household(kind: str, seed: int) -> AHousehold:
    """A household of this kind, drawn from the seed."""
    luck = random.Random(f"{kind} {seed}")
    made = {
        "solo4": _solo4, "twins5": _twins5, "solo7": _solo7, "share6": _share6,
        "trainer3": _trainer3, "one-each": _one_each, "phones4": _phones4,
    }[kind](luck, seed)  # fmt: skip
    for bike in made.bikes:
        geared = not bike.setups[0][1].hub
        bike.entered = (geared and luck.random() < 0.8, luck.random() < 0.6)
    draw = Draw(luck)
    for sensor in list(made.sensors):
        if luck.random() < 0.15:  # a new one of its kind takes its place
            replaced = luck.randrange(120, DAYS - 60)
            anew = draw.sensor(sensor.heard.kind, (replaced, sensor.on(replaced)), quiet=not sensor.ids_known)
            anew.sits += [sit for sit in sensor.sits if sit[0] > replaced]
            sensor.sits = [*(sit for sit in sensor.sits if sit[0] < replaced), (replaced, None)]
            made.sensors.append(anew)
        if luck.random() < 0.35:  # a battery dies, and nobody notices for a while
            dies = luck.randrange(60, DAYS - 60)
            sensor.dead.append((dies, dies + luck.randrange(7, 60)))
    return made


class Draw:
    """What a household is drawn with."""

    def __init__(self, luck: random.Random) -> None:
        self.luck = luck
        self.number = luck.randrange(10_000, 60_000)

    def legs(self) -> Legs:
        luck = self.luck
        return Legs(
            luck.uniform(105, 190),
            luck.uniform(74, 94),
            luck.uniform(54, 92),
            luck.uniform(6, 11),
            luck.uniform(9, 15),
        )

    def gears(self, rings: list[tuple[int, ...]], cassettes: str, wheels: list[str]) -> Drivetrain:
        of_kind = sorted(cogs for name, cogs in CASSETTES.items() if name.split()[0] in cassettes.split())
        wheel_m = WHEELS_M[self.luck.choice(wheels)] * self.luck.gauss(1, 0.004)
        return Drivetrain(self.luck.choice(rings), self.luck.choice(of_kind), wheel_m)

    def road(self, name: str, owner: int, **more: object) -> ABike:
        gears = self.gears([(34, 50), (36, 52), (36, 52), (35, 48)], "road", ["25", "28"])
        uses = {"road": 1.0, "social": 0.5, "commute": 0.02, "gravel": 0.02}
        return _bike(name, owner, Frame(0.32, 8.5, 0.0045, 0.022), gears, uses, "road", **more)

    def winter(self, name: str, owner: int) -> ABike:
        gears = self.gears([(34, 50), (30, 46)], "road", ["28", "32"])
        uses = {"road": 0.35, "social": 0.3, "commute": 0.15}
        return replace(_bike(name, owner, Frame(0.36, 10.5, 0.0055, 0.02), gears, uses, "road"), winter=6.0)

    def gravel(self, name: str, owner: int, **more: object) -> ABike:
        rings = self.luck.choice([[(40,), (42,), (38,)], [(31, 48), (30, 46)]])
        gears = self.gears(rings, "gravel" if len(rings[0]) == 1 else "road", ["38", "45", "650x47"])
        uses = {"gravel": 1.0, "road": 0.18, "social": 0.5, "commute": 0.08, "trail": 0.06}
        return _bike(name, owner, Frame(0.38, 10, 0.0065, 0.015), gears, uses, "gravel_cycling", **more)

    def mountain(self, name: str, owner: int, **more: object) -> ABike:
        gears = self.gears([(32,), (30,), (34,)], "mountain", ["29x2.25", "27.5x2.25"])
        uses = {"trail": 1.0, "gravel": 0.2, "errand": 0.05, "social": 0.1}
        return _bike(name, owner, Frame(0.45, 13, 0.010, 0.018), gears, uses, "mountain", **more)

    def single(self, name: str, owner: int) -> ABike:
        ring, cog = self.luck.choice([(46, 17), (44, 17), (42, 16), (48, 18), (46, 16)])
        gears = Drivetrain((ring,), (cog,), WHEELS_M[self.luck.choice(["28", "32", "35"])])
        uses = {"commute": 1.0, "errand": 0.8, "social": 0.05}
        return _bike(name, owner, Frame(0.42, 11, 0.006, 0.02), gears, uses, "generic")

    def town(self, name: str, owner: int) -> ABike:
        wheel_m = WHEELS_M[self.luck.choice(["35", "38", "26x1.75", "20x1.75"])]
        gears = self.luck.choice([
            Drivetrain((42,), (20,), wheel_m, HUB_GEARS[8]),
            Drivetrain((44,), (19,), wheel_m, HUB_GEARS[3]),
            Drivetrain((42,), CASSETTES["town 11-32"], wheel_m),
            Drivetrain((44,), CASSETTES["town 12-28"], wheel_m),
        ])  # fmt: skip
        uses = {"errand": 1.0, "commute": 0.5, "social": 0.1}
        return _bike(name, owner, Frame(0.50, 15, 0.008, 0.02), gears, uses, "generic")

    def head_unit(self, name: str, **more: object) -> Recorder:
        luck = self.luck
        return replace(
            Recorder(
                name,
                "head unit",
                luck.randrange(10**8, 10**9),
                luck.uniform(0.12, 0.35),
                luck.uniform(1.5, 4),
                hears_ids=luck.choice([1.0, 1.0, 0.97]),
                smart=luck.random() < 0.15,
                auto_pause=luck.random() < 0.6,
                profile=luck.choice([0.0, 0.5, 0.9]),
                usual=luck.choice(["road", "generic"]),
                measures_wheel=luck.random() < 0.7,
            ),
            **more,  # type: ignore[arg-type]
        )

    def phone(self, name: str) -> Recorder:
        luck = self.luck
        return Recorder(
            name, "phone", None, luck.uniform(0.3, 0.7), luck.uniform(3, 8), every_s=luck.choice([1, 1, 2, 4])
        )

    def sensor(self, kind: str, *sits: tuple[int, str | None], quiet: bool = False) -> ASensor:
        self.number += self.luck.randrange(1, 900)
        gives = {
            "power meter": ("power", "cadence"), "speed": ("speed",), "cadence": ("cadence",),
            "speed and cadence": ("speed", "cadence"), "trainer": ("speed", "cadence", "power"),
        }.get(kind, ())  # fmt: skip
        with_serial = self.luck.random() < 0.7
        serial = self.number * 1013 if with_serial else None
        ant = self.number % 65_000 or 77 if not with_serial or self.luck.random() < 0.6 else None
        return ASensor(Heard(kind, serial, ant, None, gives), list(sits), ids_known=not quiet)

    def land(self) -> dict[str, float]:
        luck = self.luck
        return {
            "hills": luck.choice([4.0, 15.0, 35.0]) * luck.uniform(0.7, 1.3),
            "unpaved": luck.uniform(0.3, 0.8),
        }


def _bike(
    name: str, owner: int, frame: Frame, gears: Drivetrain, uses: dict[str, float], sub: str, **more: object
) -> ABike:
    return ABike(name, owner, frame, [(0, gears)], uses, sub_sport=sub, **more)  # type: ignore[arg-type]


def _made(kind: str, seed: int, draw: Draw, riders: int, **parts: object) -> AHousehold:
    names = ("Ines", "Tobias", "Marit")[:riders]
    sporty = {"commute": 4.0, "errand": 1.0, "road": 2.0, "gravel": 2.0, "trail": 1.5, "social": 1.0}
    settled: dict[str, object] = {
        "wishes": [
            {what: weight * draw.luck.uniform(0.5, 1.5) for what, weight in sporty.items()} for _ in names
        ],
        "borrows": 0.0,
        "lent": draw.luck.uniform(0.02, 0.03),
        "strays": draw.luck.choice([0.0, 0.01, 0.03]),
    }
    settled |= parts
    return AHousehold(
        kind,
        seed,
        names,
        [draw.legs() for _ in names],
        land=draw.land(),
        **settled,  # type: ignore[arg-type]
    )


def _solo4(luck: random.Random, seed: int) -> AHousehold:
    draw = Draw(luck)
    later, moved = luck.randrange(180, 350), luck.randrange(400, 560)
    gravel = draw.gravel("Harrier", 0)
    changed = "gravel 10-44" if len(gravel.setups[0][1].rings) == 1 else "gravel 11-42"
    gravel.setups.append((luck.randrange(200, 450), replace(gravel.setups[0][1], cogs=CASSETTES[changed])))
    bikes = [
        draw.road("Plover", 0),
        gravel,
        draw.single("Dunlin", 0),
        draw.mountain("Siskin", 0, since=later),
    ]
    sensors = [
        draw.sensor(
            "power meter", (0, "Plover"), (moved, "Siskin"), (moved + luck.randrange(20, 70), "Plover")
        ),
        draw.sensor("speed", (0, "Harrier")),
        draw.sensor("cadence", (0, "Harrier")),
        draw.sensor("speed", (later, "Siskin")),
        draw.sensor("heart rate", (0, "rider 0")),
    ]
    recorders = [[(draw.head_unit("head unit"), 0.9), (draw.phone("phone"), 0.1)]]
    return _made("solo4", seed, draw, 1, bikes=bikes, sensors=sensors, recorders=recorders)


def _twins5(luck: random.Random, seed: int) -> AHousehold:
    draw = Draw(luck)
    twin = draw.gravel("Harrier", 0)
    other = replace(twin, name="Lapwing", owner=1, setups=list(twin.setups), uses=dict(twin.uses))
    wide = replace(twin.setups[0][1], wheel_m=WHEELS_M["45"] * luck.gauss(1, 0.003))
    luck.choice([twin, other]).setups.append((luck.randrange(200, 500), wide))
    bikes = [draw.road("Plover", 0), twin, other, draw.mountain("Siskin", 1), draw.town("Dunlin", 1)]
    sensors = [
        draw.sensor("power meter", (0, "Plover")),
        draw.sensor("speed and cadence", (0, "Harrier")),
        draw.sensor("cadence", (luck.choice([0, 150]), "Lapwing")),
        draw.sensor("speed", (0, "Siskin")),
        draw.sensor("heart rate", (0, "rider 0")),
    ]
    one, two = draw.head_unit("head unit A"), draw.head_unit("head unit B")
    recorders = [
        [(one, 0.75), (two, 0.1), (draw.phone("phone 1"), 0.15)],
        [(two, 0.7), (one, 0.1), (draw.phone("phone 2"), 0.2)],
    ]
    return _made("twins5", seed, draw, 2, bikes=bikes, sensors=sensors, recorders=recorders, borrows=0.06)


def _solo7(luck: random.Random, seed: int) -> AHousehold:
    draw = Draw(luck)
    race, later = draw.road("Plover", 0), luck.randrange(200, 400)
    road = draw.road("Avocet", 0)
    near = tuple(CASSETTES[luck.choice(["road 11-28", "road 11-32", "road 11-34"])])
    cross = draw.gravel("Wheatear", 0)
    cross.setups[0] = (0, Drivetrain((36, 46), near, WHEELS_M["32"]))
    road.setups[0] = (0, Drivetrain((34, 50), near, WHEELS_M["28"]))
    cross.second_wheels = Drivetrain((36, 46), CASSETTES["road 11-28"], WHEELS_M["38"])
    bikes = [
        race, road, draw.winter("Curlew", 0), cross, draw.gravel("Harrier", 0),
        draw.mountain("Siskin", 0, since=later), draw.town("Dunlin", 0),
    ]  # fmt: skip
    wander = sorted(luck.sample(range(60, 600), 4))
    sensors = [
        draw.sensor(
            "power meter", (0, "Plover"), (wander[0], "Avocet"), (wander[1], "Harrier"), (wander[2], "Plover")
        ),
        draw.sensor("speed", (0, "Wheatear"), (wander[3], "Siskin")),
        draw.sensor("light", (0, "Curlew"), (wander[1], "Dunlin"), (wander[2], "Curlew")),
        draw.sensor("shifter", (0, "Plover"), quiet=True),
        draw.sensor("cadence", (0, "Avocet"), (wander[1], None)),
        draw.sensor("speed and cadence", (0, "Harrier")),
    ]
    recorders = [[(draw.head_unit("head unit"), 0.93), (draw.phone("phone"), 0.07)]]
    return _made("solo7", seed, draw, 1, bikes=bikes, sensors=sensors, recorders=recorders)


def _share6(luck: random.Random, seed: int) -> AHousehold:
    draw = Draw(luck)
    bikes = [
        draw.road("Plover", 0), draw.gravel("Harrier", 0), draw.road("Avocet", 1), draw.mountain("Siskin", 1),
        draw.gravel("Lapwing", 2), draw.town("Dunlin", 2),
    ]  # fmt: skip
    sensors = [
        draw.sensor("speed and cadence", (0, "Plover")),
        draw.sensor("power meter", (0, "Avocet"), (luck.randrange(300, 500), "Harrier")),
        draw.sensor("speed", (100, "Siskin")),
        draw.sensor("cadence", (0, "Lapwing")),
    ]
    ids = luck.choice([0.3, 0.5, 0.7])
    kept_as = luck.choice(["head unit", "head unit", "exported"])
    one, two = (
        draw.head_unit("head unit A", hears_ids=ids, kind=kept_as),
        draw.head_unit("head unit B", hears_ids=ids),
    )
    recorders = [
        [(one, 0.8), (draw.phone("phone 1"), 0.2)],
        [(two, 0.7), (one, 0.15), (draw.phone("phone 2"), 0.15)],
        [(draw.phone("phone 3"), 0.7), (two, 0.3)],
    ]
    return _made("share6", seed, draw, 3, bikes=bikes, sensors=sensors, recorders=recorders, borrows=0.25)


def _trainer3(luck: random.Random, seed: int) -> AHousehold:
    draw = Draw(luck)
    indoor = Drivetrain((50,), CASSETTES["road 11-28"], 2.105)
    uses = {"indoor": 1.0}
    trainer = _bike("Kestrel", 0, Frame(0.3, 9, 0.004, 0.004), indoor, uses, "indoor_cycling", indoor=True)
    road = draw.road("Plover", 0)
    road.uses["indoor"] = luck.choice([0.0, 0.08])  # on rollers
    bikes = [road, trainer, draw.mountain("Siskin", 0)]
    sensors = [
        draw.sensor("power meter", (0, "Plover")),
        draw.sensor("trainer", (0, "Kestrel")),
        draw.sensor("speed", (0, "Siskin")),
        draw.sensor("heart rate", (0, "rider 0")),
    ]
    recorders = [[(draw.head_unit("head unit"), 0.95), (draw.phone("phone"), 0.05)]]
    wishes = [{"road": 3.0, "trail": 2.0, "social": 0.7, "commute": 0.7, "indoor": 2.0}]
    return _made("trainer3", seed, draw, 1, bikes=bikes, sensors=sensors, recorders=recorders, wishes=wishes)


def _one_each(luck: random.Random, seed: int) -> AHousehold:
    draw = Draw(luck)
    bikes = [draw.single("Dunlin", 0), draw.gravel("Harrier", 1)]
    bikes[0].uses |= {"social": 0.6, "road": 0.3, "gravel": 0.1}
    bikes[1].uses |= {"commute": 0.8, "errand": 0.8}
    sensors = [draw.sensor("cadence", (0, "Harrier"), quiet=True)]
    unit = draw.head_unit("head unit")
    recorders = [
        [(unit, 0.5), (draw.phone("phone 1"), 0.5)],
        [(unit, 0.5), (draw.phone("phone 2"), 0.5)],
    ]
    borrows = luck.choice([0.12, 0.25])
    return _made(
        "one-each", seed, draw, 2, bikes=bikes, sensors=sensors, recorders=recorders, borrows=borrows
    )


def _phones4(luck: random.Random, seed: int) -> AHousehold:
    draw = Draw(luck)
    bikes = [
        draw.road("Plover", 0),
        draw.single("Dunlin", 0),
        draw.gravel("Harrier", 1),
        draw.mountain("Siskin", 1),
    ]
    recorders = [[(draw.phone("phone 1"), 1.0)], [(draw.phone("phone 2"), 1.0)]]
    return _made("phones4", seed, draw, 2, bikes=bikes, sensors=[], recorders=recorders, borrows=0.15)
