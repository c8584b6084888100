"""Fetches the weather of some ride years and appends each block to a file as it comes: something to kill.

python -m tests.fetch_to_file ARCHIVE_URL FILE RIDES YEARS
"""

from __future__ import annotations

import json
import sys
import time
from collections.abc import Iterable
from dataclasses import replace
from datetime import UTC, date, datetime
from pathlib import Path

from ingest.ground.conditions import needed
from ingest.weather.hourly import Cell, HourlyWeather, Span
from ingest.weather.open_meteo import OpenMeteoArchive
from ingest.weather.pacing import Delivery, deliveries, missing
from rules.vocabulary import Tier
from tests.ride_years import ride_years

NOW = datetime(2025, 7, 10, 12, tzinfo=UTC)
REACH = (date(1940, 1, 1), date(2025, 7, 4))


def invented_weather(latitude_deg: float, longitude_deg: float, at: datetime) -> dict[str, float | None]:
    """A storm on some afternoons, different in every cell; the rest dry, with day and night."""
    day = at.toordinal()
    stormy = (day * 7 + round(latitude_deg * 4) * 13 + round(longitude_deg * 4) * 29) % 9 == 0
    sun = max(0.0, 1 - abs(at.hour - 11) / 6)
    return {
        "rain_mm": [4.2, 1.1, 0.3][at.hour - 5] if stormy and 5 <= at.hour <= 7 else 0.0,
        "et0_mm": round(0.55 * sun, 2),
        "shortwave_wm2": round(800 * sun),
        "temperature_c": 14 + 12 * sun,
    }


def plan(rides: int, years: int, held: Iterable[Span]) -> tuple[Span, ...]:
    """The blocks that these rides still need."""
    hours = [hour for ride in ride_years(rides, years) for hour in ride]
    return missing(needed(hours, OpenMeteoArchive()), held, reach=REACH)


def kept(file: Path) -> list[Delivery]:
    """What a run has kept so far: whole lines only."""
    lines = file.read_text().split("\n")[:-1] if file.exists() else []
    return [_delivery(json.loads(line)) for line in lines]


def line_of(delivery: Delivery) -> str:
    """One block as a line."""
    block = delivery.block
    head = [block.cell.latitude_deg, block.cell.longitude_deg, str(block.first), str(block.last)]
    return (
        json.dumps([head, [[h.hour_start.isoformat(), h.rain_mm, h.et0_mm] for h in delivery.hours]]) + "\n"
    )


def _delivery(line: list[list[object]]) -> Delivery:
    latitude, longitude, first, last = line[0]
    cell = Cell(float(str(latitude)), float(str(longitude)))
    blank = HourlyWeather(
        cell, NOW, "open-meteo archive", "era5", Tier.FINAL, NOW, None, None, 20, 40, 3, 0, 0.1, None
    )
    hours = tuple(
        replace(blank, hour_start=datetime.fromisoformat(at), rain_mm=rain, et0_mm=et0)
        for at, rain, et0 in line[1]
    )
    return Delivery(
        Span(cell, date.fromisoformat(str(first)), date.fromisoformat(str(last))), hours, None, 0, 0
    )


def main() -> None:
    """Runs until done."""
    url, file, rides, years = sys.argv[1], Path(sys.argv[2]), int(sys.argv[3]), int(sys.argv[4])
    blocks = plan(rides, years, [delivery.block for delivery in kept(file)])
    if file.exists():  # a line that a kill cut short is no line to go on writing behind
        written = file.read_bytes()
        file.write_bytes(written[: written.rfind(b"\n") + 1])
    with file.open("a") as out:
        for delivery in deliveries(
            OpenMeteoArchive(url), blocks, clock=lambda: datetime.now(UTC), sleep=time.sleep
        ):
            out.write(line_of(delivery))
            out.flush()


if __name__ == "__main__":
    main()
