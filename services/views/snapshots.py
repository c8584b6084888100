"""The newest snapshot, shared by all who look: read again only when something was written since."""

from __future__ import annotations

import threading
from collections.abc import Callable
from datetime import UTC, datetime

from services.app import App
from services.expected_errors import EXPECTED
from services.use_cases.judge_bikes import HouseholdJudgement, OpenQuestion
from services.views.snapshot import Snapshot

LOOK_EVERY_S = 1.0


def utc_now() -> datetime:
    """The machine's clock."""
    return datetime.now(UTC)


class Snapshots:
    """The newest snapshot: read again only when something was written since.

    While one is read, the last one is shown to all but those who wrote themselves.
    """

    def __init__(self, app: App, clock: Callable[[], datetime] = utc_now) -> None:
        self.app, self.clock = app, clock
        self._newest: Snapshot | None = None
        self._reading = threading.Lock()
        self._at_least = 0  # writes: nobody is shown less, for a form was answered by so many

    def follow(self, app: App) -> None:
        """Other limits or prices are set: what was read by the old ones is read again."""
        with self._reading:
            if app is not self.app:
                self.app, self._newest = app, None

    def now(self) -> Snapshot:
        """What the ledger says at this moment. Raises StoreError, RulebookError."""
        newest = self._newest
        with self.app.store.reading() as tx:
            if newest is not None and tx.writes() == newest.writes:
                return newest
        if newest is not None and newest.writes >= self._at_least and self._reading.locked():
            return newest
        with self._reading, self.app.store.reading() as tx:
            newest = self._newest
            if newest is None or tx.writes() != newest.writes:
                newest = self._newest = Snapshot.read(tx, self.app, self.clock())
            return newest

    def wrote(self) -> None:
        """A form was answered: whoever looks next sees what it did."""
        with self.app.store.reading() as tx:
            self._at_least = tx.writes()

    def asked(self) -> tuple[OpenQuestion, ...]:
        """Which rides to ask about, in groups that one answer settles, the most useful first."""

        def work() -> tuple[OpenQuestion, ...]:
            with self.app.store.reading() as tx:
                return HouseholdJudgement.to_ask(tx).questions()

        return self.now().once("asked", work)

    def keep_warm(self, stop: threading.Event) -> None:
        """Look every second until told to stop: after a round's writes, no page waits for the reading."""
        while not stop.wait(LOOK_EVERY_S):
            try:
                if self._newest is not None:
                    self.now().work_ahead(self.clock())
                    if self.now().questions:
                        self.asked()
            except EXPECTED:
                continue  # the page that is asked for next says it in words
