"""The newest snapshot, shared by all who look: read again only when something was written since."""

from __future__ import annotations

import threading
from collections.abc import Callable, Collection, Hashable, Iterable, Iterator
from contextlib import suppress
from dataclasses import replace
from datetime import UTC, datetime

from rules.vocabulary import RideId
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
        self.aside = False  # whether questions are weighed beside the pages: then no page waits for it
        self._weighed: tuple[Hashable, tuple[OpenQuestion, ...]] | None = None
        self._weighing = threading.Lock()

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
                newest = self._newest = Snapshot.read(tx, self.app, self.clock(), newest)
            return newest

    def wrote(self) -> None:
        """A form was answered: whoever looks next sees what it did."""
        with self.app.store.reading() as tx:
            self._at_least = tx.writes()

    def asked(self) -> tuple[OpenQuestion, ...]:
        """Which rides to ask about, in groups that one answer settles, the most useful first.

        While all that was said is weighed aside, what was asked before is, but for what was answered since.
        """
        snapshot, before = self.now(), self._weighed
        if before is None or not self.aside:
            return self._weigh(snapshot)
        if before[0] == self._heard(snapshot):
            return before[1]
        if not self._weighing.locked():
            threading.Thread(target=self._weigh_aside, args=(snapshot,), name="weighing", daemon=True).start()
        with self.app.store.reading() as tx:
            spoken_for = tx.rides.spoken_for(ride for one in before[1] for ride in one.rides)
        return tuple(_still_open(before[1], snapshot, spoken_for))

    def weigh(self) -> None:
        """Bring the questions up to what was said by now, and wait for it."""
        self._weigh(self.now())

    def _weigh(self, snapshot: Snapshot) -> tuple[OpenQuestion, ...]:
        with self._weighing:
            heard = self._heard(snapshot)
            if self._weighed is None or self._weighed[0] != heard:
                with self.app.store.reading() as tx:
                    self._weighed = heard, HouseholdJudgement.to_ask(tx).questions()
            return self._weighed[1]

    def _weigh_aside(self, snapshot: Snapshot) -> None:
        with suppress(*EXPECTED):  # the page that is asked for next says it in words
            self._weigh(snapshot)

    def _heard(self, snapshot: Snapshot) -> Hashable:
        """What questions hang on: while it is the same, they are."""

        def work() -> Hashable:
            ledger = snapshot.ledger
            with self.app.store.reading() as tx:
                verdicts = tx.rides.heard()
            return (
                verdicts,
                *(snapshot.questions, snapshot.likely),
                *(ledger.riders, ledger.bikes, ledger.sensors, ledger.fittings),
            )

        return snapshot.once("heard", work)

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


def _still_open(
    asked: Iterable[OpenQuestion], snapshot: Snapshot, spoken_for: Collection[RideId]
) -> Iterator[OpenQuestion]:
    """Of what was asked, what nobody answered since; then each ride that came since, the newest first."""
    doubtful = {*snapshot.questions, *snapshot.likely}
    left = set(snapshot.questions)
    for one in asked:
        rides = tuple(
            ride for ride in one.rides if ride not in spoken_for and (one.is_check or ride in doubtful)
        )
        left -= set(rides)
        if rides:
            shown = tuple(ride for ride in one.shown if ride in rides)
            yield replace(one, rides=rides, shown=shown or rides[:1])
    for ride in reversed(snapshot.questions):
        if ride in left:
            yield OpenQuestion((ride,), (ride,), "", is_check=False)
