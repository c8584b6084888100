"""The columns read what fitdecode reads: real files, random structures, damaged files."""

from __future__ import annotations

from pathlib import Path

from ingest.errors import NotARide
from tests.ingest.fuzz import fit_differences
from tests.ingest.fuzz.compare_readers import run
from tests.ingest.recordings import corpus
from tests.read_one import read


def test_real_files_read_as_fitdecode_reads_them() -> None:
    compared = 0
    for path in corpus("fit"):
        comparison = fit_differences.compare(path.read_bytes())
        assert (path.name, comparison.differences) == (path.name, [])
        compared += comparison.rows
    assert compared > 50_000


def test_real_rides_are_read_in_columns() -> None:
    for path in corpus("fit"):
        try:
            found = read(path.read_bytes(), path.name)
        except NotARide:
            assert "run" in path.name
            continue
        assert found.reader == "fit columns"
        assert bool(found.damage) == ("truncated" in path.name)


def shifting_ride() -> Path:
    return next(path for path in corpus("fit") if "shifting" in path.name)


def test_a_real_ride_has_its_shifter_and_its_shifts() -> None:
    found = read(shifting_ride().read_bytes(), "ride.fit")

    assert len(found) == 7_251
    assert len(found.gear_changes) > 300
    assert {sensor.kind: sensor.battery for sensor in found.sensors}["shifter"] == "new"


def test_random_structures_and_damaged_files_read_as_fitdecode_reads_them() -> None:
    """Some of the inputs that `python -m tests.ingest.fuzz.compare_readers` tries by the thousand."""
    outcomes, rows, differences = run("fit", 400, seed=7)

    assert differences == []
    assert outcomes["structure: equal"] > 150
    assert rows > 4000
