"""The days of a household: who rides where, on what, with which sensors, and what a recorder kept of it."""

from __future__ import annotations

import random
from collections.abc import Iterator
from dataclasses import dataclass, replace
from datetime import datetime, timedelta

import numpy as np

from tests.bike_households import DAYS, FIRST_DAY, KINDS, ABike, AHousehold, Draw
from tests.bike_physics import Drivetrain, Frame, Legs, Motion, ridden, route, turned_indoors
from tests.bike_recorders import Heard, Recorder, recorded


@dataclass(frozen=True, slots=True)
class ARide:
    """A ride as it truly was.

    bike: None = none of the household's.  heard: the sensors its file names, and where each truly sits.
    story: what made it hard.
    """

    number: int
    rider: int
    start: datetime
    bike: str | None
    ending: str
    content: bytes
    purpose: str
    recorder: str
    heard: tuple[str, ...]
    story: tuple[str, ...]


def rides_of(home: AHousehold, count: int) -> Iterator[ARide]:
    """About so many rides, spread over the household's days."""
    yield from _Living(home, count).rides()


class _Living:
    """A household's days, one after another."""

    def __init__(self, home: AHousehold, count: int) -> None:
        self.home, self.count = home, count
        self.luck = random.Random(f"days {home.kind} {home.seed}")
        self.rng = np.random.default_rng([home.seed, KINDS.index(home.kind)])
        self.draw = Draw(self.luck)
        self.made = 0
        self._routes()

    def _routes(self) -> None:
        hills, unpaved, rng = self.home.land["hills"], self.home.land["unpaved"], self.rng
        plan = {  # how many, length [m], unpaved, a junction every [m]
            "commute": (1, 8_000, 18_000, self.luck.choice([0.0, 0.0, 0.15]), 450),
            "errand": (3, 2_500, 6_000, 0.0, 350),
            "road": (5, 16_000, 34_000, 0.0, 2500), "gravel": (4, 11_000, 24_000, unpaved, 3000),
            "trail": (3, 7_000, 14_000, 0.95, 5000), "social": (4, 9_000, 20_000, unpaved / 4, 1500),
        }  # fmt: skip
        for rider in range(len(self.home.riders)):
            for what, (many, low, high, rough, stop) in plan.items():
                height = hills * {"commute": 0.4, "errand": 0.3, "trail": 1.6}.get(what, 1.0)
                self.home.routes[what, rider] = [
                    route(
                        rng, f"{what} {n}", self.luck.uniform(low, high),
                        hills_m=height, rough=rough, stop_every_m=stop,
                    )
                    for n in range(many)
                ]  # fmt: skip

    def rides(self) -> Iterator[ARide]:
        """Every ride, by its start."""
        outings = self.count / 1.35  # a commute comes home again
        when = sorted(self.luck.uniform(0, DAYS) for _ in range(int(outings)))
        busy: dict[int, datetime] = {}
        for at in when:
            day = int(at)
            date = FIRST_DAY + timedelta(days=day)
            rider = self.luck.choices(range(len(self.home.riders)), [3, 2, 2][: len(self.home.riders)])[0]
            purpose = self._purpose(rider, date)
            hour = {"commute": 6.5, "errand": 15.0}.get(purpose, self.luck.uniform(8, 14))
            start = date + timedelta(hours=hour + self.luck.uniform(-0.5, 0.7))
            if rider in busy and start < busy[rider]:
                continue
            bike, story = self._bike(rider, purpose, day)
            for leg in range(2 if purpose == "commute" else 1):
                if leg:
                    start = start + timedelta(hours=self.luck.uniform(8.2, 9.8))
                ride, seconds = self._ride(rider, bike, purpose, day, start, story, leg)
                busy[rider] = start + timedelta(seconds=seconds + 600)
                yield ride

    def _purpose(self, rider: int, date: datetime) -> str:
        wishes = dict(self.home.wishes[rider])
        cold = date.month in (11, 12, 1, 2)
        if date.weekday() > 4:
            wishes["commute"] = 0.0
        else:
            wishes = {
                what: weight * (0.5 if what in ("road", "gravel", "trail") else 1)
                for what, weight in wishes.items()
            }
        mine = [bike.uses for bike in self.home.bikes if bike.owner == rider]
        wishes = {w: n * max(uses.get(w, 0.01) for uses in mine) ** 0.7 for w, n in wishes.items()}
        if "indoor" in wishes:
            wishes["indoor"] *= 3.0 if cold else 0.15
        return self.luck.choices(list(wishes), list(wishes.values()))[0]

    def _bike(self, rider: int, purpose: str, day: int) -> tuple[ABike | None, list[str]]:
        """Which bike is taken. None: another's, who is none of the household."""
        luck, home = self.luck, self.home
        if luck.random() < home.lent and purpose not in ("indoor", "commute"):
            return None, ["a lent bike"]
        month = (FIRST_DAY + timedelta(days=day)).month
        here = [one for one in home.bikes if one.since <= day < one.until]
        borrows = luck.random() < home.borrows
        mine = [one for one in here if (one.owner == rider) != borrows] or here
        glad = [one.uses.get(purpose, 0.004) * (one.winter if month in (11, 12, 1, 2) else 1) for one in mine]
        bike = luck.choices(mine, glad)[0]
        story = []
        if bike.owner != rider:
            story.append(f"borrowed from {home.riders[bike.owner]}")
        if bike.uses.get(purpose, 0.004) < 0.1 * max(one.uses.get(purpose, 0.004) for one in here):
            story.append(f"an unusual bike for a {purpose} ride")
        if any(one.setup(day) == bike.setup(day) for one in here if one is not bike):
            story.append("a twin stands in the household")
        return bike, story

    def _lent(self) -> ABike:
        """Somebody else's bike: a friend's, a hired one; its gears may be like one of ours."""
        if self.luck.random() < 0.3:
            like = self.luck.choice([one for one in self.home.bikes if not one.indoor])
            near = replace(like.setup(0), wheel_m=like.setup(0).wheel_m * self.luck.gauss(1, 0.01))
            return replace(like, name=f"like {like.name}", setups=[(0, near)], second_wheels=None)
        make = self.luck.choice([self.draw.road, self.draw.gravel, self.draw.mountain, self.draw.town])
        return make("unlike any", 0)

    def _ride(
        self,
        rider: int,
        bike: ABike | None,
        purpose: str,
        day: int,
        start: datetime,
        before: list[str],
        leg: int,
    ) -> tuple[ARide, int]:
        luck, home, rng = self.luck, self.home, self.rng
        story = list(before)
        one = bike or self._lent()
        if bike is None:
            story.append(one.name)
        gears = one.setup(day)
        if one.second_wheels is not None and luck.random() < 0.3:
            gears = one.second_wheels
            story.append("on its other wheels")
        if len(one.setups) > 1 and gears is one.setups[-1][1]:
            story.append("after its change of tyres or cassette")
        recorder = luck.choices(*zip(*home.recorders[rider], strict=True))[0]
        legs = home.legs[rider]
        pace = {"commute": 0.9, "errand": 0.75, "social": 0.8}.get(purpose, 1.05)
        legs = replace(legs, cadence_rpm=legs.cadence_rpm + rng.normal(0, 3), power_w=legs.power_w * pace)
        effort = float(np.exp(rng.normal(0, 0.1)))
        indoor = purpose == "indoor"
        if indoor:
            motion = turned_indoors(
                rng, gears, legs, luck.uniform(25, 60), effort=effort, erg=luck.random() < 0.6
            )
            recorder = home.recorders[rider][0][0]
        else:
            motion = self._outdoors(rider, purpose, gears, one.frame, legs, effort, leg)
        place = home.home
        if bike is None and luck.random() < 0.4:
            place = (home.home[0] + 2.0, home.home[1] + 1.5)
            story.append("on holiday")
        heard, strays = self._sensors(rider, bike, day, recorder, story)
        word = one.sub_sport if luck.random() < recorder.profile else recorder.usual
        if indoor:
            word = "indoor_cycling"
        names_sensors = recorder.kind == "head unit" and rng.random() < recorder.hears_ids
        ending, content = recorded(
            rng, motion, recorder, heard, start,
            home=place, wheel_m=gears.wheel_m,
            sub_sport=word, profile_name=word.split("_")[0].title() if recorder.profile else None,
            indoor=indoor, named=(*heard, *strays) if names_sensors else (),
        )  # fmt: skip
        self.made += 1
        name = bike.name if bike else None
        ride = ARide(
            self.made, rider, start, name, ending, content, purpose, recorder.name,
            tuple(self._told(one, day) for one in (*heard, *strays)) if names_sensors else (),
            (recorder.kind, *story),
        )  # fmt: skip
        return ride, len(motion.speed_mps)

    def _outdoors(
        self, rider: int, purpose: str, gears: Drivetrain, frame: Frame, legs: Legs, effort: float, leg: int
    ) -> Motion:
        way = self.luck.choice(self.home.routes[purpose, rider])
        if purpose == "commute":
            way = way.out()
        if leg or (purpose != "commute" and self.luck.random() < 0.3):
            way = way.reversed()
        return ridden(
            self.rng, way, gears, frame, legs, effort=effort, wind_mps=float(self.rng.exponential(2.5))
        )

    def _sensors(
        self, rider: int, bike: ABike | None, day: int, recorder: Recorder, story: list[str]
    ) -> tuple[list[Heard], list[Heard]]:
        """Which sensors took part, and which were only near."""
        heard, strays = [], []
        for sensor in self.home.sensors:
            on = sensor.on(day)
            shown = sensor.heard if sensor.ids_known else replace(sensor.heard, serial=None, ant_number=None)
            if on == f"rider {rider}" or (bike is not None and on == bike.name):
                if not sensor.is_alive(day):
                    story.append(f"its {sensor.heard.kind} sensor's battery is dead")
                elif self.luck.random() < 0.03:
                    story.append(f"its {sensor.heard.kind} sensor slept")
                else:
                    heard.append(replace(shown, battery=self.luck.choice([None, "good", "ok"])))
                    if len({where for since, where in sensor.sits if since <= day}) > 1:
                        story.append(f"its {sensor.heard.kind} sensor has moved in its life")
            elif (
                on is not None and recorder.kind == "head unit" and self.luck.random() < self.home.strays / 2
            ):
                strays.append(shown)
                story.append(f"the {sensor.heard.kind} sensor of {on} was near and is in the file")
        return heard, strays

    def _told(self, heard: Heard, day: int) -> str:
        """A sensor as its file names it, and where it truly sits."""
        name = f"serial {heard.serial}" if heard.serial else f"ant {heard.kind} {heard.ant_number}"
        if heard.serial is None and heard.ant_number is None:
            return f"{heard.kind} without a number"
        where = (one.on(day) for one in self.home.sensors if _same(one.heard, heard))
        return f"{heard.kind} ({name}) of {next(where)}"


def _same(one: Heard, other: Heard) -> bool:
    return (one.kind, one.serial, one.ant_number) == (other.kind, other.serial, other.ant_number)
