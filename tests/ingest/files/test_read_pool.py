"""Many files are read in other processes; what happens to these loses no file."""

from __future__ import annotations

import os
import signal
import time
from concurrent.futures import ProcessPoolExecutor
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest

from fixtures.fit_writer import fit_bytes
from ingest.files import read_pool
from ingest.files.read_pool import ToRead, read_all
from tests.straight_ride import straight_ride

NOON = datetime(2025, 6, 4, 12, tzinfo=UTC)
PATIENCE_S = 30.0


def test_a_reader_killed_between_two_files_loses_none_and_repeats_none(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """More files than are held at a time: the next are submitted to a pool that is broken already."""
    pools: list[ProcessPoolExecutor] = []

    def kept(workers: int) -> ProcessPoolExecutor:
        pools.append(made(workers))
        return pools[-1]

    made = read_pool._processes
    monkeypatch.setattr(read_pool, "_processes", kept)
    monkeypatch.setattr(os, "cpu_count", lambda: 1)
    content = fit_bytes(straight_ride(NOON, 60))
    paths = [tmp_path / f"{number:02}.fit" for number in range(14)]
    for path in paths:
        path.write_bytes(content)

    reading = read_all([ToRead(path, None) for path in paths], NOON + timedelta(days=1))
    found = [next(reading)]
    for process in list(pools[0]._processes.values()):
        os.kill(process.pid or 0, signal.SIGKILL)
    give_up = time.monotonic() + PATIENCE_S
    while not pools[0]._broken and time.monotonic() < give_up:
        time.sleep(0.01)
    assert pools[0]._broken
    found += reading

    assert [one.asked.path for one in found] == paths
    assert all(member.summary is not None for one in found for member in one.members)


@pytest.mark.parametrize(("failing", "files", "read"), [(1, 2, 2), (2, 1, 0)])
def test_where_no_reader_can_be_started_a_file_is_read_alone_or_waits(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, failing: int, files: int, read: int
) -> None:
    """What readers are forked from is killed while one is being started: a pipe has ended, says Python."""
    really = ProcessPoolExecutor.submit
    tried: list[object] = []

    def submit(pool: ProcessPoolExecutor, *args: object) -> object:
        tried.append(args)
        if len(tried) <= failing:
            raise EOFError("unexpected EOF")
        return really(pool, *args)  # type: ignore[arg-type]

    monkeypatch.setattr(ProcessPoolExecutor, "submit", submit)
    monkeypatch.setattr(os, "cpu_count", lambda: 1)
    paths = [tmp_path / f"{number}.fit" for number in range(2)]
    for path in paths:
        path.write_bytes(fit_bytes(straight_ride(NOON, 60)))

    found = list(read_all([ToRead(path, None) for path in paths[:files]], NOON + timedelta(days=1)))

    assert sum(one.members[0].summary is not None for one in found) == read
    assert all(one.members[0].summary is not None or one.members[0].waits for one in found)
