"""A winter lived through: an invented household in a town with snow, December to March, as its riders see it.

    python -m tests.benchmarks.winter FOLDER [--seed 1] [--salted usually] [--until 2026-03-31]

Two riders, three bikes, frost and thaw, snow, freezing rain, road salt and mud. Each ride's file is dropped
when it ends, rounds are made morning and evening, what is asked for is done the next evening. FOLDER gets
the mails as text, and at five moments the pages: as text, and photographed at 1280 and at 360 px.
"""

from __future__ import annotations

import argparse
import email
import email.policy
import threading
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from datetime import UTC, date, datetime, timedelta
from pathlib import Path
from zoneinfo import ZoneInfo

import numpy as np
import uvicorn

from fixtures.fit_writer import fit_bytes
from ingest.ground.evapotranspiration import clear_sky_mj_m2, sun
from ingest.ground.snow import CM_OF_SNOWFALL_PER_MM, snow_share_at, wet_bulb_c
from ingest.ride.recording import Recording, SensorSeen
from rules.reminder import ReminderKind
from rules.vocabulary import ReadingTool, TreatmentKind
from services.app import App
from services.running.round import one_round
from services.settings import SETTINGS_FILE
from services.web.app import create_app
from services.wiring import open_app
from tests.archive_stand_in import ArchiveStandIn, Values
from tests.put_into import into
from tests.saying import log_reading, log_treatment
from tests.services.web.browser import a_browser, a_tab

ZONE = ZoneInfo("Europe/Helsinki")
TOWN = (62.25, 25.75)
HOUR, DAY = timedelta(hours=1), timedelta(days=1)
FIRST, LAST = date(2025, 12, 1), date(2026, 3, 31)
LEAD_IN = 60  # days of weather before
WIDTHS = (1280, 360)
LOOKED_AT = (
    date(2025, 12, 10), date(2026, 1, 14), date(2026, 2, 9), date(2026, 3, 14), LAST,
)  # fmt: skip
PAGES = ("/", "/rides", "/chains", "/why", "/wear", "/wax-night", "/care/sheet", "/rides/answer", "/year")
ASKED = {
    ReminderKind.WIPE_AND_DRIP: TreatmentKind.DRIP,
    ReminderKind.DRIP: TreatmentKind.DRIP,
    ReminderKind.IMMERSION: TreatmentKind.IMMERSION,
}


@dataclass
class Clock:
    """What the archive and the page go by."""

    now: datetime

    def __call__(self) -> datetime:
        return self.now


class Winter:
    """The town's weather, hour by hour."""

    def __init__(self, seed: int) -> None:
        dice = np.random.default_rng(seed)
        self.begin = datetime(FIRST.year, FIRST.month, FIRST.day, tzinfo=UTC) - DAY * LEAD_IN
        days = (LAST - FIRST).days + LEAD_IN + 10
        hours = days * 24
        at = np.arange(hours) / 24 - LEAD_IN  # days since the 1st of December
        usual = np.interp(at, [-60, -20, 0, 30, 75, 100, 120], [7, 1, -1, -5, -7, 0, 4])
        swing = np.interp(at, [-60, 0, 60, 120], [3, 1, 2, 5]) * np.cos(2 * np.pi * (at % 1 - 0.55))
        self.air = usual + swing + _wandering(dice, hours, hold=0.985, spread=4.5)
        moist = _wandering(dice, hours, hold=0.95, spread=1.0)
        wet = moist > 0.9
        self.fell = np.where(wet, np.round(dice.gamma(0.8, 0.9, hours), 1), 0.0)
        self.humidity = np.clip(82 + 9 * moist - 1.2 * swing + dice.normal(0, 2, hours), 35, 100)
        self.wind = np.clip(3 + _wandering(dice, hours, hold=0.95, spread=1.5), 0.3, None)
        self.cloud = np.clip(0.6 + 0.35 * moist, 0.05, 1.0)
        self.as_rain = np.zeros(hours, bool)
        self._told()

    def _told(self) -> None:
        """What this winter is remembered for."""
        self._between(date(2025, 12, 8), 18, 14, air=-2.0, fell=1.6, humidity=95)  # the first big snow
        self._between(date(2026, 1, 13), 6, 30, air=-3.0, fell=0.0, humidity=85)
        self._between(date(2026, 1, 14), 5, 5, air=-0.6, fell=1.1, humidity=97, as_rain=True)  # glazed roads
        self._between(date(2026, 1, 25), 0, 60, air=4.0, fell=0.3, humidity=92)  # thaw with rain
        self._between(date(2026, 2, 5), 0, 24 * 7, air=-14.0, fell=0.0, humidity=72)  # deep frost
        self._between(date(2026, 2, 9), 4, 6, air=-11.0, fell=0.6, humidity=88)  # powder
        self._between(date(2026, 3, 10), 0, 24 * 5, air=3.5, fell=0.2, humidity=88)  # mud
        self._between(date(2026, 3, 24), 0, 24 * 8, air=None, fell=0.0, humidity=50)  # the road dries

    def _between(
        self, day: date, hour: int, lasts: int, *, air: float | None, fell: float, humidity: float,
        as_rain: bool = False,
    ) -> None:  # fmt: skip
        first = self._row(datetime(day.year, day.month, day.day, hour, tzinfo=UTC))
        rows = slice(first, first + lasts)
        if air is not None:
            self.air[rows] = air + 0.25 * (self.air[rows] - self.air[rows].mean())
        self.fell[rows] = np.where(np.arange(lasts) % 3 < 2, fell, 0.0)
        self.humidity[rows] = np.clip(self.humidity[rows] - self.humidity[rows].mean() + humidity, 30, 100)
        self.as_rain[rows] = as_rain

    def _row(self, at: datetime) -> int:
        return int((at - self.begin) / HOUR)

    def __call__(self, latitude_deg: float, longitude_deg: float, at: datetime) -> Values:
        n = self._row(at)
        if not 0 <= n < len(self.air):
            return {"rain_mm": 0.0, "temperature_c": 0.0, "humidity_pct": 80.0, "et0_mm": None}
        air, humidity, fell = float(self.air[n]), float(self.humidity[n]), float(self.fell[n])
        snow = 0.0 if self.as_rain[n] else fell * snow_share_at(wet_bulb_c(air, humidity))
        clear = clear_sky_mj_m2(sun(at, latitude_deg, longitude_deg).outside_air_mj_m2, 100.0)
        return {
            "rain_mm": fell,
            "snowfall_cm": snow * CM_OF_SNOWFALL_PER_MM,
            "temperature_c": air,
            "humidity_pct": humidity,
            "wind_10m_mps": float(self.wind[n]),
            "shortwave_wm2": clear * (1 - 0.75 * float(self.cloud[n])) / 0.0036,
            "et0_mm": None,
            "soil_moisture_m3m3": 0.3,
            "rain_chance": 0.8 if fell else 0.1,
        }


def _wandering(dice: np.random.Generator, hours: int, *, hold: float, spread: float) -> np.ndarray:
    steps = dice.normal(0, spread * (1 - hold**2) ** 0.5, hours)
    found = np.zeros(hours)
    for n in range(1, hours):
        found[n] = hold * found[n - 1] + steps[n]
    return found


@dataclass(frozen=True)
class Ridden:
    """A ride to come."""

    start: datetime
    rider: str
    bike: str
    minutes: int
    kmh: float

    def file(self) -> bytes:
        """Its FIT file: a loop about the town's edge, on a bike with a power meter."""
        at = np.arange(0, self.minutes * 60 + 1, 2)
        turn = at / (self.minutes * 60) * 2 * np.pi
        radius = self.minutes / 60 * self.kmh / 111.195 / (2 * np.pi)
        nothing = np.full(len(at), np.nan)
        speed = self.kmh / 3.6
        return fit_bytes(
            Recording(
                file_name="ride.fit",
                reader="invented",
                time_s=self.start.timestamp() + at,
                latitude_deg=TOWN[0] + radius * (np.cos(turn) - 1),
                longitude_deg=TOWN[1] + radius * np.sin(turn) / np.cos(np.radians(TOWN[0])),
                altitude_m=90 + 12 * np.sin(turn * 3),
                distance_m=at * speed,
                speed_mps=speed + 0.5 * np.sin(at / 50),
                cadence_rpm=np.full(len(at), 82.0),
                power_w=nothing,
                temperature_c=nothing,
                heart_rate_bpm=nothing,
                sport="cycling",
                sub_sport="generic",
                device=SensorSeen("head unit", serial=7),
                sensors=(SensorSeen("power meter", serial=SENSORS[self.bike]),),
            )
        )


SENSORS = {"Redpoll": 301, "Siskin": 302, "Dipper": 303}


def rides(seed: int) -> Iterator[Ridden]:
    """Every ride of the winter: to work and back, the weekend's long ones; some days nobody rides."""
    dice = np.random.default_rng(seed + 1000)
    for number in range((LAST - FIRST).days + 1):
        day = FIRST + DAY * number
        stays = dice.random() < 0.2
        off = int(dice.integers(-8, 9))

        def at(hour: int, minute: int, day: date = day, off: int = off) -> datetime:
            local = datetime(day.year, day.month, day.day, hour, minute, tzinfo=ZONE)
            return (local + timedelta(minutes=off)).astimezone(UTC)

        if stays:
            continue
        if day.weekday() < 5:
            yield Ridden(at(7, 15), "Tove", "Redpoll", 34, 19.0)
            if day.weekday() == 2:
                yield Ridden(at(15, 20), "Anselm", "Siskin", 70, 18.0)
            yield Ridden(at(16, 40), "Tove", "Redpoll", 37, 18.0)
        elif day.weekday() == 5:
            yield Ridden(at(10, 30), "Anselm", "Siskin", 150, 19.0)
        else:
            yield Ridden(at(12, 10), "Tove", "Dipper", 95, 23.0)


def household(home: Path, archive: ArchiveStandIn, salted: str) -> App:
    """Two riders, three bikes with a chain each, one chain to spare."""
    (home / "rides").mkdir(parents=True)
    (home / SETTINGS_FILE).write_text(
        '[[watch]]\nfolder = "rides/Tove"\nrider = "Tove"\n'
        '[[watch]]\nfolder = "rides/Anselm"\nrider = "Anselm"\n'
        f'[weather]\narchive_url = "{archive.archive_url}"\nforecast_url = "{archive.forecast_url}"\n'
        f'stand_by = false\n[surface]\nsalted_roads = "{salted}"\n[tomorrow]\nforecast = true\n'
        '[channels]\nmail_folder = "mail"\n'
    )
    shop = open_app(home)
    begin = datetime(FIRST.year, FIRST.month, FIRST.day, tzinfo=UTC) - DAY
    with shop.store.writing() as tx:
        riders = {
            name: into(tx).add_rider(name, f"{name.lower()}@winter.example", "Europe/Helsinki")
            for name in ("Tove", "Anselm")
        }
        for name, owner, unpaved in (
            ("Redpoll", "Tove", 0.0), ("Dipper", "Tove", 0.0), ("Siskin", "Anselm", 0.6),
        ):  # fmt: skip
            bike = into(tx).add_bike(name, riders[owner].id, unpaved_share=unpaved)
            chain = into(tx).add_chain(f"{name} A", speeds=11)
            into(tx).fit_chain(chain.id, bike.id, begin)
            into(tx).add_sensor("power meter", f"serial {SENSORS[name]}", bike.id)
        into(tx).add_chain("Redpoll B", speeds=11)
    for name in SENSORS:
        log_treatment(shop, f"{name} A", TreatmentKind.IMMERSION, begin, now=begin + HOUR)
    return shop


class Riders:
    """Does what is asked for, a day later; reads a caliper when asked."""

    def __init__(self, shop: App, seed: int) -> None:
        self.shop, self.dice = shop, np.random.default_rng(seed + 2000)
        self.worn = dict.fromkeys((f"{name} A" for name in SENSORS), 0.01)
        self.deeds: list[str] = []

    def evening(self, now: datetime) -> None:
        """Whatever stands since yesterday is done."""
        with self.shop.store.reading() as tx:
            standing = tx.reminders.standing()
            names = {chain.id: chain.name for chain in tx.ledger().chains}
        for one in standing:
            name = names[one.reminder.chain]
            if now - one.steps[0].at < timedelta(hours=12) or name not in self.worn:
                continue
            kind = ASKED.get(one.reminder.kind)
            if kind is not None:
                log_treatment(self.shop, name, kind, now, now=now, minutes=8)
                self.deeds.append(f"{now:%d %b} {name}: {kind}")
            if one.reminder.kind in (ReminderKind.INSPECTION, ReminderKind.IMMERSION):
                self.worn[name] += 0.03 * self.dice.uniform(0.6, 1.4)
                exact = round(self.worn[name], 3)
                log_reading(self.shop, name, ReadingTool.CALIPER, now, exact_pct=exact, now=now)
                self.deeds.append(f"{now:%d %b} {name}: caliper {exact} %")


@contextmanager
def served(shop: App, clock: Callable[[], datetime]) -> Iterator[str]:
    """The page on a free port of this machine."""
    config = uvicorn.Config(create_app(shop, clock=clock), host="127.0.0.1", port=0, log_level="warning")
    server = uvicorn.Server(config)
    thread = threading.Thread(target=server.run, daemon=True)
    thread.start()
    while not server.started:
        time.sleep(0.02)
    try:
        yield f"http://127.0.0.1:{server.servers[0].sockets[0].getsockname()[1]}"
    finally:
        server.should_exit = True
        thread.join(10)


def photograph(shop: App, clock: Clock, into: Path) -> None:
    """The pages of this moment, as text and as pictures."""
    into.mkdir(parents=True, exist_ok=True)
    with shop.store.reading() as tx:
        latest = sorted(tx.ledger().rides, key=lambda ride: ride.started_at)[-6:]
        chains = [chain.id for chain in tx.ledger().chains]
        reminders = [one.id for one in tx.reminders.standing()]
    pages = [*PAGES, *(f"/rides/{ride.id}" for ride in latest), *(f"/chains/{chain}" for chain in chains)]
    pages += [f"/why/{reminder}" for reminder in reminders]
    with served(shop, clock) as url, a_browser() as browser:
        for width in WIDTHS:
            with a_tab(browser, url, width=width) as tab:
                for path in pages:
                    answer = tab.goto(path)
                    if answer is None or not answer.ok:
                        continue
                    name = path.strip("/").replace("/", "-") or "overview"
                    tab.screenshot(path=into / f"{name}-{width}.png", full_page=True)
                    if width == WIDTHS[0]:
                        tab.eval_on_selector_all("details", "all => all.forEach(one => (one.open = true))")
                        (into / f"{name}.txt").write_text(tab.inner_text("main"))


def mails(folder: Path) -> str:
    """Every mail as text, in the order of their dates."""
    told = []
    for file in sorted(folder.glob("**/*.eml")):
        message = email.message_from_bytes(file.read_bytes(), policy=email.policy.default)
        body = message.get_body(("plain",))
        text = body.get_content() if body else ""
        told.append(f"==== {message['Date']} | {message['To']} | {message['Subject']}\n{text}")
    return "\n".join(told)


def main() -> None:
    """Live the winter, look at it."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0] if __doc__ else None)
    parser.add_argument("folder", type=Path)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--salted", default="usually")
    parser.add_argument("--until", type=date.fromisoformat, default=LAST)
    asked = parser.parse_args()
    clock = Clock(datetime(FIRST.year, FIRST.month, FIRST.day, tzinfo=UTC))
    with ArchiveStandIn(Winter(asked.seed), clock=clock, limits=(1e9, 1e9, 1e9)) as archive:
        shop = household(asked.folder / "home", archive, asked.salted)
        riders = Riders(shop, asked.seed)
        coming = list(rides(asked.seed))
        for number in range((asked.until - FIRST).days + 1):
            day = FIRST + DAY * number
            for hour in (9, 19):
                clock.now = datetime(day.year, day.month, day.day, hour, 15, tzinfo=ZONE).astimezone(UTC)
                while coming and coming[0].start + timedelta(minutes=coming[0].minutes + 10) < clock.now:
                    ride = coming.pop(0)
                    file = shop.settings.home / "rides" / ride.rider / f"{ride.start:%Y%m%d-%H%M}.fit"
                    file.parent.mkdir(exist_ok=True)
                    file.write_bytes(ride.file())
                one_round(shop, now=clock.now)
                if hour == 19:
                    riders.evening(clock.now + timedelta(minutes=20))
            if day in LOOKED_AT:
                photograph(shop, clock, asked.folder / f"{day}")
                print(day, flush=True)
        (asked.folder / "mails.txt").write_text(mails(shop.settings.home / "mail"))
        (asked.folder / "deeds.txt").write_text("\n".join(riders.deeds))
        shop.store.close()


if __name__ == "__main__":
    main()
