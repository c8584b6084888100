"""Files that come in through the page: kept piece by piece as they arrive, whole ones laid ready to be read.

What came only in part waits for the rest, so that an upload goes on where it was cut off. Nothing here is
larger in memory than one piece; names from outside are shown and kept, never followed.
"""

from __future__ import annotations

import filecmp
import hashlib
import os
import re
import shutil
import threading
import time
from dataclasses import dataclass
from pathlib import Path

from ingest.files.folder import is_passing
from services.store import FactRefused
from services.store.private_files import FOLDER

DROPPED_FOLDER = "dropped"  # in the home folder
LARGEST_FILE = 4 << 30  # bytes
LARGEST_PIECE = 4 << 20
LEFT_FREE_BYTES = (
    500 << 20
)  # on the disk: for the ledger, its journal, and a copy before a change of its tables
ARRIVING = ".arriving"  # a passing name: the watching leaves it alone
FORGOTTEN_AFTER_S = 7 * 86_400.0  # parts that nobody went on with


@dataclass(frozen=True, slots=True)
class Arriving:
    """A file as the browser describes it: the same three again, and it is the same file.

    name: with the folders it was dropped in.  size: bytes.  modified: as the browser says it, in any unit.
    """

    name: str
    size: int
    modified: str = ""

    @property
    def key(self) -> str:
        """Its name while it arrives."""
        return hashlib.sha256(f"{self.name}\n{self.size}\n{self.modified}".encode()).hexdigest()[:32]

    @property
    def own_name(self) -> str:
        """Its last part, as every file system takes it."""
        last = re.split(r"[/\\]", self.name)[-1]
        plain = "".join(c if c.isalnum() or c in " .,-_()+" else "_" for c in last).strip()
        stem, dot, ending = plain.rpartition(".")
        return f"{stem[:100]}{dot}{ending[:10]}" if dot else plain[:100] or "file"

    @property
    def is_ours(self) -> bool:
        """Whether it is worth reading: no hidden, half-loaded or system's own file, nor in such a folder."""
        return not any(is_passing(part) for part in re.split(r"[/\\]", self.name) if part)


class OutOfStep(Exception):  # noqa: N818 - it names the state, not a mistake
    """A piece begins elsewhere than the part that is here ends. have: where it ends. [bytes]"""

    def __init__(self, have: int) -> None:
        self.have = have
        super().__init__(f"{have} bytes are here")


class Tray:
    """Where dropped files arrive, and where they lie once they are whole."""

    def __init__(self, home: Path) -> None:
        self.folder = home / DROPPED_FOLDER
        self._arriving = self.folder / ARRIVING
        self._moving = threading.Lock()

    def have(self, file: Arriving) -> int:
        """How much of it is here. [bytes]"""
        try:
            return (self._arriving / file.key).stat().st_size
        except FileNotFoundError:
            return 0

    def take(self, file: Arriving, at: int, piece: bytes, *, whose: str) -> Path | None:
        """Keep one piece; returns where the file lies once it is whole.

        whose: the rider's name, for a folder of their own.
        Raises OutOfStep, FactRefused with what is too large or too full.
        """
        self.refuse(file.name, file.size)
        if len(piece) > LARGEST_PIECE or at + len(piece) > file.size:
            raise FactRefused(f"{file.own_name} is sent in pieces that do not fit it; drop it again.")
        have = self.have(file)
        if at != have:
            raise OutOfStep(have)
        self._make_room()
        part = self._arriving / file.key
        with part.open("ab") as out:
            out.write(piece)
        return self._whole(part, file, whose) if at + len(piece) == file.size else None

    def open_part(self) -> Path:
        """A part of a file whose size nobody told: to be written, and then `keep`ed or deleted."""
        self._make_room()
        self.refuse("the file", 0)
        return self._arriving / f"{os.urandom(16).hex()}.form"

    def keep(self, part: Path, name: str, *, whose: str) -> Path:
        """A part is whole: it lies ready to be read."""
        return self._whole(part, Arriving(name, part.stat().st_size), whose)

    def in_part(self) -> int:
        """How many files came only in part."""
        try:
            return sum(1 for one in self._arriving.iterdir() if one.is_file())
        except FileNotFoundError:
            return 0

    def throw_away_parts(self) -> int:
        """Delete what came only in part; returns how many files that were."""
        parts = [one for one in self._arriving.iterdir() if one.is_file()] if self._arriving.exists() else []
        for one in parts:
            one.unlink(missing_ok=True)
        return len(parts)

    def refuse(self, name: str, size: int) -> None:
        """Raises FactRefused for a file that is too large, or has grown so, or when the disk is full."""
        own = Arriving(name, size).own_name
        if size > LARGEST_FILE:
            raise FactRefused(f"{own} is larger than {LARGEST_FILE >> 30} GB; unpack it, and drop the parts.")
        self.folder.mkdir(mode=FOLDER, parents=True, exist_ok=True)
        if shutil.disk_usage(self.folder).free - size < LEFT_FREE_BYTES:
            raise FactRefused(f"The disk is too full for {own}; make room, and drop it again.")

    def _make_room(self) -> None:
        self._arriving.mkdir(mode=FOLDER, parents=True, exist_ok=True)
        for one in self._arriving.iterdir():
            try:
                if time.time() - one.stat().st_mtime > FORGOTTEN_AFTER_S:
                    one.unlink()
            except FileNotFoundError:  # another tab was quicker
                continue

    def _whole(self, part: Path, file: Arriving, whose: str) -> Path:
        """Lay it ready under its own name; the same bytes under the same name are there already."""
        folder = self.folder / (Arriving(whose, 0).own_name if whose else "")
        folder.mkdir(mode=FOLDER, parents=True, exist_ok=True)
        with self._moving:
            stem, dot, ending = file.own_name.rpartition(".")
            number = 1
            place = folder / file.own_name
            while place.exists():
                if filecmp.cmp(place, part, shallow=False):
                    part.unlink()
                    return place
                number += 1
                place = folder / (f"{stem} ({number}){dot}{ending}" if dot else f"{file.own_name} ({number})")
            os.replace(part, place)
        return place
