"""After facts changed: what is due now, what no longer is, and what to tell whom.

    chains derived anew | steps and numbers kept | what nobody heard yet | letters queued

All of it is kept in the caller's transaction. A reminder is told once a channel took its letter; until
then it stays unheard, and every later reckoning sees it.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime

from rules.care_due import due
from rules.changed_defaults import NEWEST, limits_moved
from rules.ledger import Ledger
from rules.overlapping_reminders import one_a_chain
from rules.reconcile import Change, reconcile
from rules.reminder import THE_ROUND, RaisedReminder, Reminder, Step, asked_for_wet_evenings
from rules.rulebook import Rulebook
from rules.vocabulary import Chain, Ride
from rules.wear.chain_readings import worn_of
from services.app import App, zone_of
from services.store import Transaction
from services.store.bookkeeping import LIMITS_OF, RECKONED
from services.use_cases.derive_chains import derive, derived_by, worn_from
from services.use_cases.index_conditions import anything_to_index, index_conditions, kept_otherwise
from services.use_cases.queue_letters import (
    announce,
    announce_swaps,
    cancel_idle_letters,
    outlook_wanted,
    queue_outlooks,
    queue_unheard,
    to_tell,
)


@dataclass(frozen=True, slots=True)
class Reckoning:
    """What one reckoning changed, in sentences, and how many letters it queued."""

    sentences: tuple[str, ...]
    queued: int


def reckon(tx: Transaction, app: App, *, now: datetime) -> Reckoning:
    """Bring the reminders up to the facts, and queue what riders have not heard."""
    index_conditions(tx, app, now=now)
    rulebook = app.rulebook_in(tx)
    edition = tx.notes.get(LIMITS_OF) if tx.reminders.anything() else NEWEST
    derived = derive(tx, app, now=now)
    changes = derived or ()
    moved = limits_moved(rulebook, edition, changes)
    said: list[str] = [moved] if moved else []
    subject, occasion = "New limits for your chains", f"limits {NEWEST}"
    to_tell = tx.equipment.riders() if moved else ()
    queued = sum(announce(tx, app, rider, subject, moved, occasion, now) for rider in to_tell)
    for change in changes:
        if change.raised is None:
            raised = tx.reminders.raise_(
                change.reminder, now, THE_ROUND, change.step.why if change.step else ""
            )
            said.append(f"Now due ({raised.id}): {change.reminder.headline}.")
            continue
        tx.reminders.refresh(change.raised.id, change.reminder)
        if change.step is not None:
            tx.reminders.add_step(change.raised.id, change.step)
            if change.step.step is not Step.PUT_OFF and not moved:
                said.append(
                    f"{change.step.step.value.capitalize()} ({change.raised.id}): "
                    f"{change.reminder.headline}. {change.step.why}"
                )
    if derived is not None:
        tx.notes.put(RECKONED, rulebook.version, at=now)
    if tx.notes.get(LIMITS_OF) != NEWEST:
        tx.notes.put(LIMITS_OF, NEWEST, at=now)
    cancel_idle_letters(tx, now)
    queued += announce_swaps(tx, app, now)
    queued += queue_outlooks(tx, app, now)  # first: what it tells needs no message of its own
    queued += queue_unheard(tx, app, now)
    return Reckoning(tuple(said), queued)


def anything_to_reckon(tx: Transaction, app: App, now: datetime) -> bool:
    """Whether `reckon` may find anything to do: the quick look before the long one."""
    rulebook = app.rulebook_in(tx)
    return (
        tx.derived.anything_to_look_at(now, derived_by(rulebook))
        or anything_to_index(tx, rulebook)
        or bool(to_tell(tx, app, now))
        or any(trial.ended_at is None for trial in tx.care.trials())
        or any(outlook_wanted(tx, app, rider, now) for rider in tx.equipment.riders())
    )


def asked_for(
    ledger: Ledger, rulebook: Rulebook, known: Sequence[RaisedReminder], *, now: datetime
) -> tuple[Reminder, ...]:
    """What is due by these facts, and asked for beside all that was ever raised?"""
    from rules.wear.forecast import chances_worn  # slow to load, and not every command reckons

    chances = chances_worn(ledger, rulebook, now=now)
    told = asked_for_wet_evenings(known)
    found = due(ledger, rulebook, now=now, zone_of=zone_of, worn_chance=chances, wet_told=told)
    return one_a_chain(found, known)


@dataclass(frozen=True, slots=True)
class Otherwise:
    """What all facts together give otherwise than what was derived chain by chain.

    reminders: what would change about them.  chains, rides: of which something else is kept.
    """

    reminders: tuple[Change, ...] = ()
    chains: tuple[Chain, ...] = ()
    rides: tuple[Ride, ...] = ()

    def __bool__(self) -> bool:
        """Whether there is any difference: there should be none."""
        return bool(self.reminders or self.chains or self.rides)

    @property
    def what(self) -> str:
        """'2 reminders, 1 chain'."""
        counts = (
            (len(self.reminders), "reminder"),
            (len(self.chains), "chain"),
            (len(self.rides), "ride"),
        )
        return ", ".join(f"{many} {word}{'' if many == 1 else 's'}" for many, word in counts if many)


def not_as_derived_whole(tx: Transaction, app: App) -> Otherwise:
    """What would be otherwise if all were derived from all facts, as of the last look?"""
    at = tx.notes.written_at(RECKONED)
    if at is None:
        return Otherwise()
    ledger, known = tx.ledger(), tx.reminders.all_()
    rulebook = app.rulebook_for(ledger)
    due_then = asked_for(ledger, rulebook, known, now=at)
    waits = tx.derived.anything_to_look_at(at, derived_by(rulebook))  # then they are kept as they were
    kept = tx.derived.states(one.id for one in ledger.chains)
    return Otherwise(
        reconcile(known, due_then, ledger, now=at, rulebook=rulebook, zone_of=zone_of),
        tuple(
            one
            for one in ledger.chains
            if not waits and worn_from(kept, one.id) != worn_of(ledger, rulebook, one, at)
        ),
        kept_otherwise(tx, ledger, rulebook),
    )
