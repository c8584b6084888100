"""Choosing the reader by content, and the promise that only one kind of error comes out."""

from __future__ import annotations

import subprocess
import sys

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from fixtures.fit_writer import fit_bytes
from fixtures.gpx_writer import gpx_bytes
from ingest.errors import NotARide, UnreadableFile
from ingest.files import reader
from ingest.ride.recording import Recording
from tests.ingest.fuzz.fuzz_readers import fuzz
from tests.ingest.recordings import ride
from tests.read_one import read


@pytest.mark.parametrize("name", ["ride.fit", "ride.gpx", "ride", "x.zip", "ride.txt"])
def test_the_content_decides_not_the_name(name: str) -> None:
    assert read(fit_bytes(ride(20)), name).reader == "fit columns"
    assert read(gpx_bytes(ride(20)), name).reader == "gpx stream"


@pytest.mark.parametrize(
    ("data", "why"),
    [
        (b"", "is empty"),
        (b"hello", "is neither FIT nor GPX"),
        (b"\0" * 100, "is neither FIT nor GPX"),
        (b"PK\x03\x04" + b"\0" * 100, "is neither FIT nor GPX"),
        (b"\x89PNG\r\n\x1a\n", "is neither FIT nor GPX"),
        (b'{"type": "ride"}', "is neither FIT nor GPX"),
    ],
)
def test_anything_else_is_refused_with_what_to_do(data: bytes, why: str) -> None:
    with pytest.raises(UnreadableFile) as raised:
        read(data, "thing.fit")

    assert not isinstance(raised.value, NotARide)
    assert (raised.value.path, raised.value.why) == ("thing.fit", why)
    assert raised.value.try_this == "export the ride as FIT or GPX"


def test_a_fit_file_larger_than_any_ride_is_refused() -> None:
    data = fit_bytes(ride(20)) + b"\0" * reader.LARGEST_FIT_BYTES

    with pytest.raises(UnreadableFile, match="has 32 MB, more than the 32 MB that a ride may have"):
        read(data, "big.fit")


def test_a_fault_in_both_readers_is_still_one_error(monkeypatch: pytest.MonkeyPatch) -> None:
    def fail(*_: object) -> None:
        raise ZeroDivisionError

    for module in ("fast_reader", "reference"):
        monkeypatch.setattr(f"ingest.fit.{module}.fit_contents", fail)
    for module in ("stream", "reference"):
        monkeypatch.setattr(f"ingest.gpx.{module}.gpx_contents", fail)

    for data in (fit_bytes(ride(20)), gpx_bytes(ride(20))):
        with pytest.raises(UnreadableFile, match=r"cannot be understood \(ZeroDivisionError\)"):
            read(data, "ride")


def test_a_fault_in_the_stream_is_caught_by_gpxpy(monkeypatch: pytest.MonkeyPatch) -> None:
    data = gpx_bytes(ride(20))
    streamed = read(data, "ride.gpx")

    def fail(*_: object) -> None:
        raise IndexError

    monkeypatch.setattr("ingest.gpx.stream.gpx_contents", fail)
    found = read(data, "ride.gpx")

    assert found.reader == "gpxpy"
    assert np.array_equal(found.power_w, streamed.power_w, equal_nan=True)
    assert (found.title, found.sport, found.device) == (streamed.title, streamed.sport, streamed.device)


def test_numpy_waits_until_there_is_a_file_to_read() -> None:
    """Importing numpy takes longer than reading a ride; a command that reads none shall not pay for it."""
    code = "import sys, ingest.files.reader; print('numpy' in sys.modules, 'fitdecode' in sys.modules)"

    printed = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True).stdout

    assert printed.split() == ["False", "False"]


@given(st.binary(max_size=300), st.sampled_from(["", ".FIT", "<gpx", '<?xml version="1.0"?><gpx>']))
def test_no_bytes_raise_anything_else(data: bytes, mark: str) -> None:
    whole = data[:8] + b".FIT" + data[8:] if mark == ".FIT" else mark.encode() + data
    found: Recording | UnreadableFile
    try:
        found = read(whole, "x")
    except UnreadableFile as refused:
        found = refused
    if isinstance(found, UnreadableFile):
        assert (found.path, bool(found.why), bool(found.try_this)) == ("x", True, True)
    else:
        assert found.reader


def test_damaged_files_raise_nothing_else() -> None:
    """Some of the inputs that `python -m tests.ingest.fuzz.fuzz_readers` tries by the hundred thousand."""
    tally = fuzz(500, seed=11)

    assert tally.faults == []
    assert tally.slowest_s < 2
    assert tally.read > 70
    assert tally.refused > 15
