"""A chain's history sorted for drawing and for reading: weeks, half-years, fittings, care, readings."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta, tzinfo
from typing import NamedTuple

from rules import reasons
from rules.contamination import ChainHistory
from rules.dates_and_numbers import day, number
from rules.ledger import Fitted, Removed, RiddenHour
from rules.vocabulary import BikeId, Condition, Reading, Treatment, WipeTest
from services.web.drawings.scales import monday_of
from services.web.drawings.textures import CONDITIONS

WEEK = timedelta(days=7)
WEEKS_IN_HALF = 27  # most Mondays that half a year can hold


class OnBike(NamedTuple):
    """A span on a bike; until = None: still on it."""

    bike: str
    from_at: datetime
    until_at: datetime | None


@dataclass(frozen=True, slots=True)
class Life:
    """What happened to a chain, by kind. Weeks are keyed by their Monday, local midnight."""

    weeks: Mapping[datetime, Mapping[Condition, float]]  # grit-hours
    fittings: tuple[OnBike, ...]
    care: tuple[Treatment | WipeTest, ...]
    readings: tuple[Reading, ...]
    began_at: datetime | None
    last_at: datetime | None


def life_of(history: ChainHistory, bikes: Mapping[BikeId, str], zone: tzinfo) -> Life:
    """Sort a history by kind."""
    weeks: dict[datetime, dict[Condition, float]] = {}
    fittings: list[OnBike] = []
    care: list[Treatment | WipeTest] = []
    readings: list[Reading] = []
    monday, week = None, None
    for entry in history.entries:
        fact = entry.fact
        if isinstance(fact, RiddenHour) and entry.exposure is not None:
            if monday is None or week is None or not monday <= entry.at < monday + WEEK:
                monday = monday_of(entry.at, zone)
                week = weeks.setdefault(monday, {})
            condition = entry.exposure.condition
            week[condition] = week.get(condition, 0.0) + entry.exposure.grit_h
        elif isinstance(fact, Treatment | WipeTest):
            care.append(fact)
        elif isinstance(fact, Reading):
            readings.append(fact)
        elif isinstance(fact, Fitted):
            if fittings and fittings[-1].until_at is None:
                fittings[-1] = fittings[-1]._replace(until_at=entry.at)
            name = bikes.get(fact.fitting.bike, "another bike")
            fittings.append(OnBike(name, entry.at, None))
        elif isinstance(fact, Removed) and fittings and fittings[-1].until_at is None:
            fittings[-1] = fittings[-1]._replace(until_at=entry.at)
    began = history.entries[0].at if history.entries else None
    last = history.entries[-1].at if history.entries else None
    return Life(weeks, tuple(fittings), tuple(care), tuple(readings), began, last)


def half_years(first: datetime, last: datetime) -> list[datetime]:
    """The first Monday of every half-year from the one that holds `first` to the one that holds `last`.

    first, last: Mondays. A week belongs to the half-year of its Monday.
    """
    found = []
    year, half = first.year, 0 if first.month <= 6 else 1
    while (year, half) <= (last.year, 0 if last.month <= 6 else 1):
        opening = first.replace(year=year, month=1 + 6 * half, day=1)
        found.append(opening + timedelta(days=-opening.weekday() % 7))
        year, half = (year, 1) if half == 0 else (year + 1, 0)
    return found


def week_words(week: Mapping[Condition, float]) -> str:
    """'dusty 8.1, wet 4.3'."""
    return ", ".join(
        f"{one.value} {number(week[one])}" for one in CONDITIONS if round(week.get(one, 0.0), 1) > 0.0
    )


def reading_words(reading: Reading) -> str:
    """'over 0.25 %, under 0.5 % by gauge'."""
    return f"{reasons.reading_words(reading)} by {reading.tool.value}"


class LifeRow(NamedTuple):
    """A line of the table behind the plot. All text plain, not escaped."""

    at: datetime
    day: str
    what: str  # ridden, fitted, removed, drip, immersion, …, wipe test, reading
    words: str
    grit_h: float | None  # of a week; None for every other line


def chain_life_table(
    history: ChainHistory, *, bikes: Mapping[BikeId, str], zone: tzinfo
) -> tuple[LifeRow, ...]:
    """Everything that chain_life draws, in order, as rows: what stands behind the plot."""
    life = life_of(history, bikes, zone)
    rows: list[LifeRow] = []

    def add(at: datetime, what: str, words: str, grit_h: float | None = None) -> None:
        rows.append(LifeRow(at, day(at, zone), what, words, grit_h))

    for monday, week in life.weeks.items():
        grit_h = sum(week.values())
        add(monday, "week ridden", f"{number(grit_h)} grit-hours ({week_words(week)})", grit_h)
    for one in life.fittings:
        add(one.from_at, "fitted", f"on {one.bike}")
        if one.until_at is not None:
            add(one.until_at, "removed", f"from {one.bike}")
    for done in life.care:
        if isinstance(done, Treatment):
            add(done.done_at, done.kind.value, done.note)
        else:
            add(done.done_at, "wipe test", f"{done.grade} of 4")
    for reading in life.readings:
        add(reading.taken_at, "reading", reading_words(reading))
    rows.sort(key=lambda row: row.at)
    return tuple(rows)


def lanes(places: Sequence[float], apart: float, rows: int) -> list[int | None]:
    """In which of so many rows each mark stands, so that none touches another; None = no room.

    places: ascending.
    """
    last = [float("-inf")] * rows
    chosen: list[int | None] = []
    for place in places:
        row = next((row for row in range(rows) if place - last[row] >= apart), None)
        if row is not None:
            last[row] = place
        chosen.append(row)
    return chosen
