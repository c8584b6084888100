"""Hourly weather with its revisions, and which spans of days were asked of which archive."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date, datetime, timedelta
from itertools import groupby
from typing import Any

from sqlalchemy import Select, bindparam, false, or_, select

from ingest.weather.hourly import Cell, HourlyWeather
from rules.vocabulary import Tier
from services.store.engine import alone_with_what_is_shared
from services.store.repository import Repository
from services.store.rows_of_facts import Shape, words_of
from services.store.tables_rides import WEATHER_IS_CURRENT, hourly_weather, weather_block

_tier = words_of(Tier)
_HOUR = Shape(HourlyWeather, hourly_weather, beside=("cell", "rain_chance"), tier=_tier)
_COLUMNS = (hourly_weather.c.latitude_deg, hourly_weather.c.longitude_deg, *_HOUR.columns)
_VALUES = _HOUR.names[_HOUR.names.index("rain_mm") :]


@dataclass(frozen=True, slots=True)
class WeatherBlock:
    """Days that were asked of an archive for a cell. complete: the answer held every hour asked for."""

    source: str
    cell: Cell
    first: date
    last: date
    tier: Tier
    fetched_at: datetime
    complete: bool


_BLOCK = Shape(
    WeatherBlock,
    weather_block,
    called={"first": "first_day", "last": "last_day"},
    beside=("cell",),
    tier=_tier,
)


class Weather(Repository):
    """The newest fetch of an archive, model, cell and hour is current; preliminary never replaces final."""

    def put(self, hours: Sequence[HourlyWeather]) -> int:
        """Keep hours of weather; returns how many said something new.

        Equal values only renew when they were checked. A preliminary value never replaces a final one.
        """
        alone_with_what_is_shared(self._connection)
        by_series = sorted(hours, key=_series)
        return sum(self._put_series(list(group)) for _, group in groupby(by_series, key=_series))

    def _put_series(self, hours: list[HourlyWeather]) -> int:
        first, last = min(h.hour_start for h in hours), max(h.hour_start for h in hours)
        query = select(
            hourly_weather.c.id, hourly_weather.c.checked_at, hourly_weather.c.checks, *_COLUMNS
        ).where(
            WEATHER_IS_CURRENT,
            hourly_weather.c.latitude_deg == hours[0].cell.latitude_deg,
            hourly_weather.c.longitude_deg == hours[0].cell.longitude_deg,
            hourly_weather.c.source == hours[0].source,
            hourly_weather.c.model == hours[0].model,
            hourly_weather.c.hour_start.between(first, last),
        )
        known = {row.hour_start: (row.id, row.checked_at, _weather(row[3:])) for row in self._all(query)}
        fresh: dict[datetime, dict[str, Any]] = {}
        older, superseded, same = [], [], []
        for hour in sorted(hours, key=lambda hour: hour.fetched_at):
            row_id, checked_at, current = known.get(hour.hour_start, (None, None, None))
            if current is None:
                fresh[hour.hour_start] = _values(hour, is_current=True)
            elif _said(current) == _said(hour):
                if checked_at is not None and hour.fetched_at > checked_at and row_id is not None:
                    same.append({"row": row_id, "at": hour.fetched_at})
                continue
            elif _rank(hour) < _rank(current):
                older.append(_values(hour, is_current=False))
                continue
            else:
                if row_id is not None:
                    superseded.append({"row": row_id})
                elif hour.hour_start in fresh:
                    older.append({**fresh[hour.hour_start], "is_current": False})
                fresh[hour.hour_start] = _values(hour, is_current=True)
            known[hour.hour_start] = (None, None, hour)
        this = hourly_weather.c.id == bindparam("row")
        if same:
            again = {"checked_at": bindparam("at"), "checks": hourly_weather.c.checks + 1}
            self._connection.execute(hourly_weather.update().where(this).values(again), same)
        if superseded:
            self._connection.execute(hourly_weather.update().where(this).values(is_current=False), superseded)
        self._insert_many(hourly_weather, [*older, *fresh.values()])
        return len(fresh)

    def of_every_archive(self, cell: Cell, start: datetime, end: datetime) -> tuple[HourlyWeather, ...]:
        """What each archive now says of the hours that begin from `start` up to but not at `end`, by hour."""
        query = _current(cell, start, end).order_by(hourly_weather.c.hour_start, hourly_weather.c.id)
        return tuple(_weather(row) for row in self._all(query))

    def null_hours_due(self, now: datetime, schedule: Sequence[timedelta]) -> tuple[HourlyWeather, ...]:
        """Hours whose archive gave no rain, and that are due to be asked for again.

        schedule: how long after the first null to ask again, once each; after the last no more.
        """
        asked_again = [
            (hourly_weather.c.checks == tries + 1) & (hourly_weather.c.fetched_at <= now - wait)
            for tries, wait in enumerate(schedule)
        ]
        query = (
            select(*_COLUMNS)
            .where(WEATHER_IS_CURRENT, hourly_weather.c.rain_mm.is_(None), or_(false(), *asked_again))
            .order_by(hourly_weather.c.hour_start, hourly_weather.c.id)
        )
        return tuple(_weather(row) for row in self._all(query))

    def note_block(self, block: WeatherBlock) -> None:
        """Keep that these days were asked for and answered."""
        self._insert(weather_block, **_BLOCK.values(block), **_place(block.cell))

    def blocks(self, source: str | None = None, cell: Cell | None = None) -> tuple[WeatherBlock, ...]:
        """Which days were asked for, of one archive and cell or of all, in the order they were fetched."""
        columns = (weather_block.c.latitude_deg, weather_block.c.longitude_deg, *_BLOCK.columns)
        query = select(*columns).order_by(weather_block.c.fetched_at, weather_block.c.id)
        if source is not None:
            query = query.where(weather_block.c.source == source)
        if cell is not None:
            query = query.where(
                weather_block.c.latitude_deg == cell.latitude_deg,
                weather_block.c.longitude_deg == cell.longitude_deg,
            )
        return tuple(
            _BLOCK.of(row, cell=Cell(latitude, longitude)) for latitude, longitude, *row in self._all(query)
        )


def _current(cell: Cell, start: datetime, end: datetime) -> Select[Any]:
    return select(*_COLUMNS).where(
        WEATHER_IS_CURRENT,
        hourly_weather.c.latitude_deg == cell.latitude_deg,
        hourly_weather.c.longitude_deg == cell.longitude_deg,
        hourly_weather.c.hour_start >= start,
        hourly_weather.c.hour_start < end,
    )


def _series(hour: HourlyWeather) -> tuple[str, str, float, float]:
    return hour.source, hour.model, hour.cell.latitude_deg, hour.cell.longitude_deg


def _said(hour: HourlyWeather) -> tuple[Any, ...]:
    return (hour.tier, *(getattr(hour, name) for name in _VALUES))


def _rank(hour: HourlyWeather) -> tuple[bool, datetime]:
    return hour.tier is Tier.FINAL, hour.fetched_at


def _values(hour: HourlyWeather, *, is_current: bool) -> dict[str, Any]:
    of_now = {"checked_at": hour.fetched_at, "checks": 1, "is_current": is_current}
    return _HOUR.values(hour) | _place(hour.cell) | of_now


def _place(cell: Cell) -> dict[str, float]:
    return {"latitude_deg": cell.latitude_deg, "longitude_deg": cell.longitude_deg}


def _weather(row: Any) -> HourlyWeather:
    latitude, longitude, hour_start, source, model, tier, fetched_at, *values = row
    return HourlyWeather(
        Cell(latitude, longitude), hour_start, source, model, _tier(tier), fetched_at, *values
    )
