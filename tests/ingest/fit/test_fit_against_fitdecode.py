"""The columns read what fitdecode reads: real files, random structures, damaged files."""

from __future__ import annotations

from pathlib import Path

from hypothesis import given
from hypothesis import strategies as st

from ingest.errors import NotARide
from ingest.fit.walk import walk_messages
from tests.ingest.fit import fit_messages as fit
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
    outcomes, rows, differences = run("fit", 150, seed=7)

    assert differences == []
    assert outcomes["structure: equal"] > 50
    assert rows > 1400


RECORD_SIZE = len(fit.message(0, fit.RECORD_PATTERN, 0, 0, 0, 0))


def _record(local: int, second: int) -> bytes:
    return fit.message(
        local, fit.RECORD_PATTERN, fit.FIRST_S + second, fit.PLACE[0] + second, fit.PLACE[1], 90
    )


def _compressed(local: int, second: int) -> bytes:
    return fit.compressed(local, fit.FIRST_S + second, "IiiB", fit.FIRST_S, fit.PLACE[0], second, 90)


def test_runs_of_messages_are_walked_at_once() -> None:
    data = fit.activity(fit.records(5_000))

    found = walk_messages(data, 14, len(data) - 2, "ride.fit").messages
    (records,) = [messages for messages in found if messages.layout.number == fit.RECORD]

    assert len(records.offsets) < 20
    assert len(records) == 5_000
    assert fit_differences.compare(data).differences == []


@given(
    st.lists(
        st.tuples(
            st.sampled_from(["records", "compressed", "again", "other", "shorter"]), st.integers(0, 90)
        ),
        max_size=12,
    ),
    st.integers(0, RECORD_SIZE * 3),
)
def test_runs_end_where_anything_else_begins(parts: list[tuple[str, int]], cut: int) -> None:
    """Whatever lies between runs of like messages, and wherever the last one is cut."""
    whole = fit.definition(0, fit.RECORD, fit.RECORD_FIELDS)
    shorter = fit.definition(0, fit.RECORD, fit.RECORD_FIELDS[:1])
    messages = whole
    for kind, count in parts:
        if kind == "again":
            messages += whole
        elif kind == "other":
            messages += fit.definition(3, 0xFF00, ((0, 2, fit.UINT16),)) + fit.message(3, "H", 7)
        elif kind == "shorter":
            messages += shorter + b"".join(fit.message(0, "I", fit.FIRST_S + n) for n in range(count)) + whole
        else:
            make = _record if kind == "records" else _compressed
            messages += b"".join(make(0, second) for second in range(count))
    data = fit.activity(messages)
    data = data[: len(data) - cut]

    assert fit_differences.compare(data).differences == []
