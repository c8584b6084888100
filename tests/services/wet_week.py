"""A wet week of two bikes, read and tagged, with a channel that keeps what it is handed."""

from __future__ import annotations

import shutil
from dataclasses import dataclass, field, replace
from datetime import timedelta
from pathlib import Path

from rules.vocabulary import RideId
from services.app import App
from services.channels import ChannelError
from services.queued_letter import Letter
from services.running.round import RoundReport, one_round
from services.wiring import open_app
from tests.wet_household import BIKES, FIRST_DAY, RIDE_AT, ROUND_AT, a_ride, household

DAY = timedelta(days=1)


@dataclass
class Letterbox:
    """Takes every letter, or fails as it is told to."""

    name: str = "email"
    taken: list[Letter] = field(default_factory=list)
    trouble: ChannelError | None = None

    def send(self, letter: Letter) -> None:
        if self.trouble is not None:
            raise self.trouble
        self.taken.append(letter)

    def check(self) -> list[str]:
        return []


@dataclass
class Week:
    shop: App
    box: Letterbox

    def ride(self, day: int, bike: int = 0, sensor: int | None = None) -> None:
        """A ride of 40 minutes on that day; it rains on two days of three (not on day 0, 3, 6)."""
        start = FIRST_DAY + day * DAY + RIDE_AT + timedelta(minutes=2 * bike)
        name, own = BIKES[bike]
        file = self.shop.settings.home / "rides" / f"{start:%Y%m%d}-{name}.fit"
        file.write_bytes(a_ride(start, own if sensor is None else sensor, bike * 0.01))

    def round(self, day: int, at: timedelta = ROUND_AT) -> RoundReport:
        return one_round(self.shop, now=FIRST_DAY + day * DAY + at)

    def totals(self) -> dict[str, tuple[float, ...]]:
        """Grit-hours and drive hours of each chain, exactly."""
        from rules.contamination import history

        with self.shop.store.reading() as tx:
            ledger = tx.ledger()
        past = {one.name: history(ledger, one.id, self.shop.rulebook) for one in ledger.chains}
        return {
            name: (p.since_drip.grit_h, p.since_immersion.grit_h, p.over_life.grit_h, p.over_life.drive_h)
            for name, p in past.items()
        }

    def standing(self) -> set[tuple[int, str, float]]:
        with self.shop.store.reading() as tx:
            return {(r.id, r.reminder.headline, r.reminder.total) for r in tx.reminders.standing()}

    def headlines(self) -> set[str]:
        return {headline for _, headline, _ in self.standing()}

    def bike_of(self, ride: int) -> str | None:
        with self.shop.store.reading() as tx:
            bike = tx.rides.ride(RideId(ride)).bike
            return next((one.name for one in tx.equipment.bikes() if one.id == bike), None)


def wet_week(home: Path) -> Week:
    """The household before its first ride."""
    return _with_a_letterbox(household(home, 12, None))


def copied(settled: Path, home: Path) -> Week:
    """A week that was ridden already, in a home of one's own. Nothing may have the first one open."""
    shutil.copytree(settled, home)
    return _with_a_letterbox(open_app(home))


def _with_a_letterbox(shop: App) -> Week:
    box = Letterbox()
    return Week(replace(shop, equip=lambda _: {"email": box}), box)
