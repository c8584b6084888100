"""A rider's own table of which bike each ride was on, held against the rides that are here."""

from __future__ import annotations

import codecs
import csv
import io
import re
from bisect import bisect_left, bisect_right
from collections import Counter, defaultdict
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import UTC, date, datetime, time, timedelta, tzinfo
from pathlib import Path

from ingest.errors import UnreadableFile
from rules.dates_and_numbers import listed
from rules.ledger import Ledger
from rules.same_names import as_read
from rules.vocabulary import BikeId, Ride, RideId

LARGEST_BYTES = 20 << 20
EARLY, LATE = timedelta(minutes=10), timedelta(minutes=30)  # how far a written time may be from a start
DAY, LONGEST_RIDE = timedelta(days=1), timedelta(days=15)
RIDDEN = range(1900, 9000)  # years; a slip of the pen is no ride, and must not stretch the span
SEPARATORS = ",;\t|"
SHOWN = 3  # rows or names that are named of each kind
_DAY_FIRST = re.compile(r"(\d{1,2})[./](\d{1,2})[./](\d{4})(?:[ T,]+(\d{1,2}):(\d{2})(?::\d{2})?)?")
_YEAR_FIRST = re.compile(r"(\d{4})[-/.](\d{1,2})[-/.](\d{1,2})(?:[ T,]+(\d{1,2}):(\d{2})(?::\d{2})?)?")


@dataclass(frozen=True, slots=True)
class Row:
    """One row of the table. at: an instant; day: only a day is written.  bike: as it is written."""

    number: int  # as a spreadsheet counts, headings included
    at: datetime | None
    day: date | None
    bike: str


@dataclass(frozen=True, slots=True)
class Matched:
    """Which rides the table puts on which bike, and in sentences what it could not be held against."""

    answers: tuple[tuple[RideId, BikeId | None], ...]
    sentences: tuple[str, ...]


def read_table(file: Path, *, time_column: str, bike_column: str, zone: tzinfo) -> tuple[Row, ...]:
    """The rows of a CSV file, whatever its separator; columns by heading or by number, from 1.

    Times are by the wall clock `zone` unless they carry an offset. Raises UnreadableFile.
    """
    rows = list(_records(file))
    if len(rows) < 2:
        raise UnreadableFile(str(file), "holds no rows below its headings", "export the table as CSV")
    headings = rows[0]
    when = _column(file, headings, time_column)
    which = _column(file, headings, bike_column)
    found = []
    for number, row in enumerate(rows[1:], 2):
        if not any(cell.strip() for cell in row):
            continue
        cells = [*row, *[""] * len(headings)]
        at, day = _moment(cells[when].strip(), zone)
        found.append(Row(number, at, day, " ".join(cells[which].split())))
    return tuple(found)


def around(rows: Sequence[Row], zone: tzinfo) -> tuple[datetime, datetime] | None:
    """Between which instants every ride began that a row may mean; None = no row says when."""
    days = [row.day for row in rows if row.day is not None and row.day.year in RIDDEN]
    said = [datetime.combine(day, time(), zone).astimezone(UTC) for day in days]
    said += [row.at for row in rows if row.at is not None and row.at.year in RIDDEN]
    return (min(said) - LONGEST_RIDE, max(said) + 2 * DAY) if said else None


def matched(ledger: Ledger, rows: Sequence[Row], zone: tzinfo) -> Matched:
    """Hold the rows against the rides: the ride under way at a time, or the only one that day.

    'none' in the column of bikes means none of ours. Rows that put one ride on two bikes cancel each other.
    """
    bikes: dict[str, BikeId | None] = {as_read(bike.name): bike.id for bike in ledger.bikes}
    bikes |= {word: None for word in ("none", "none of ours", "-") if word not in bikes}
    said: dict[RideId, BikeId | None] = {}
    contradicted: set[RideId] = set()
    without_time: list[Row] = []
    without_ride: list[Row] = []
    several: list[Row] = []
    unknown: Counter[str] = Counter()
    here = _Rides(ledger.rides, zone)
    for row in rows:
        if row.at is None and row.day is None:
            without_time.append(row)
            continue
        rides = here.at(row.at) if row.at is not None else here.on(row.day)
        if not rides:
            without_ride.append(row)
        elif len(rides) > 1:
            several.append(row)
        elif as_read(row.bike) not in bikes:
            unknown[row.bike or "an empty cell"] += 1
        else:
            bike = bikes[as_read(row.bike)]
            if rides[0] in said and said[rides[0]] != bike:
                contradicted.add(rides[0])
            said[rides[0]] = bike
    answers = tuple((ride, bike) for ride, bike in sorted(said.items()) if ride not in contradicted)
    names = {bike.id: bike.name for bike in ledger.bikes}
    counts = Counter("none of ours" if bike is None else names[bike] for _, bike in answers)
    sentences = [
        f"{len(answers)} of {len(rows)} rows name a ride and its bike"
        + (f": {listed([f'{count} on {name}' for name, count in counts.most_common()])}." if counts else ".")
    ]
    for where, what in (
        (without_time, "have no time that can be read, such as 2026-05-01 18:00 or 01.05.2026"),
        (without_ride, "match no ride here"),
        (several, "name a day with several rides, and no time"),
    ):
        if where:
            sentences.append(f"{len(where)} rows {what} ({_shown(where)}).")
    if unknown:
        named = [f"“{name}”" for name, _ in unknown.most_common(SHOWN)]
        more = f" and {len(unknown) - SHOWN} more" if len(unknown) > SHOWN else ""
        sentences.append(f"{unknown.total()} rows name no bike of yours: {', '.join(named)}{more}.")
    if contradicted:
        shown = ", ".join(str(ride) for ride in sorted(contradicted)[:SHOWN])
        sentences.append(f"{len(contradicted)} rides are put on two bikes, and were left out: ride {shown}.")
    return Matched(answers, tuple(sentences))


class _Rides:
    """The rides that are here, by when they were."""

    def __init__(self, rides: Sequence[Ride], zone: tzinfo) -> None:
        self._by_start = sorted(rides, key=lambda one: one.started_at)
        self._starts_s = [one.started_at.timestamp() for one in self._by_start]
        longest = max((one.ended_at - one.started_at for one in rides), default=timedelta(0))
        self._back_s, self._ahead_s = max(longest, LATE).total_seconds(), max(EARLY, LATE).total_seconds()
        self._by_day: dict[date, list[RideId]] = defaultdict(list)
        for one in rides:
            self._by_day[one.started_at.astimezone(zone).date()].append(one.id)

    def at(self, moment: datetime) -> list[RideId]:
        """The rides under way then, or the one that began the nearest to it."""
        first = bisect_left(self._starts_s, moment.timestamp() - self._back_s)
        last = bisect_right(self._starts_s, moment.timestamp() + self._ahead_s)
        near = self._by_start[first:last]
        under_way = [one.id for one in near if one.started_at - EARLY <= moment <= one.ended_at]
        if under_way:
            return under_way
        near = [one for one in near if abs(one.started_at - moment) <= LATE]
        return [one.id for one in sorted(near, key=lambda one: abs(one.started_at - moment))[:1]]

    def on(self, day: date | None) -> list[RideId]:
        """The rides that began on that day."""
        return self._by_day.get(day, []) if day is not None else []


def _records(file: Path) -> list[list[str]]:
    try:
        if file.stat().st_size > LARGEST_BYTES:
            raise UnreadableFile(str(file), "is larger than 20 MB", "export only the columns that are wanted")
        content = file.read_bytes()
    except OSError as error:
        raise UnreadableFile(
            str(file), f"cannot be read ({error.strerror})", "check the path and that you may read it"
        ) from error
    if content[:2] in (b"PK", b"\xd0\xcf"):
        raise UnreadableFile(str(file), "is a spreadsheet, not a table of text", "save it as CSV")
    wide = content.startswith((codecs.BOM_UTF16_LE, codecs.BOM_UTF16_BE))
    try:
        text = content.decode("utf-16" if wide else "utf-8-sig")
    except UnicodeDecodeError:
        text = content.decode("latin-1")
    headings = text.lstrip().partition("\n")[0]
    separator = max(SEPARATORS, key=headings.count)
    try:
        return list(csv.reader(io.StringIO(text, newline=None), delimiter=separator))
    except csv.Error as error:
        raise UnreadableFile(str(file), f"is no table ({error})", "export it as CSV") from error


def _column(file: Path, headings: Sequence[str], wanted: str) -> int:
    by_name = {heading.strip().casefold(): place for place, heading in reversed(list(enumerate(headings)))}
    if wanted.strip().casefold() in by_name:
        return by_name[wanted.strip().casefold()]
    if wanted.isdecimal() and 1 <= int(wanted) <= len(headings):
        return int(wanted) - 1
    known = listed([f"“{heading.strip()}”" for heading in headings[:12]])
    raise UnreadableFile(str(file), f"has no column “{wanted}”", f"its columns are {known}; or give a number")


def _moment(text: str, zone: tzinfo) -> tuple[datetime | None, date | None]:
    """An instant, or a day alone; (None, None) = neither."""
    try:
        if re.search(r"[T ]\d{1,2}:\d{2}.*([Zz]|[+-]\d{2}:?\d{2})$", text):
            return datetime.fromisoformat(text.replace(" +", "+").upper()).astimezone(UTC), None
        if (found := _YEAR_FIRST.match(text)) is not None:
            year, month, day, hour, minute = found.groups()
        elif (found := _DAY_FIRST.match(text)) is not None:
            day, month, year, hour, minute = found.groups()
        else:
            return None, None
        on = date(int(year), int(month), int(day))
        if hour is None:
            return None, on
        return datetime.combine(on, time(int(hour), int(minute)), zone).astimezone(UTC), None
    except (ValueError, OverflowError):
        return None, None


def _shown(rows: Sequence[Row]) -> str:
    numbers = ", ".join(str(row.number) for row in rows[:SHOWN])
    more = f" and {len(rows) - SHOWN} more" if len(rows) > SHOWN else ""
    return f"row {numbers}{more}" if len(rows) == 1 else f"rows {numbers}{more}"
