"""A weather archive of our own, over real HTTP: the documented shapes, limits and faults.

    with ArchiveStandIn(weather=table_or_function) as server:
        OpenMeteoArchive(server.archive_url) ...

Weather is given by the true hour: `function(latitude_deg, longitude_deg, hour_start) -> {"rain_mm": 4.1,
...}`, or a table of such dictionaries by hour_start, or by (latitude_deg, longitude_deg, hour_start). Fields
are those of HourlyWeather; what is left out has a mild, dry value; None is a null. The archive's own labels
(the hour that ends at T) are made here.

Documented and enforced: weight of a request, fixed windows of a minute, an hour and a day, failed requests
counted, one request at a time, texts of errors, values in steps of 0.1 mm, cell centres in the answer, a list
for several places, kilometres an hour unless asked otherwise, one offset for a whole span of local time,
another model unless pinned.
"""

from __future__ import annotations

import json
import random
import threading
import time
from collections.abc import Callable, Mapping
from contextlib import suppress
from dataclasses import dataclass, field
from datetime import UTC, date, datetime, timedelta
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from types import TracebackType
from typing import Any
from urllib.parse import parse_qs, urlsplit
from zoneinfo import ZoneInfo

Values = Mapping[str, float | None]
WeatherAt = Callable[[float, float, datetime], Values]
Table = Mapping[datetime, Values] | Mapping[tuple[float, float, datetime], Values]

HOUR, DAY = timedelta(hours=1), timedelta(days=1)
MILD: Values = {
    "rain_mm": 0.0,
    "snowfall_cm": 0.0,
    "temperature_c": 16.0,
    "humidity_pct": 55.0,
    "wind_10m_mps": 2.0,
    "shortwave_wm2": 300.0,
    "soil_moisture_m3m3": 0.12,
    "et0_mm": 0.2,
    "pressure_kpa": 95.0,
    "rain_chance": 0.0,
}
# name: our field, unit, decimals
HOURLY = {
    "precipitation": ("rain_mm", "mm", 1),
    "rain": ("rain_mm", "mm", 1),
    "snowfall": ("snowfall_cm", "cm", 2),
    "temperature_2m": ("temperature_c", "°C", 1),
    "relative_humidity_2m": ("humidity_pct", "%", 0),
    "wind_speed_10m": ("wind_10m_mps", "km/h", 1),
    "shortwave_radiation": ("shortwave_wm2", "W/m²", 0),
    "soil_moisture_0_to_7cm": ("soil_moisture_m3m3", "m³/m³", 3),
    "et0_fao_evapotranspiration": ("et0_mm", "mm", 2),
    "surface_pressure": ("pressure_kpa", "hPa", 1),
    "precipitation_probability": ("rain_chance", "%", 0),
}
POWER = {
    "PRECTOTCORR": ("rain_mm", "mm/hour", 1.0),
    "T2M": ("temperature_c", "C", 1.0),
    "RH2M": ("humidity_pct", "%", 1.0),
    "WS10M": ("wind_10m_mps", "m/s", 1.0),
    "ALLSKY_SFC_SW_DWN": ("shortwave_wm2", "Wh/m^2", 1.0),
    "PS": ("pressure_kpa", "kPa", 1.0),
    "GWETTOP": ("soil_moisture_m3m3", "1", 1 / 0.45),
}


@dataclass
class StoppedClock:
    """A clock that moves only when somebody sleeps by it: for the client and the server alike."""

    now: datetime = field(default_factory=lambda: datetime.now(UTC))
    slept_s: float = 0.0

    def __call__(self) -> datetime:
        return self.now

    def sleep(self, seconds: float) -> None:
        self.now += timedelta(seconds=seconds)
        self.slept_s += seconds


def real_clock() -> datetime:
    return datetime.now(UTC)


@dataclass(frozen=True)
class Asked:
    """One request as it came in, and what became of it."""

    path: str
    parameters: Mapping[str, str]
    at: datetime
    weight: float
    status: int


class RefusalError(Exception):
    def __init__(self, status: int, reason: str) -> None:
        self.status, self.reason = status, reason
        super().__init__(reason)


class ArchiveStandIn:
    """The server. Every attribute may be changed while it runs."""

    def __init__(
        self,
        weather: WeatherAt | Table | None = None,
        *,
        clock: Callable[[], datetime] = real_clock,
        limits: tuple[float, float, float] = (600, 5_000, 10_000),
        delay: timedelta = timedelta(days=5),
        failing: float = 0.0,
        seed: int = 1,
        nulls: Callable[[float, float, datetime], bool] | None = None,
        as_list: bool = False,
        moved_deg: float = 0.0,
        down: bool = False,
        slow_s: float = 0.0,
    ) -> None:
        """clock: what its windows and its "today" go by.  limits: weight a minute, an hour, a day.

        delay: how late the archive is.  failing: share of requests that fail, by turns overloaded, broken,
        cut short or hung up on.  nulls: hours without a value.  moved_deg: the answered cell lies off by that
        much.
        down: nothing but 503.  slow_s: how long it thinks; who asks meanwhile is one too many.
        """
        self.weather = _as_function(weather)
        self.clock, self.limits, self.delay, self.failing = clock, limits, delay, failing
        self.nulls, self.as_list, self.moved_deg = nulls, as_list, moved_deg
        self.down, self.slow_s = down, slow_s
        self.spoil: Callable[[dict[str, Any]], Any] = lambda answer: answer  # last touch on a good answer
        self.asked: list[Asked] = []
        self._dice = random.Random(seed)
        self._busy = threading.Lock()
        self._spent: dict[tuple[str, str], float] = {}
        self._server = ThreadingHTTPServer(("127.0.0.1", 0), _handler_of(self))
        self._server.daemon_threads = True
        self._thread = threading.Thread(
            target=self._server.serve_forever, kwargs={"poll_interval": 0.02}, daemon=True
        )

    def __enter__(self) -> ArchiveStandIn:
        self._thread.start()
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self._server.shutdown()
        self._server.server_close()
        self._thread.join(timeout=5)

    def fail_always(self, seed: int) -> None:
        """Every request from now on fails, each in its way."""
        self.failing, self._dice = 1.0, random.Random(seed)

    @property
    def url(self) -> str:
        return f"http://127.0.0.1:{self._server.server_address[1]}"

    @property
    def archive_url(self) -> str:
        return self.url + "/v1/archive"

    @property
    def forecast_url(self) -> str:
        return self.url + "/v1/forecast"

    @property
    def power_url(self) -> str:
        return self.url + "/api/temporal/hourly/point"

    @property
    def weight_asked(self) -> float:
        """Everything that was counted against the limits, failures included."""
        return sum(asked.weight for asked in self.asked)

    @property
    def data_end(self) -> datetime:
        """Until when the archive has data."""
        return (self.clock() - self.delay).replace(minute=0, second=0, microsecond=0)

    # ------------------------------------------------------------------ one request

    def answer(self, path: str, query: Mapping[str, str]) -> tuple[int, bytes, bool]:
        """Status, body, and whether to hang up in the middle of it."""
        weight = 0.0
        status, hang_up = 200, False
        if not self._busy.acquire(blocking=False):
            reason = "Too many concurrent requests"
            self.asked.append(Asked(path, dict(query), self.clock(), 1.0, 429))
            return 429, _error(reason), False
        try:
            weight = self._weight(path, query)
            if weight:
                self._count(weight)
            time.sleep(self.slow_s)
            fault = self._fault()
            document = self._document(path, query)
            body = json.dumps(document).encode()
            if fault == "cut short":
                body = body[: len(body) // 2]
            hang_up = fault == "hung up"
        except RefusalError as refusal:
            status, body = refusal.status, _error(refusal.reason)
        finally:
            self._busy.release()
        self.asked.append(Asked(path, dict(query), self.clock(), weight, status))
        return status, body, hang_up

    def _fault(self) -> str | None:
        if self.down:
            raise RefusalError(503, "The service is overloaded. Please try again later.")
        if self._dice.random() >= self.failing:
            return None
        fault = self._dice.choice(["overloaded", "broken", "cut short", "hung up"])
        if fault == "overloaded":
            raise RefusalError(503, "The service is overloaded. Please try again later.")
        if fault == "broken":
            raise RefusalError(500, "Internal server error")
        return fault

    def _weight(self, path: str, query: Mapping[str, str]) -> float:
        if path.endswith("meta.json") or path.startswith("/api/temporal"):
            return 0.0
        places = len(query.get("latitude", "0").split(","))
        variables = len(query.get("hourly", "").split(",")) / 10
        first, last = self._span(path, query)
        days = (last - first).days + 1
        return places * max(1.0, variables, days / 14 * variables)

    def _count(self, weight: float) -> None:
        now = self.clock()
        windows = {"Minutely": f"{now:%Y%m%d%H%M}", "Hourly": f"{now:%Y%m%d%H}", "Daily": f"{now:%Y%m%d}"}
        full = None
        for (name, window), limit in zip(windows.items(), self.limits, strict=True):
            self._spent[name, window] = self._spent.get((name, window), 0.0) + weight
            if self._spent[name, window] > limit:
                full = name
        if full:
            again = {"Minutely": "in one minute", "Hourly": "in the next hour", "Daily": "tomorrow"}[full]
            raise RefusalError(429, f"{full} API request limit exceeded. Please try again {again}.")

    def _span(self, path: str, query: Mapping[str, str]) -> tuple[date, date]:
        today = self.clock().date()
        try:
            if path == "/v1/forecast":
                past, ahead = int(query.get("past_days", "0")), int(query.get("forecast_days", "7"))
                if not 0 <= past <= 92:
                    raise RefusalError(400, f"Past days is invalid. Allowed range 0 to 92. Given {past}.")
                return today - DAY * past, today + DAY * (ahead - 1)
            return date.fromisoformat(query["start_date"]), date.fromisoformat(query["end_date"])
        except (KeyError, ValueError) as error:
            raise RefusalError(400, f"Invalid date ({error})") from error

    # ------------------------------------------------------------------ documents

    def _document(self, path: str, query: Mapping[str, str]) -> Any:
        if path == "/data/copernicus_era5/static/meta.json":
            return {"data_end_time": int(self.data_end.timestamp()), "temporal_resolution_seconds": 3600}
        if path in ("/v1/archive", "/v1/forecast"):
            latitudes, longitudes = query["latitude"].split(","), query["longitude"].split(",")
            answers = [
                self.spoil(self._place(path, query, float(latitude), float(longitude)))
                for latitude, longitude in zip(latitudes, longitudes, strict=True)
            ]
            return answers if len(answers) > 1 or self.as_list else answers[0]
        if path == "/api/temporal/hourly/point":
            return self.spoil(self._power(query))
        raise RefusalError(404, "Not Found")

    def _place(
        self, path: str, query: Mapping[str, str], latitude: float, longitude: float
    ) -> dict[str, Any]:
        first, last = self._span(path, query)
        today = self.clock().date()
        if last < first:
            raise RefusalError(400, "End-date must be larger or equals than start-date")
        if path == "/v1/archive" and (last > today or first < date(1940, 1, 1)):
            raise RefusalError(
                400, f"Parameter 'end_date' is out of allowed range from 1940-01-01 to {today}"
            )
        names = [name for name in query.get("hourly", "").split(",") if name]
        unknown = [name for name in names if name not in HOURLY]
        if unknown:
            raise RefusalError(
                400,
                f"Data corrupted at path ''. Cannot initialize from invalid String value {unknown[0]}.",
            )
        centre = (round(latitude * 4) / 4 + self.moved_deg, round(longitude * 4) / 4)
        zone = ZoneInfo("UTC" if query.get("timezone", "GMT") in ("GMT", "UTC") else query["timezone"])
        # One offset for the whole span, as the service does: wrong on the other side of a clock change.
        offset = datetime(today.year, today.month, today.day, 12, tzinfo=zone).utcoffset() or timedelta(0)
        begin = datetime(first.year, first.month, first.day, tzinfo=UTC) - offset
        labels = [begin + HOUR * n for n in range(((last - first).days + 1) * 24)]
        hours = [
            self._hour(path, query, centre[0] - self.moved_deg, centre[1], label - HOUR) for label in labels
        ]
        unix = query.get("timeformat") == "unixtime"
        units: dict[str, str] = {"time": "unixtime" if unix else "iso8601"}
        columns: dict[str, list[Any]] = {
            "time": [
                int(label.timestamp()) if unix else f"{label + offset:%Y-%m-%dT%H:%M}" for label in labels
            ]
        }
        for name in names:
            our, unit, decimals = HOURLY[name]
            scale = 1.0
            if name == "wind_speed_10m":
                unit, scale = ("m/s", 1.0) if query.get("wind_speed_unit") == "ms" else ("km/h", 3.6)
            if name == "surface_pressure":
                scale = 10.0
            if name == "precipitation_probability":
                scale = 100.0
            units[name] = unit
            columns[name] = [
                None if (value := hour[our]) is None else round(value * scale, decimals) for hour in hours
            ]
        return {
            "latitude": centre[0],
            "longitude": centre[1],
            "generationtime_ms": 0.4,
            "utc_offset_seconds": int(offset.total_seconds()),
            "timezone": query.get("timezone", "GMT"),
            "timezone_abbreviation": "GMT",
            "elevation": 900.0,
            "hourly_units": units,
            "hourly": columns,
        }

    def _hour(
        self, path: str, query: Mapping[str, str], latitude: float, longitude: float, hour_start: datetime
    ) -> dict[str, float | None]:
        beyond = path == "/v1/archive" and hour_start + HOUR > self.data_end
        if beyond or (self.nulls is not None and self.nulls(latitude, longitude, hour_start)):
            return dict.fromkeys(MILD)
        values = {**MILD, **self.weather(latitude, longitude, hour_start)}
        if path == "/v1/archive" and query.get("models") != "era5" and values["rain_mm"] is not None:
            values["rain_mm"] *= 0.006  # the mixed default once gave 0.5 mm where 85.6 had fallen
        return values

    def _power(self, query: Mapping[str, str]) -> dict[str, Any]:
        try:
            latitude, longitude = float(query["latitude"]), float(query["longitude"])
            first = datetime.strptime(query["start"], "%Y%m%d").replace(tzinfo=UTC)
            last = datetime.strptime(query["end"], "%Y%m%d").replace(tzinfo=UTC)
            names = query["parameters"].split(",")
        except (KeyError, ValueError) as error:
            raise RefusalError(422, f"Please check your request: {error}") from error
        # Local solar time unless asked otherwise
        solar = (
            timedelta(0) if query.get("time-standard") == "UTC" else timedelta(hours=round(longitude / 15))
        )
        stamps = [first + HOUR * n for n in range(((last - first).days + 1) * 24)]
        columns: dict[str, dict[str, float]] = {name: {} for name in names}
        for stamp in stamps:
            hour_start = stamp - solar
            late = hour_start + HOUR > self.clock() - timedelta(days=7)
            null = late or (self.nulls is not None and self.nulls(latitude, longitude, hour_start))
            values = {**MILD, **self.weather(latitude, longitude, hour_start)}
            for name in names:
                our, _, scale = POWER[name]
                value = values[our]
                columns[name][f"{stamp:%Y%m%d%H}"] = (
                    -999.0 if null or value is None else round(value * scale, 4)
                )
        return {
            "type": "Feature",
            "geometry": {"type": "Point", "coordinates": [longitude, latitude, 900.0]},
            "properties": {"parameter": columns},
            "header": {
                "title": "NASA/POWER Source Native Resolution Hourly Data",
                "fill_value": -999.0,
                "time_standard": "UTC" if query.get("time-standard") == "UTC" else "LST",
            },
            "messages": [],
            "parameters": {name: {"units": POWER[name][1], "longname": name} for name in names},
        }


def _as_function(weather: WeatherAt | Table | None) -> WeatherAt:
    if weather is None:
        return lambda latitude, longitude, at: {}
    if callable(weather):
        return weather
    table: Mapping[Any, Values] = weather
    return lambda latitude, longitude, at: table.get((latitude, longitude, at), table.get(at, {}))


def _error(reason: str) -> bytes:
    return json.dumps({"error": True, "reason": reason}).encode()


def _handler_of(server: ArchiveStandIn) -> type[BaseHTTPRequestHandler]:
    class Handler(BaseHTTPRequestHandler):
        protocol_version = "HTTP/1.1"
        wbufsize = -1  # head and body in one piece, or the client waits for its own acknowledgement
        disable_nagle_algorithm = True

        def do_GET(self) -> None:
            parts = urlsplit(self.path)
            query = {name: values[-1] for name, values in parse_qs(parts.query).items()}
            status, body, hang_up = server.answer(parts.path, query)
            self.send_response(status)
            self.send_header("Content-Type", "application/json; charset=utf-8")
            self.send_header("Content-Length", str(len(body)))
            with suppress(ConnectionError):  # who asked may have stopped listening
                self.end_headers()
                self.wfile.write(body[: len(body) // 2] if hang_up else body)
            self.close_connection = hang_up

        def log_message(self, *args: object) -> None:
            pass

    return Handler
