"""Letters leave the outbox.

    lease one (transaction) | send it (network) | delivered, refused or tried again at … (transaction)

Nothing is told before its channel said so, and nothing is lost: whoever dies in the middle leaves a lease
that runs out, and the repeat carries the same Message-ID. Several processes may do this at once.
"""

from __future__ import annotations

import time
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import datetime, timedelta

from services.channels import Channel, ChannelError, one_line
from services.queued_letter import Letter
from services.store import Store, StoreBusy, Transaction

# Longer than any channel takes to send one letter or give it up, so that a live process keeps its lease.
LEASE_S = 300.0
FIRST_PAUSE_S = 60.0
LONGEST_PAUSE_S = 6 * 3600.0
PATIENCE = 5  # times the store's own waiting for another writer


@dataclass(frozen=True, slots=True)
class NotDelivered:
    """A letter that did not get through this time; try_at None = refused for good."""

    letter: Letter
    why: str
    try_at: datetime | None


@dataclass(frozen=True, slots=True)
class DeliveryReport:
    """What became of the letters of one run, and how many of all wait or stand refused after it."""

    delivered: tuple[Letter, ...]
    not_delivered: tuple[NotDelivered, ...]
    waiting: int
    refused: int

    def sentences(self) -> list[str]:
        """What a person wants to know of it; the same trouble of one channel is said once."""
        said = []
        if self.delivered:
            said.append(f"{_letters(len(self.delivered))} delivered.")
        by_trouble: dict[tuple[str, str, bool], list[NotDelivered]] = {}
        for one in self.not_delivered:
            by_trouble.setdefault((one.letter.channel, one.why, one.try_at is None), []).append(one)
        for (channel, why, for_good), alike in by_trouble.items():
            end = "refused and not repeated" if for_good else "waiting and tried again"
            said.append(f"{_letters(len(alike))} by {channel} {end}: {why}.")
        return said


def next_try(attempts: int, now: datetime) -> datetime:
    """When is a letter tried again after this many attempts (1 = the first has just failed)?

    After 1 min, 2, 4, 8 … at most 6 h. No dice: letters of one household are few.
    """
    pause_s = min(FIRST_PAUSE_S * 2.0 ** min(attempts - 1, 30), LONGEST_PAUSE_S)
    return now + timedelta(seconds=pause_s)


def deliver_waiting(
    store: Store,
    channels: Mapping[str, Channel],
    *,
    now: datetime,
    within_s: float = 50.0,
    lease_s: float = LEASE_S,
) -> DeliveryReport:
    """Send the letters that are due, the longest waiting first.

    channels: by name; a letter for a channel that is not set up waits. now: when the run begins (aware UTC).
    within_s: begin no further letter after so long: a slow server does not hold up the round, and the rest
    leaves at the next.
    """
    run = _Run(store, now, lease_s)
    with store.reading() as tx:
        anything = tx.outbox.anything_due(now)
    letter = run.turn(None, go_on=True) if anything else None
    while letter is not None:
        trouble = _send(channels, letter)
        letter = run.turn((letter, trouble), go_on=run.elapsed_s() < within_s)
    with store.reading() as tx:
        waiting, refused = tx.outbox.counts()
    return DeliveryReport(tuple(run.delivered), tuple(run.not_delivered), waiting, refused)


Sent = tuple[Letter, ChannelError | None]  # a letter and what went wrong with it, None = the channel took it


class _Run:
    """One pass over the outbox: what was sent so far, and which channels take nothing at all just now."""

    def __init__(self, store: Store, now: datetime, lease_s: float) -> None:
        self.store, self.now, self.lease_s = store, now, lease_s
        self.begun = time.monotonic()
        self.delivered: list[Letter] = []
        self.not_delivered: list[NotDelivered] = []
        self.closed: dict[str, ChannelError] = {}

    def elapsed_s(self) -> float:
        return time.monotonic() - self.begun

    def turn(self, sent: Sent | None, *, go_on: bool) -> Letter | None:
        """Write down what became of one letter and lease the next, in one transaction: one wait for the disk.

        Letters of a closed channel are put off without a try. Patient with a busy database: giving up after a
        letter was sent means sending it twice.
        """
        settled = [] if sent is None else [sent]
        if sent is not None and sent[1] is not None and sent[1].everything:
            self.closed[sent[0].channel] = sent[1]
        for patience in reversed(range(PATIENCE)):
            try:
                with self.store.writing() as tx:
                    failures = [self._settle(tx, *one) for one in settled]
                    letter = self._lease(tx, failures) if go_on else None
                break
            except StoreBusy:
                if patience == 0:
                    raise
        if sent is not None and sent[1] is None:
            self.delivered.append(sent[0])
        self.not_delivered += filter(None, failures)
        return letter

    def _settle(self, tx: Transaction, letter: Letter, trouble: ChannelError | None) -> NotDelivered | None:
        at = self.now + timedelta(seconds=self.elapsed_s())
        if trouble is None:
            tx.outbox.delivered(letter.id, at)
            return None
        try_at = None if trouble.permanent else next_try(letter.attempts + 1, at)
        tx.outbox.failed(letter.id, at, str(trouble), trouble.permanent, try_at)
        return NotDelivered(letter, str(trouble), try_at)

    def _lease(self, tx: Transaction, failures: list[NotDelivered | None]) -> Letter | None:
        at = self.now + timedelta(seconds=self.elapsed_s())
        while leased := tx.outbox.lease(at, self.lease_s, limit=1):
            trouble = self.closed.get(leased[0].channel)
            if trouble is None:
                return leased[0]
            failures.append(self._settle(tx, leased[0], trouble))
        return None


def _send(channels: Mapping[str, Channel], letter: Letter) -> ChannelError | None:
    """Hand the letter over; what went wrong, or None when the channel took it."""
    channel = channels.get(letter.channel)
    if channel is None:
        return ChannelError(
            f"the channel '{letter.channel}' is not set up",
            try_this="set it up again in the settings, or choose another for this rider",
            everything=True,
        )
    try:
        channel.send(letter)
    except ChannelError as error:
        return error
    except Exception as error:
        # A mistake of ours in one channel must neither lose the letter nor hold up the others.
        return ChannelError(
            f"gritledger stumbled: {one_line(f'{type(error).__name__}: {error}')}",
            try_this="please report this",
        )
    return None


def _letters(count: int) -> str:
    return f"{count} letter" + ("s" if count != 1 else "")


def try_all_again(store: Store, channel: str, *, now: datetime) -> None:
    """A channel was mended: what waits for it is tried at the next round, not hours later."""
    with store.writing() as tx:
        tx.outbox.hurry(channel, now)


def try_again(store: Store, letter: int, *, now: datetime) -> None:
    """Take a refused letter up again, at the next round. Raises NotFound, FactRefused."""
    with store.writing() as tx:
        tx.outbox.try_again(letter, now)
