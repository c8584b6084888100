"""Files that were dropped on the page become rides in the background, while the page says how far it is."""

from __future__ import annotations

import threading
from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from datetime import datetime
from pathlib import Path
from typing import Any
from zipfile import BadZipFile, ZipFile

from ingest.files.read_pool import ToRead
from rules.vocabulary import RiderId
from services.app import App
from services.expected_errors import EXPECTED
from services.use_cases.import_rides import FileOutcome, Outcome, import_files
from services.views.file_summary import grouped

# One way to all of a kind, on the page of files.
TROUBLED = frozenset({Outcome.DAMAGED, Outcome.NOT_A_RIDE, Outcome.UNREADABLE, Outcome.TOO_MUCH})


@dataclass
class Reading:
    """One household's reading: what waits, what is being read, what became of it."""

    _lock: threading.Lock = field(default_factory=threading.Lock)
    _waiting: dict[Path, RiderId] = field(default_factory=dict)
    _thread: threading.Thread | None = None
    _inside: dict[str, int] = field(default_factory=dict)  # how many files each holds; a zip several
    _read: Counter[str] = field(default_factory=Counter)
    _outcomes: list[FileOutcome] = field(default_factory=list)
    _trouble: str = ""

    def add(self, path: Path, rider: RiderId) -> None:
        """A whole file of this rider's waits to be read."""
        with self._lock:
            self._waiting[path] = rider

    def begin(self, app: App, now: datetime) -> None:
        """Read what waits, if anything does and nothing is being read."""
        with self._lock:
            if self._busy or not self._waiting:
                return
            files = [ToRead(path, rider) for path, rider in self._waiting.items()]
            self._waiting.clear()
            self._inside = {str(path): _files_in(path) for path in (one.path for one in files)}
            self._trouble = ""
            self._read.clear()
            self._outcomes.clear()
            self._thread = threading.Thread(
                target=self._go, args=(app, files, now), name="reading dropped files", daemon=True
            )
            self._thread.start()

    def _go(self, app: App, files: Sequence[ToRead], now: datetime) -> None:
        try:
            import_files(app.store, files, now=now, on_progress=self._advance)
        except EXPECTED as trouble:
            with self._lock:
                self._trouble = str(trouble)
        except RuntimeError:
            # Stopped in the middle: what was kept is kept, and the watching takes the rest up.
            if threading.main_thread().is_alive():
                raise
        finally:
            app.wake()  # weather, reminders, and whatever else a round does

    def _advance(self, outcome: FileOutcome) -> None:
        with self._lock:
            self._outcomes.append(outcome)
            self._read[outcome.name.split(" > ")[0]] += 1

    @property
    def _busy(self) -> bool:
        return self._thread is not None and self._thread.is_alive()

    def state(self) -> dict[str, Any]:
        """How far it is. sentences: what became of the files, one a reason, once all are read."""
        with self._lock:
            busy = self._busy
            total = sum(self._inside.values())
            read = sum(min(count, self._inside.get(name, 1)) for name, count in self._read.items())
            kinds = Counter(one.outcome for one in self._outcomes)
            return {
                "busy": busy,
                "total": total,
                "read": read if busy or self._trouble else total,
                "rides": kinds[Outcome.NEW] + kinds[Outcome.DAMAGED],
                "sentences": () if busy else grouped(_by_own_name(self._outcomes)),
                "troubled": any(kinds[one] for one in TROUBLED),
                "trouble": self._trouble,
            }


def _files_in(path: Path) -> int:
    """How many files there are to read: those in a zip are told one by one."""
    try:
        with ZipFile(path) as packed:
            return max(1, sum(not one.is_dir() for one in packed.infolist()))
    except (BadZipFile, OSError, ValueError):
        return 1


def _by_own_name(outcomes: Sequence[FileOutcome]) -> list[FileOutcome]:
    """Outcomes whose files are called as their rider knows them, without the folder they were laid in."""
    return [replace(one, name=one.name.replace(f"{one.file.parent}/", "", 1)) for one in outcomes]
