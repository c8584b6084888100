"""Which files in a watched folder have settled, so that nobody is still writing them."""

from __future__ import annotations

import os
import re
import stat
import time
from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass, replace
from datetime import datetime, timedelta
from pathlib import Path

from ingest.errors import UnreadableFile

# An empty file is a name kept for something to come; one that stays empty is handed over, and refused.
EMPTY_QUIET_S = 600.0
AGAIN_AFTER = timedelta(minutes=5)  # until a file that could not be read is tried again; then twice as long
LONGEST_WAIT = timedelta(hours=6)
DEEPEST = 32  # folders inside folders
STILL_NS = 2_000_000_000  # a folder changed so lately may be changed again and show the same time

# What browsers, editors, sync tools and systems leave behind. Common practice, no source.
_PASSING_NAME = re.compile(
    r"""^\. | ^~ | ~$ | ^\#.*\#$
    | \.(tmp|temp|part|partial|crdownload|download|opdownload|filepart|swp|swx|lock|lck|icloud|!sync|syncing)$
    | ^(thumbs\.db|ehthumbs\.db|desktop\.ini|icon\r|__macosx|lost\+found|system\ volume\ information
        |\$recycle\.bin|recycler|@eadir|\#recycle|\#snapshot)$""",
    re.IGNORECASE | re.VERBOSE,
)


@dataclass(frozen=True, slots=True)
class Seen:
    """One regular file as a scan saw it."""

    size: int
    modified_ns: int


@dataclass(frozen=True, slots=True)
class FileState:
    """What is remembered of a file between scans."""

    seen: Seen
    since: datetime  # first seen exactly like this
    handed_over: bool = False
    again_at: datetime | None = None  # not to be handed over before: it could not be read the last time
    waits_because: str = ""  # what was said of that, so that it is said once
    tried: int = 0  # how often it could not be read

    @property
    def settles(self) -> bool:
        """Whether it is looked at again as soon as it has been still, not at the next tick."""
        return not self.handed_over and self.again_at is None


@dataclass(frozen=True, slots=True)
class FoundFile:
    """A file that has settled and was not handed over before in this form."""

    path: Path
    size: int
    modified_ns: int


def is_passing(name: str) -> bool:
    """Whether a file or folder of this name is hidden, temporary, half loaded or a tool's own."""
    return bool(_PASSING_NAME.search(name))


def settled(
    folder: Path,
    previous: Mapping[Path, FileState],
    *,
    now: datetime,
    quiet_s: float,
    on_trouble: Callable[[UnreadableFile], None] | None = None,
    places: dict[str, int] | None = None,
) -> tuple[list[FoundFile], dict[Path, FileState]]:
    """Scan the folder once, and say which files have settled since the scan before.

    Returns the files, oldest first, and what to pass as `previous` next time; start with an empty mapping.
    on_trouble: told of folders inside that cannot be read; the rest is scanned all the same.
    places: filled with the folders that were read, for `unchanged`.
    Raises UnreadableFile when the watched folder itself cannot be read.
    """
    return decide(scan(folder, on_trouble=on_trouble, places=places), previous, now=now, quiet_s=quiet_s)


def decide(
    listing: Mapping[Path, Seen],
    previous: Mapping[Path, FileState],
    *,
    now: datetime,
    quiet_s: float,
) -> tuple[list[FoundFile], dict[Path, FileState]]:
    """Which of the files in this listing have settled, and what to remember of each.

    Settled: the same size and time in this scan and the one before, and so for at least `quiet_s`. A file is
    handed over once in each form; what is gone is forgotten.
    """
    found: list[FoundFile] = []
    state: dict[Path, FileState] = {}
    for path, seen in listing.items():
        before = previous.get(path)
        if before is None or before.seen != seen or before.since > now:
            state[path] = FileState(seen, now)
            continue
        state[path] = before
        quiet = timedelta(seconds=quiet_s if seen.size else max(quiet_s, EMPTY_QUIET_S))
        # A clock that was far ahead when the file was put off must not hold it for longer than was meant.
        waits = before.again_at is not None and now < before.again_at <= now + LONGEST_WAIT
        if not before.handed_over and not waits and now - before.since >= quiet:
            state[path] = replace(before, handed_over=True)
            found.append(FoundFile(path, seen.size, seen.modified_ns))
    found.sort(key=lambda file: (file.modified_ns, str(file.path)))
    return found, state


def released(state: Mapping[Path, FileState], paths: Iterable[Path]) -> dict[Path, FileState]:
    """The state with these files to be handed over again: they could not be dealt with this time."""
    again = dict(state)
    for path in paths:
        if path in again:
            again[path] = replace(again[path], handed_over=False)
    return again


def put_off(
    state: Mapping[Path, FileState], because: Mapping[Path, str], *, now: datetime
) -> dict[Path, FileState]:
    """The state with these files to be handed over again a while later, and why they wait."""
    again = dict(state)
    for path, why in because.items():
        if path in again:
            tried = again[path].tried
            wait = min(AGAIN_AFTER * 2 ** min(tried, 10), LONGEST_WAIT)
            again[path] = replace(
                again[path], handed_over=False, again_at=now + wait, waits_because=why, tried=tried + 1
            )
    return again


def waits_ended(state: Mapping[Path, FileState]) -> dict[Path, FileState]:
    """The state with every wait over: what they waited for may have come."""
    return {path: replace(one, again_at=None, tried=0) for path, one in state.items()}


def unchanged(places: Mapping[str, int]) -> bool:
    """Whether nothing came to, left or was renamed in these folders since they were read.

    A file that was written to where it lies does not show; nor does it say so on its own.
    """
    try:
        return all(os.stat(place).st_mtime_ns == changed_ns for place, changed_ns in places.items())
    except OSError:
        return False


def scan(
    folder: Path,
    *,
    on_trouble: Callable[[UnreadableFile], None] | None = None,
    places: dict[str, int] | None = None,
) -> dict[Path, Seen]:
    """Every regular file in the folder and the folders inside it, but for passing names.

    Links are followed; a folder that is reached twice, or that contains itself by a link, is read once.
    places: filled with each folder that was read and when it last changed [ns]; -1 = not to be relied on.
    Raises UnreadableFile when the folder itself cannot be read.
    """
    places = {} if places is None else places
    begun_ns = time.time_ns()
    try:
        top = os.stat(folder)
        if not stat.S_ISDIR(top.st_mode):
            raise UnreadableFile(str(folder), "is a file, not a folder", "name a folder to watch")
        os.scandir(folder).close()
    except OSError as error:
        why = f"the watched folder cannot be read ({error.strerror})"
        raise UnreadableFile(str(folder), why, "create it, mount it, or name another folder") from error
    listing: dict[Path, Seen] = {}
    read = {(top.st_dev, top.st_ino)}
    waiting: list[tuple[str, int]] = [(str(folder), 0)]
    while waiting:
        place, depth = waiting.pop()
        if depth > DEEPEST:
            if on_trouble is not None:
                why = f"lies more than {DEEPEST} folders deep and is not looked into"
                on_trouble(UnreadableFile(place, why, "move it up"))
            continue
        places[place] = -1
        try:
            changed_ns = os.stat(place).st_mtime_ns
            with os.scandir(place) as entries:
                for entry in entries:
                    if not is_passing(entry.name):
                        _take(entry, depth, listing, read, waiting)
            if changed_ns < begun_ns - STILL_NS:
                places[place] = changed_ns
        except OSError as error:
            if on_trouble is not None:
                why = f"cannot be read ({error.strerror})"
                on_trouble(UnreadableFile(place, why, "check that you may read it"))
    return listing


def _take(
    entry: os.DirEntry[str],
    depth: int,
    listing: dict[Path, Seen],
    read: set[tuple[int, int]],
    waiting: list[tuple[str, int]],
) -> None:
    try:
        status = entry.stat()
    except OSError:  # gone since the listing, or a link to nowhere: no file to speak of
        return
    if stat.S_ISREG(status.st_mode):
        listing[Path(entry.path)] = Seen(status.st_size, status.st_mtime_ns)
    elif stat.S_ISDIR(status.st_mode):
        identity = (status.st_dev, status.st_ino)
        # Windows leaves both nought in a listing; there the depth alone ends a loop.
        if identity == (0, 0) or identity not in read:
            read.add(identity)
            waiting.append((entry.path, depth + 1))
