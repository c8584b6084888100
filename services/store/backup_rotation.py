"""Which copies of the ledger are kept: the newest of so many days, weeks and months."""

from __future__ import annotations

import re
from collections.abc import Iterable
from datetime import UTC, datetime
from pathlib import Path
from typing import Final

DAYS, WEEKS, MONTHS = 7, 4, 12  # how many copies of each are kept; common practice, no source
STAMP: Final = "%Y%m%dT%H%M%SZ"
_NAME = re.compile(r"gritledger-(\d{8}T\d{6}Z)\.db\.gz")


def copies_in(folder: Path) -> list[tuple[datetime, Path]]:
    """The copies in a folder, oldest first, by the time in their names."""
    named = ((_NAME.fullmatch(path.name), path) for path in folder.glob("gritledger-*.db.gz"))
    return sorted(
        (datetime.strptime(name[1], STAMP).replace(tzinfo=UTC), path) for name, path in named if name
    )


def wanted(times: Iterable[datetime]) -> set[datetime]:
    """Which copies are kept: the newest of each of the last days, weeks and months that have one."""
    newest_first = sorted(times, reverse=True)
    kept: set[datetime] = set()
    for period, count in (("%Y-%m-%d", DAYS), ("%G-%V", WEEKS), ("%Y-%m", MONTHS)):
        newest: dict[str, datetime] = {}
        for at in newest_first:
            newest.setdefault(at.strftime(period), at)
        kept |= set(list(newest.values())[:count])
    return kept


def no_longer_wanted(folder: Path) -> list[Path]:
    """The copies in a folder that are not kept, oldest first."""
    copies = copies_in(folder)
    kept = wanted(at for at, _ in copies)
    return [path for at, path in copies if at not in kept]
