"""Stand-ins for the reader of a file, each in trouble of its own.

A module of their own: it is loaded anew in every process that reads, and a test's module would bring along
all that its tests need.
"""

from __future__ import annotations

import os
import signal
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from datetime import datetime
from pathlib import Path

from ingest.errors import UnreadableFile
from ingest.files import read_pool, time_and_memory
from ingest.files.read_pool import ReadFile, ToRead

READ_ONE = read_pool._read_one


def dies_on_a_named_file(file: ToRead, now: datetime) -> ReadFile:
    """Whoever reads this file is ended by the system."""
    if "poison" in file.path.name:
        os.kill(os.getpid(), signal.SIGKILL)
    return READ_ONE(file, now)


def waits_on_a_named_file(file: ToRead, now: datetime) -> ReadFile:
    """The disk under this file does not answer."""
    if "stuck" in file.path.name:
        time.sleep(600)
    return READ_ONE(file, now)


def reads_with_a_tenth_of_the_time(file: ToRead, now: datetime) -> ReadFile:
    """Whatever machine this is, the slow file is too slow."""
    time_and_memory.BASE_CPU_S, time_and_memory.CPU_S_PER_MB = 0.1, 0.1  # type: ignore[misc]
    return READ_ONE(file, now)


def reads_where_archives_vanish(file: ToRead, now: datetime) -> ReadFile:
    """A damaged archive is gone when it is looked at again."""

    def vanishing(path: Path, name: str, **_: object) -> object:
        if path.suffix == ".gz":
            path.unlink()
            raise UnreadableFile(name, "is damaged", "copy it again")
        return members(path, name)

    members = read_pool.members
    with _opening_by(vanishing):
        return READ_ONE(file, now)


def may_not_read(file: ToRead, now: datetime) -> ReadFile:
    """It has no right to any file."""

    def refused(path: Path, name: str, **_: object) -> object:
        raise PermissionError(13, "Permission denied")

    with _opening_by(refused):
        return READ_ONE(file, now)


@contextmanager
def _opening_by(way: Callable[..., object]) -> Iterator[None]:
    members, read_pool.members = read_pool.members, way  # type: ignore[assignment]
    try:
        yield
    finally:
        read_pool.members = members
