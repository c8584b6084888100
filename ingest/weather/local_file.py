"""A CSV of hourly weather of your own: a station's record or an archive's export, with no network at all.

Its first line names the columns, each with its unit. There must be `latitude_deg`, `longitude_deg`,
`hour_start_utc` (2025-06-10T14:00:00Z: the hour's start) and `rain_mm`; there may be `snowfall_cm`,
`temperature_c`, `humidity_pct`, `wind_10m_mps`, `shortwave_wm2`, `soil_moisture_m3m3`, `et0_mm` and
`pressure_kpa`. `rain_in`, `snowfall_in`, `temperature_f` and `wind_10m_mph` are converted. An empty field is
no value: unknown, never dry. Lines may come in any order; a cell and hour comes once.
Numbers that look like another unit than their heading's are asked about: the heading is then to be put right,
or to say `sure` (`rain_mm sure`).
"""

from __future__ import annotations

import csv
from collections.abc import Callable, Iterable, Mapping, Sequence
from datetime import UTC, date, datetime, timedelta
from pathlib import Path

from ingest.weather.hourly import ArchiveUnavailable, BlockRefused, Cell, HourlyWeather
from ingest.weather.open_meteo import quarter_degree_cell
from ingest.weather.plausible_hour import RANGES, believed
from ingest.weather.wrong_units import doubt_about_rain, doubt_about_temperature
from rules.vocabulary import Tier

NEAR_KM = 40.0  # a place farther from every cell of the file is not in it; our choice, about two cells
TIME, PLACE, RAIN = "hour_start_utc", ("latitude_deg", "longitude_deg"), "rain_mm"
SURE = " sure"
OTHER_UNITS: Mapping[str, tuple[str, Callable[[float], float]]] = {
    "rain_in": ("rain_mm", lambda inches: inches * 25.4),
    "snowfall_in": ("snowfall_cm", lambda inches: inches * 2.54),
    "temperature_f": ("temperature_c", lambda degrees: (degrees - 32.0) / 1.8),
    "wind_10m_mph": ("wind_10m_mps", lambda mph: mph * 0.44704),
}
HOUR = timedelta(hours=1)
_Values = dict[str, float | None]


class LocalFile:
    """Hourly weather from one CSV file, read again whenever the file has changed."""

    name: str = "local file"
    tier: Tier = Tier.FINAL

    def __init__(self, path: Path | str) -> None:
        self.path = Path(path)
        self.model = self.path.name
        self.attribution = f"Weather from the file {self.path.name}."
        self._read_as: tuple[int, int] | None = None
        self._cells: dict[Cell, dict[datetime, _Values]] = {}

    def cell_of(self, latitude_deg: float, longitude_deg: float) -> Cell:
        """The file's place nearest to this one; if none is near, a cell of which nothing is known.

        Raises ArchiveUnavailable naming the file's fault and its line.
        """
        self._refresh()

        nearest = min(self._cells, key=lambda cell: cell.away_km(latitude_deg, longitude_deg), default=None)
        if nearest is not None and nearest.away_km(latitude_deg, longitude_deg) <= NEAR_KM:
            return nearest
        return quarter_degree_cell(latitude_deg, longitude_deg)

    def reach(self, *, now: datetime) -> tuple[date, date]:
        """The first and the last day of the file; raises ArchiveUnavailable."""
        self._refresh()
        hours = [hour for values in self._cells.values() for hour in (min(values), max(values))]
        return min(hours).date(), min(max(hours), now).date()

    def cost(self, first: date, last: date, *, now: datetime) -> float:  # noqa: ARG002 - the protocol's arguments
        """Reading a file costs nothing."""
        return 0.0

    def fetch(self, cell: Cell, first: date, last: date, *, now: datetime) -> Sequence[HourlyWeather]:
        """See WeatherProvider.fetch."""
        self._refresh()
        known = self._cells.get(cell, {})
        hours = []
        at = datetime(first.year, first.month, first.day, tzinfo=UTC)
        while at.date() <= last and at + HOUR <= now:
            values = known.get(at, {})
            fields = {field: values.get(field) for field in RANGES}
            hours.append(HourlyWeather(cell, at, self.name, self.model, Tier.FINAL, now, **fields))
            at += HOUR
        return hours

    def _refresh(self) -> None:
        try:
            stat = self.path.stat()
            if self._read_as == (stat.st_mtime_ns, stat.st_size):
                return
            with self.path.open(encoding="utf-8-sig", newline="") as lines:
                self._cells = read_hours(lines, name=self.path.name)
        except OSError as error:
            raise ArchiveUnavailable(f"{self.path}: cannot be read ({error.strerror})") from error
        except (UnicodeDecodeError, csv.Error) as error:
            raise ArchiveUnavailable(f"{self.path}: is no CSV text in UTF-8 ({error})") from error
        self._read_as = (stat.st_mtime_ns, stat.st_size)


def read_hours(lines: Iterable[str], *, name: str) -> dict[Cell, dict[datetime, _Values]]:
    """The values of each cell and hour. Raises ArchiveUnavailable, naming the line."""
    rows = csv.reader(lines)
    named = [column.strip() for column in next(rows, [])]
    header = [OTHER_UNITS.get(column, (column.removesuffix(SURE),))[0] for column in named]
    fields = _checked_header(header, name)
    converted = {OTHER_UNITS[column][0]: OTHER_UNITS[column][1] for column in named if column in OTHER_UNITS}
    cells: dict[Cell, dict[datetime, _Values]] = {}
    for row in rows:
        if not any(row):
            continue
        line = f"{name} line {rows.line_num}"
        if len(row) != len(header):
            raise ArchiveUnavailable(f"{line}: has {len(row)} fields, the first line names {len(header)}")
        at = _hour(row[header.index(TIME)], line)
        cell = Cell(_degrees(row, header, 0, line), _degrees(row, header, 1, line))
        hours = cells.setdefault(cell, {})
        if at in hours:
            raise ArchiveUnavailable(f"{line}: this cell has {at:%Y-%m-%d %H:%M} twice; keep one of them")
        hours[at] = {
            field: _number(row[column], field, line, converted.get(field, float)) for field, column in fields
        }
    if not cells:
        raise ArchiveUnavailable(f"{name}: has no hours under its first line")
    _ask_about_units(cells, {column for column in named if column in RANGES}, name)
    return cells


def _ask_about_units(cells: Mapping[Cell, Mapping[datetime, _Values]], asked: set[str], name: str) -> None:
    """Raises ArchiveUnavailable where numbers in the unit that is taken for granted look like another's."""
    for cell, hours in cells.items():
        rain = [rain for one in hours.values() if (rain := one.get(RAIN)) is not None]
        warmth = {at: value for at, one in hours.items() if (value := one.get("temperature_c")) is not None}
        for column, other, why in (
            (RAIN, "rain_in", doubt_about_rain(rain)),
            ("temperature_c", "temperature_f", doubt_about_temperature(cell.latitude_deg, warmth)),
        ):
            if why is not None and column in asked:
                raise ArchiveUnavailable(
                    f"{name}, column {column}: {why}. Call the column {other} if it is; "
                    f"'{column}{SURE}' if it is not"
                )


def _checked_header(header: Sequence[str], name: str) -> list[tuple[str, int]]:
    known = {TIME, *PLACE, *RANGES}
    missing = [column for column in (*PLACE, TIME, RAIN) if column not in header]
    if missing:
        raise ArchiveUnavailable(f"{name} line 1: the column {missing[0]} is missing; name it there")
    unknown = [column for column in header if column not in known]
    if unknown:
        raise ArchiveUnavailable(
            f"{name} line 1: the column {unknown[0]!r} is not known; known are {', '.join(sorted(known))}"
        )
    if len(set(header)) < len(header):
        raise ArchiveUnavailable(f"{name} line 1: a column is named twice")
    return [(column, header.index(column)) for column in header if column in RANGES]


def _hour(text: str, line: str) -> datetime:
    try:
        at = datetime.fromisoformat(text.strip())
    except ValueError as error:
        raise ArchiveUnavailable(f"{line}: {text!r} is no time; write 2025-06-10T14:00:00Z") from error
    if at.tzinfo is None:
        raise ArchiveUnavailable(f"{line}: {text!r} has no time zone; write it in UTC, with a Z at its end")
    try:
        at = at.astimezone(UTC)
    except OverflowError as error:
        raise ArchiveUnavailable(f"{line}: {text!r} is before or after all years; mend it") from error
    if at.minute or at.second or at.microsecond:
        raise ArchiveUnavailable(
            f"{line}: {text!r} is not on the hour; give hourly values by the hour's start"
        )
    return at


def _degrees(row: Sequence[str], header: Sequence[str], which: int, line: str) -> float:
    text = row[header.index(PLACE[which])]
    try:
        degrees = float(text)
    except ValueError as error:
        raise ArchiveUnavailable(f"{line}: {PLACE[which]} {text!r} is no number") from error
    if not abs(degrees) <= (90, 180)[which]:
        raise ArchiveUnavailable(f"{line}: {PLACE[which]} {text} is not on the globe")
    return degrees


def _number(text: str, field: str, line: str, converted: Callable[[float], float]) -> float | None:
    if not text.strip():
        return None
    try:
        value = converted(float(text))
    except ValueError as error:
        raise ArchiveUnavailable(
            f"{line}: {field} {text!r} is no number; leave it empty if not known"
        ) from error
    try:
        return believed(line, field, value, when="this line")
    except BlockRefused as error:
        hint = "; if it is in Fahrenheit, call its column temperature_f" if field == "temperature_c" else ""
        raise ArchiveUnavailable(f"{error.why}{hint}") from error
