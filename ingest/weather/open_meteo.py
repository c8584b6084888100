"""The open archive (ERA5, some days late, final) and its forecast service (recent days, preliminary).

Asked with Coordinated Universal Time and Unix seconds: a named time zone would be given one offset for the
whole span, winter and summer alike. A value at T is of the hour that ends at T, so the hour begins one hour
earlier. The services' own specification: https://open-meteo.com/en/docs/historical-weather-api and
.../en/docs
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace
from datetime import UTC, date, datetime, timedelta
from typing import Any
from urllib.parse import urlsplit, urlunsplit

from ingest.weather.hourly import ArchiveUnavailable, BlockRefused, Cell, HourlyWeather
from ingest.weather.http_client import TIMEOUT_S, Asker
from ingest.weather.pacing import weight
from ingest.weather.plausible_hour import believed
from rules.vocabulary import Tier

ARCHIVE_URL = "https://archive-api.open-meteo.com/v1/archive"
FORECAST_URL = "https://api.open-meteo.com/v1/forecast"
CELL_DEG = 0.25  # ERA5's own grid, points at its multiples
FIRST_DAY = date(1940, 1, 1)
USUALLY_FINAL_AFTER = timedelta(days=6)  # "about 5 days", and a day for the day itself
MOST_PAST_DAYS = 92
HOUR = timedelta(hours=1)
DAY = timedelta(days=1)
DAYS_AHEAD = 2
RAIN_CHANCE = "precipitation_probability"
# The service's name, its unit, and our field. Eight, so that half a month costs no more than one request.
VARIABLES: tuple[tuple[str, str, str], ...] = (
    ("precipitation", "mm", "rain_mm"),
    ("snowfall", "cm", "snowfall_cm"),
    ("temperature_2m", "°C", "temperature_c"),
    ("relative_humidity_2m", "%", "humidity_pct"),
    ("wind_speed_10m", "m/s", "wind_10m_mps"),
    ("shortwave_radiation", "W/m²", "shortwave_wm2"),
    ("soil_moisture_0_to_7cm", "m³/m³", "soil_moisture_m3m3"),
    ("et0_fao_evapotranspiration", "mm", "et0_mm"),
)


def quarter_degree_cell(latitude_deg: float, longitude_deg: float) -> Cell:
    """The centre of the quarter-degree cell that holds this place; longitude from -180 to under 180."""
    latitude = round(latitude_deg / CELL_DEG) * CELL_DEG
    longitude = (round(longitude_deg / CELL_DEG) * CELL_DEG + 180) % 360 - 180
    return Cell(latitude + 0.0, longitude + 0.0)


class _OpenMeteo:
    """What the two services share."""

    name: str
    tier: Tier
    usual_url: str
    usual_model: str
    moved_at_most_deg: float

    def __init__(self, url: str = "", *, model: str = "", timeout_s: float = TIMEOUT_S) -> None:
        """url: the whole address.  model: pinned, the service's own choice varies.  "" = the usual one."""
        self.url, self.model = url or self.usual_url, model or self.usual_model
        self._asker = Asker(f"the {self.name}", timeout_s=timeout_s)

    def cell_of(self, latitude_deg: float, longitude_deg: float) -> Cell:
        """The quarter-degree cell of this place: the only thing about a ride that leaves the machine."""
        return quarter_degree_cell(latitude_deg, longitude_deg)

    def close(self) -> None:
        """Lets the connection go."""
        self._asker.close()

    def _question(self, cell: Cell) -> dict[str, str | int | float]:
        return {
            "latitude": cell.latitude_deg,
            "longitude": cell.longitude_deg,
            "hourly": ",".join(name for name, _, _ in VARIABLES),
            "models": self.model,
            "timezone": "GMT",
            "timeformat": "unixtime",
            "wind_speed_unit": "ms",
            "cell_selection": "nearest",
            "elevation": "nan",
        }

    def _hours(
        self,
        document: Any,
        cell: Cell,
        first: date,
        last: date,
        asked_last: date,
        now: datetime,
        *,
        ahead: bool = False,
    ) -> list[HourlyWeather]:
        """first..asked_last must have been answered whole; first..last is returned.

        ahead: hours that are not over, too.
        """
        answer = _single(document, self.name)
        self._check_place(answer, cell)
        times, columns = _columns(answer, self.name)
        begin, end = _midnight(first), _midnight(asked_last) + DAY
        if times != [int(begin.timestamp()) + 3600 * n for n in range((end - begin) // HOUR)]:
            raise BlockRefused(f"{self.name}: its hours are not every hour of {first} to {asked_last}")
        hours = []
        for row, at in enumerate(times):
            hour_start = datetime.fromtimestamp(at, UTC) - HOUR
            if not first <= hour_start.date() <= last or (hour_start + HOUR > now and not ahead):
                continue
            when = f"{hour_start:%Y-%m-%d %H:%M} UTC"
            values = {f: believed(self.name, f, column[row], when=when) for f, column in columns.items()}
            hours.append(HourlyWeather(cell, hour_start, self.name, self.model, self.tier, now, **values))
        return hours

    def _check_place(self, answer: Mapping[str, Any], cell: Cell) -> None:
        try:
            latitude, longitude = float(answer["latitude"]), float(answer["longitude"])
        except (KeyError, TypeError, ValueError, OverflowError) as error:
            raise BlockRefused(f"{self.name}: its answer names no place") from error
        east = abs((longitude - cell.longitude_deg + 180) % 360 - 180)
        if max(abs(latitude - cell.latitude_deg), east) > self.moved_at_most_deg:
            raise BlockRefused(
                f"{self.name}: asked for {cell.latitude_deg:g}, {cell.longitude_deg:g}, "
                f"it answered for {latitude:g}, {longitude:g}"
            )


class OpenMeteoArchive(_OpenMeteo):
    """ERA5 by the hour since 1940, final, about five days late. Free for non-commercial use."""

    name: str = "open-meteo archive"
    tier: Tier = Tier.FINAL
    usual_url, usual_model = ARCHIVE_URL, "era5"
    # Half a cell, and the little by which the service's stored grid is rounded.
    moved_at_most_deg: float = CELL_DEG / 2 + 0.01
    attribution: str = (
        "Weather data by Open-Meteo.com, https://open-meteo.com/ (CC BY 4.0). "
        "Contains modified Copernicus Climate Change Service information (ERA5); "
        "neither the European Commission nor ECMWF is responsible for any use made of it."
    )

    def reach(self, *, now: datetime) -> tuple[date, date]:
        """1940 to the last whole day that the archive says it has; six days ago where it does not say."""
        try:
            finished = self.finished_until(now=now)
        except ArchiveUnavailable:
            return FIRST_DAY, (now - USUALLY_FINAL_AFTER).date()
        return FIRST_DAY, finished.date() - DAY

    def finished_until(self, *, now: datetime) -> datetime:
        """Until when the archive has data, in its own words. Raises ArchiveUnavailable."""
        parts = urlsplit(self.url)
        url = urlunsplit((parts.scheme, parts.netloc, "/data/copernicus_era5/static/meta.json", "", ""))
        document = self._asker.ask(url, {}, now=now)
        end = document.get("data_end_time") if isinstance(document, dict) else None
        if isinstance(end, bool) or not isinstance(end, int | float) or not 0 < end < now.timestamp() + 86400:
            raise ArchiveUnavailable(f"{self.name} does not say until when it has data")
        return datetime.fromtimestamp(end, UTC)

    def cost(self, first: date, last: date, *, now: datetime) -> float:
        """See WeatherProvider.cost."""
        return weight((_asked_last(last, now) - first).days + 1, variables=len(VARIABLES))

    def fetch(self, cell: Cell, first: date, last: date, *, now: datetime) -> Sequence[HourlyWeather]:
        """See WeatherProvider.fetch."""
        asked_last = _asked_last(last, now)
        question = self._question(cell) | {"start_date": str(first), "end_date": str(asked_last)}
        return self._hours(self._asker.ask(self.url, question, now=now), cell, first, last, asked_last, now)


class OpenMeteoForecast(_OpenMeteo):
    """The forecast service's recent days: what its models made of them, preliminary."""

    name: str = "open-meteo forecast"
    tier: Tier = Tier.PRELIMINARY
    usual_url, usual_model = FORECAST_URL, "best_match"  # its finest for the place, for storms of the day
    moved_at_most_deg: float = CELL_DEG  # its models have grids of their own
    attribution: str = "Weather data by Open-Meteo.com, https://open-meteo.com/ (CC BY 4.0)."

    def reach(self, *, now: datetime) -> tuple[date, date]:
        """Today and the 92 days before it."""
        return now.date() - DAY * MOST_PAST_DAYS, now.date()

    def cost(self, first: date, last: date, *, now: datetime) -> float:  # noqa: ARG002 - the protocol's arguments
        """See WeatherProvider.cost: it always answers up to today."""
        return weight((now.date() - first).days + 1, variables=len(VARIABLES))

    def fetch(self, cell: Cell, first: date, last: date, *, now: datetime) -> Sequence[HourlyWeather]:
        """See WeatherProvider.fetch."""
        today = now.date()
        past_days = (today - first).days
        if not 0 <= past_days <= MOST_PAST_DAYS:
            raise BlockRefused(f"{self.name}: {first} is not within its {MOST_PAST_DAYS} days")
        question = self._question(cell) | {"past_days": past_days, "forecast_days": 1}
        return self._hours(self._asker.ask(self.url, question, now=now), cell, first, last, today, now)


class OpenMeteoAhead(_OpenMeteo):
    """The forecast service's next days, hour by hour, with how likely it is to rain."""

    name: str = "open-meteo forecast"
    tier: Tier = Tier.PRELIMINARY
    usual_url, usual_model = FORECAST_URL, "best_match"
    moved_at_most_deg: float = CELL_DEG
    attribution: str = OpenMeteoForecast.attribution

    def reach(self, *, now: datetime) -> tuple[date, date]:
        """From 92 days ago to two days ahead."""
        return now.date() - DAY * MOST_PAST_DAYS, now.date() + DAY * DAYS_AHEAD

    def cost(self, first: date, last: date, *, now: datetime) -> float:  # noqa: ARG002 - the protocol's arguments
        """See WeatherProvider.cost: it always answers up to two days ahead."""
        return weight((now.date() - first).days + 1 + DAYS_AHEAD, variables=len(VARIABLES) + 1)

    def fetch(self, cell: Cell, first: date, last: date, *, now: datetime) -> Sequence[HourlyWeather]:
        """All hours of first..last, those to come too. See WeatherProvider.fetch."""
        question = self._question(cell)
        question |= {
            "hourly": f"{question['hourly']},{RAIN_CHANCE}",
            "past_days": (now.date() - first).days,
            "forecast_days": 1 + DAYS_AHEAD,
        }
        document = self._asker.ask(self.url, question, now=now)
        asked_last = now.date() + DAY * DAYS_AHEAD
        hours = self._hours(document, cell, first, last, asked_last, now, ahead=True)
        hourly = _single(document, self.name)["hourly"]
        chances = hourly.get(RAIN_CHANCE)
        if not isinstance(chances, list) or len(chances) != len(hourly["time"]):
            raise BlockRefused(f"{self.name}: it does not say how likely rain is")
        by_hour = dict(zip(hourly["time"], chances, strict=True))
        stamps = [int((one.hour_start + HOUR).timestamp()) for one in hours]
        return [replace(one, rain_chance=_share(by_hour[at])) for one, at in zip(hours, stamps, strict=True)]


def _share(pct: object) -> float | None:
    return pct / 100.0 if isinstance(pct, int | float) and 0 <= pct <= 100 else None


def _asked_last(last: date, now: datetime) -> date:
    """The last hour of a day carries the next day's midnight as its stamp."""
    return min(last + DAY, now.date())


def _midnight(day: date) -> datetime:
    return datetime(day.year, day.month, day.day, tzinfo=UTC)


def _single(document: Any, archive: str) -> Mapping[str, Any]:
    """The one answer; several places come as a list, and so may one."""
    if isinstance(document, list) and len(document) == 1:
        document = document[0]
    if not isinstance(document, dict):
        raise BlockRefused(f"{archive}: asked for one place, its answer is not of one")
    if document.get("utc_offset_seconds") != 0:
        raise BlockRefused(f"{archive}: its times are not in UTC")
    return document


def _columns(answer: Mapping[str, Any], archive: str) -> tuple[list[Any], dict[str, list[Any]]]:
    """The times and our fields' values, all of one length and in the units asked for."""
    hourly, units = answer.get("hourly"), answer.get("hourly_units")
    if (
        not isinstance(hourly, dict)
        or not isinstance(units, dict)
        or not isinstance(hourly.get("time"), list)
    ):
        raise BlockRefused(f"{archive}: its answer has no hourly values")
    if units.get("time") != "unixtime":
        raise BlockRefused(f"{archive}: its times are in {units.get('time')!r}, not in Unix seconds")
    times, columns = hourly["time"], {}
    for name, unit, field in VARIABLES:
        column = hourly.get(name)
        if not isinstance(column, list) or len(column) != len(times):
            held = len(column) if isinstance(column, list) else "no"
            raise BlockRefused(f"{archive}: {name} has {held} values for {len(times)} hours")
        # A model that lacks a variable gives it as nothing but nulls, its unit as "undefined".
        if units.get(name) != unit and any(value is not None for value in column):
            raise BlockRefused(f"{archive}: {name} comes in {units.get(name)!r}, not in {unit!r}")
        columns[field] = column
    return times, columns
