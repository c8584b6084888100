"""When may time alone change what is due on a chain? Until then, nobody need look at it again."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from datetime import datetime, timedelta

from rules.care_due import LONGEST_SPELL, WET
from rules.contamination import history
from rules.ledger import END, Ledger, RiddenHour
from rules.limits_in_force import judgements_for
from rules.reminder import RaisedReminder, Reminder, ReminderKind, Step
from rules.rulebook import Rulebook
from rules.salt_due import RINSE_FROM
from rules.vocabulary import Chain

A_MOMENT = timedelta(microseconds=1)


def next_look(
    ledger: Ledger,
    rulebook: Rulebook,
    chain: Chain,
    *,
    due_now: Sequence[Reminder],
    known: Sequence[RaisedReminder],
    now: datetime,
) -> datetime | None:
    """The first instant after now at which something else may be due, no fact changing; None = never.

    An instant too early costs a look. due_now, known: of this chain.
    """
    moments = (
        *_still_to_come(ledger, chain),
        *_wet_chain(ledger, rulebook, chain, due_now, now),
        *(step.until for one in known for step in one.steps if step.step is Step.PUT_OFF and step.until),
    )
    return min((at for at in moments if at > now), default=None)


def _still_to_come(ledger: Ledger, chain: Chain) -> Iterator[datetime]:
    """Facts dated ahead, each at the instant from which it counts."""
    if chain.retired_at is not None:
        yield chain.retired_at
    for fitting in ledger.fittings_of(chain.id):
        yield fitting.fitted_at
    for _, _, until in ledger.spans_of(chain.id):
        if until < END:
            yield until
    for at, fact in ledger.facts_of(chain.id):
        yield at
        if isinstance(fact, RiddenHour):
            yield fact.ride.ended_at


def _wet_chain(
    ledger: Ledger, rulebook: Rulebook, chain: Chain, due_now: Sequence[Reminder], now: datetime
) -> Iterator[datetime]:
    """A wet or salted chain dries, is asked about no more, and its first day is forgotten after a while."""
    judgements = judgements_for(ledger, rulebook, chain, now)
    dries = timedelta(hours=judgements.limit("wet_ride_overdue").value)
    lasts = timedelta(days=judgements.limit("wet_ride_expires").value)
    stands = any(one.kind is ReminderKind.WIPE_AND_DRIP for one in due_now)
    for entry in reversed(history(ledger, chain.id, rulebook).entries):
        if entry.at < now - LONGEST_SPELL:
            break
        if not isinstance(entry.fact, RiddenHour) or not entry.exposure:
            continue
        if entry.exposure.condition in WET or entry.exposure.salt >= RINSE_FROM:
            yield entry.fact.ride.ended_at + dries
            yield entry.fact.ride.ended_at + lasts
            if stands:
                yield entry.at + LONGEST_SPELL + A_MOMENT
