"""A rider's own table, in the shapes that spreadsheets write, held against rides."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path
from zoneinfo import ZoneInfo

import pytest

from ingest.errors import UnreadableFile
from rules.ledger import Ledger
from rules.vocabulary import BikeId, RideId
from services.use_cases.which_bike_from_table import Matched, around, matched, read_table
from tests.rules.notation import ledger_of

ZONE = ZoneInfo("America/La_Paz")  # four hours behind
RIDES = """
    rider Iva  zone America/La_Paz
    bike Plover  of Iva
    bike Night_Harrier  of Iva
    2025-06-04 22:00  rode  1 h  on Plover  dry
    2025-06-05 22:00  rode  1 h  on Plover  dry
    2025-06-06 22:00  rode  1 h  on Plover  dry
    2025-06-07 12:00  rode  1 h  on Plover  dry
    2025-06-07 22:00  rode  1 h  on Plover  dry
"""


def ledger() -> Ledger:
    """Rides at 18:00 by the rider's clock, and two on the last day."""
    written = ledger_of(RIDES)
    bikes = (written.bikes[0], replace(written.bikes[1], name="Night Harrier"))
    return replace(written, bikes=bikes)


def held(tmp_path: Path, text: str | bytes, when: str = "Date", which: str = "Bicycle") -> Matched:
    file = tmp_path / "rides.csv"
    file.write_bytes(text if isinstance(text, bytes) else text.encode())
    rows, every = read_table(file, time_column=when, bike_column=which, zone=ZONE), ledger()
    span = around(rows, ZONE)
    near = [one for one in every.rides if span is not None and span[0] <= one.started_at < span[1]]
    found = matched(replace(every, rides=tuple(near)), rows, ZONE)
    assert found == matched(every, rows, ZONE)  # no ride that is meant was left out
    return found


@pytest.mark.parametrize(
    "text",
    [
        "Date,Bicycle\n2025-06-04 18:05,plover\n2025-06-05 18:00:30,Night  Harrier\n",
        "\ufeffBicycle;Km;Date\nPlover;12,5;04.06.2025 18:20\nnight harrier;9;5.6.2025 18:00\n",
        "Date\tBicycle\n2025-06-04T22:05:00Z\tPlover\n05/06/2025\tNight Harrier\n",
        "Date|Bicycle\r\n2025-06-04|Plover\r\n2025/06/05|Night Harrier\r\n",
        "Date,Bicycle\r2025-06-04,Plover\r2025/06/05,Night Harrier\r",
        "Date\tBicycle\n2025-06-04\tPlover\n2025-06-05\tNight Harrier\n".encode("utf-16"),
        "Date,Bicycle,Note\n2025-06-04,Plover,'\n,'\n2025-06-05,Night Harrier," + "'\n,'" * 5_000,
    ],
)
def test_the_usual_shapes_of_a_table_are_read(tmp_path: Path, text: str | bytes) -> None:
    found = held(tmp_path, text)

    assert found.answers == ((RideId(1), BikeId(1)), (RideId(2), BikeId(2)))
    assert "1 on Plover and 1 on Night Harrier" in found.sentences[0]


def test_columns_may_be_named_by_number_and_other_letters_survive(tmp_path: Path) -> None:
    text = "Día,Qué\n2025-06-04 18:05,Plover\n2025-06-05 18:05,Vélo\n".encode("latin-1")
    found = held(tmp_path, text, "1", "qué")

    assert found.answers == ((RideId(1), BikeId(1)),)
    assert found.sentences[1] == "1 rows name no bike of yours: “Vélo”."


def test_what_cannot_be_held_against_a_ride_is_told_and_left_out(tmp_path: Path) -> None:
    found = held(
        tmp_path,
        "Date,Bicycle\n"
        "2025-06-04 18:05,Plover\n2025-06-04 18:10,Night Harrier\n"  # one ride on two bikes
        "2025-06-05 18:05,none\n"
        "2025-06-07,Plover\n"  # two rides that day
        "2025-07-01 10:00,Plover\nsome day,Plover\n2025-13-45,Plover\n\n",
    )

    assert found.answers == ((RideId(2), None),)
    assert found.sentences == (
        "1 of 7 rows name a ride and its bike: 1 on none of ours.",
        "2 rows have no time that can be read, such as 2026-05-01 18:00 or 01.05.2026 (rows 7, 8).",
        "1 rows match no ride here (row 6).",
        "1 rows name a day with several rides, and no time (row 5).",
        "1 rides are put on two bikes, and were left out: ride 1.",
    )


@pytest.mark.parametrize(
    ("content", "why"),
    [
        (b"", "holds no rows"),
        (b"PK\x03\x04 a spreadsheet", "is a spreadsheet"),
        (b"When,Bike\n2025-06-04,Plover\n", "has no column"),
    ],
)
def test_what_is_no_table_is_refused_with_what_to_do(tmp_path: Path, content: bytes, why: str) -> None:
    with pytest.raises(UnreadableFile, match=why):
        held(tmp_path, content)
    with pytest.raises(UnreadableFile, match="cannot be read"):
        read_table(tmp_path / "none.csv", time_column="1", bike_column="2", zone=ZONE)


def test_only_rides_about_the_days_of_the_table_are_read(tmp_path: Path) -> None:
    file = tmp_path / "rides.csv"
    file.write_text(
        "Date,Bicycle\n0001-01-01,Plover\n2025-06-05 18:00,Plover\n9999-12-31,Plover\nsoon,Plover\n"
    )
    rows = read_table(file, time_column="Date", bike_column="Bicycle", zone=ZONE)
    first, last = around(rows, ZONE) or (None, None)
    assert first == datetime(2025, 5, 21, 22, tzinfo=UTC)
    assert last == datetime(2025, 6, 7, 22, tzinfo=UTC)
    assert around(rows[:1], ZONE) is None
