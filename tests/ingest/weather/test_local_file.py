"""A CSV of one's own as the weather archive."""

from __future__ import annotations

import os
from datetime import UTC, date, datetime
from pathlib import Path

import pytest

from ingest.weather.hourly import ArchiveUnavailable, Cell
from ingest.weather.local_file import LocalFile
from rules.vocabulary import Tier

EXAMPLES = Path(__file__).parents[3] / "fixtures" / "weather"
NOW = datetime(2025, 3, 1, tzinfo=UTC)
DAY = date(2025, 2, 14)
GOOD = "latitude_deg,longitude_deg,hour_start_utc,rain_mm\n"


def test_a_full_record_is_read_by_its_columns_names():
    station = LocalFile(EXAMPLES / "station.csv")
    cell = station.cell_of(-23.44, 16.55)
    assert cell == Cell(-23.5, 16.5)
    hours = {hour.hour_start.hour: hour for hour in station.fetch(cell, DAY, DAY, now=NOW)}
    assert len(hours) == 24
    storm = hours[15]
    assert (storm.rain_mm, storm.temperature_c, storm.humidity_pct) == (7.2, 17.9, 88)
    assert (storm.wind_10m_mps, storm.shortwave_wm2, storm.pressure_kpa) == (6.2, 120, 83.2)
    assert (storm.soil_moisture_m3m3, storm.et0_mm, storm.snowfall_cm) == (0.083, 0.06, 0)
    assert (storm.source, storm.model, storm.tier) == ("local file", "station.csv", Tier.FINAL)


def test_an_empty_field_and_a_missing_hour_are_unknown_never_dry():
    station = LocalFile(EXAMPLES / "station.csv")
    hours = {hour.hour_start.hour: hour for hour in station.fetch(Cell(-23.5, 16.5), DAY, DAY, now=NOW)}
    assert hours[16].rain_mm is None
    assert hours[16].temperature_c == 17.1
    assert hours[3].rain_mm is None


def test_a_rain_gauge_alone_with_offsets_of_its_own_will_do():
    gauge = LocalFile(EXAMPLES / "rain_gauge.csv")
    hours = gauge.fetch(gauge.cell_of(-23.4, 16.6), DAY, DAY, now=NOW)
    assert [(h.hour_start.hour, h.rain_mm) for h in hours if h.rain_mm is not None] == [
        (14, 0.0),
        (15, 6.6),
        (16, 3.0),
    ]


def test_a_place_far_from_every_station_is_not_in_the_file():
    station = LocalFile(EXAMPLES / "station.csv")
    near, far = station.cell_of(-23.75, 16.6), station.cell_of(-24.2, 16.5)
    assert near == Cell(-23.5, 16.5)
    assert far == Cell(-24.25, 16.5)
    assert {hour.rain_mm for hour in station.fetch(far, DAY, DAY, now=NOW)} == {None}


def test_hours_still_to_come_are_left_out():
    station = LocalFile(EXAMPLES / "station.csv")
    now = datetime(2025, 2, 14, 16, 30, tzinfo=UTC)
    hours = station.fetch(Cell(-23.5, 16.5), DAY, DAY, now=now)
    assert hours[-1].hour_start == datetime(2025, 2, 14, 15, tzinfo=UTC)
    assert station.reach(now=now) == (DAY, DAY)


def test_a_changed_file_is_read_again(tmp_path):
    path = tmp_path / "mine.csv"
    path.write_text(GOOD + "1,2,2025-02-14T15:00:00Z,1.0\n")
    mine = LocalFile(path)
    assert mine.fetch(Cell(1, 2), DAY, DAY, now=NOW)[15].rain_mm == 1.0
    path.write_text(GOOD + "1,2,2025-02-14T15:00:00Z,25.0\n")
    os.utime(path, (1, 1))
    assert mine.fetch(Cell(1, 2), DAY, DAY, now=NOW)[15].rain_mm == 25.0


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("", "line 1: the column latitude_deg is missing"),
        (GOOD.replace("rain_mm", "rain_inches"), "line 1: the column rain_mm is missing"),
        (GOOD.strip() + ",gusts\n", "line 1: the column 'gusts' is not known"),
        (GOOD.strip() + ",rain_mm\n", "line 1: a column is named twice"),
        (GOOD, "has no hours"),
        (GOOD + "1,2,2025-02-14T15:00:00Z\n", "line 2: has 3 fields"),
        (GOOD + "1,2,yesterday,1\n", "line 2: 'yesterday' is no time"),
        (GOOD + "1,2,2025-02-14T15:00:00,1\n", "line 2: '2025-02-14T15:00:00' has no time zone"),
        (GOOD + "1,2,0001-01-01T00:00:00+14:00,1\n", "is before or after all years"),
        (GOOD + "1,2,2025-02-14T15:30:00Z,1\n", "is not on the hour"),
        (GOOD + "1,2,2025-02-14T15:00:00Z,wet\n", "rain_mm 'wet' is no number"),
        (GOOD + "1,2,2025-02-14T15:00:00Z,-4\n", "rain_mm is -4"),
        (GOOD + "1,2,2025-02-14T15:00:00Z,nan\n", "rain_mm is nan"),
        (GOOD + "91,2,2025-02-14T15:00:00Z,1\n", "latitude_deg 91 is not on the globe"),
        (GOOD + "north,2,2025-02-14T15:00:00Z,1\n", "latitude_deg 'north' is no number"),
        (GOOD + "1,2,2025-02-14T15:00:00Z,1\n" * 2, "line 3: this cell has 2025-02-14 15:00 twice"),
    ],
)
def test_a_fault_is_told_with_its_line(tmp_path, text, words):
    path = tmp_path / "weather.csv"
    path.write_text(text)
    with pytest.raises(ArchiveUnavailable) as fault:
        LocalFile(path).cell_of(1, 2)
    assert words in str(fault.value)
    assert "weather.csv" in str(fault.value)


def test_a_file_that_is_not_there_or_no_text_is_told(tmp_path):
    with pytest.raises(ArchiveUnavailable, match=r"gone\.csv: cannot be read"):
        LocalFile(tmp_path / "gone.csv").reach(now=NOW)
    (tmp_path / "photo.csv").write_bytes(b"\xff\xd8\xff\xe0" * 9)
    with pytest.raises(ArchiveUnavailable, match="is no CSV text in UTF-8"):
        LocalFile(tmp_path / "photo.csv").reach(now=NOW)


def test_a_byte_order_mark_and_blank_lines_do_no_harm(tmp_path):
    path = tmp_path / "weather.csv"
    path.write_text("\ufeff" + GOOD + "\n1,2,2025-02-14T15:00:00Z,1.5\n\n", encoding="utf-8")
    assert LocalFile(path).fetch(Cell(1, 2), DAY, DAY, now=NOW)[15].rain_mm == 1.5
