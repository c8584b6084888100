"""One reminder a chain: what another one answers as well is not asked for beside it.

A chain to be replaced wants no care. An immersion renews the film, and a chain hanging by the pot is
measured on that evening; a wet chain is wiped and dripped tonight, which is a drip. What a rider put off or
dismissed silences nothing: then the smaller hand is wanted after all.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence

from rules.chain_case import HAIR
from rules.reminder import ASKED_AHEAD, RaisedReminder, Reminder, ReminderKind, Step, wants_a_rinse
from rules.vocabulary import ChainId

ASKS_ALONE_AT = 2.0  # times its limit: a reading that no immersion brought about is then asked for by itself
KEPT_SILENT = (Step.PUT_OFF, Step.DISMISSED)

# What else is done by what a reminder asks for; the most thorough first.
_DOES_TOO: Mapping[ReminderKind, frozenset[ReminderKind]] = {
    ReminderKind.REPLACEMENT: frozenset(ReminderKind) - {ReminderKind.REPLACEMENT},
    ReminderKind.IMMERSION: frozenset({ReminderKind.WIPE_AND_DRIP, ReminderKind.DRIP}),
    ReminderKind.WIPE_AND_DRIP: frozenset({ReminderKind.DRIP}),
}


def one_a_chain(due_now: Sequence[Reminder], standing: Sequence[RaisedReminder]) -> tuple[Reminder, ...]:
    """What is asked for, of all that is due? In the same order.

    standing: every reminder ever raised, from which what the rider put off or dismissed is known.
    """
    state = {raised.reminder.key: raised for raised in sorted(standing, key=lambda one: one.id)}
    by_chain: dict[ChainId, list[Reminder]] = {}
    wanted = [one for one in due_now if not _early_for_nothing(one, due_now, state)]
    for reminder in wanted:
        by_chain.setdefault(reminder.chain, []).append(reminder)
    return tuple(reminder for reminder in wanted if not _is_spared(reminder, by_chain[reminder.chain], state))


def spared(reminders: Sequence[Reminder], standing: Sequence[RaisedReminder] = ()) -> dict[str, str]:
    """Which reminders need no hands once another on the same chain is answered? By key, with the sentence.

    A wet chain is among them: it is asked for beside an immersion, which may wait a day while rust does not.
    """
    state = {raised.reminder.key: raised for raised in sorted(standing, key=lambda one: one.id)}
    found = {}
    for reminder in reminders:
        other = _done_by(reminder, reminders, state)
        if other is not None and other.kind is ReminderKind.REPLACEMENT:
            found[reminder.key] = "Not worth doing if you replace the chain now."
        elif other is not None and reminder.kind is ReminderKind.WIPE_AND_DRIP:
            verb = other.headline.partition(" the chain ")[0]
            first = "Rinse and dry it" if wants_a_rinse(reminder) else "Wipe it dry"
            found[reminder.key] = f"{first} tonight and each {ASKED_AHEAD}; “{verb}” does the rest."
        elif other is not None:
            found[reminder.key] = f"“{other.headline}” takes care of this too."
    return found


def done_too(kind: ReminderKind) -> frozenset[ReminderKind]:
    """What else needs no hands once this is done, on the same chain?"""
    return _DOES_TOO.get(kind, frozenset())


def takes_its_place(
    reminder: Reminder, due_now: Sequence[Reminder], state: Mapping[str, RaisedReminder]
) -> Reminder | None:
    """Which other reminder of the same chain is asked for instead of this one?

    state: every reminder ever raised, by key.
    """
    other = _done_by(reminder, due_now, state)
    rusts = reminder.kind is ReminderKind.WIPE_AND_DRIP
    return None if rusts and other is not None and other.kind is ReminderKind.IMMERSION else other


def _done_by(
    reminder: Reminder, due_now: Sequence[Reminder], state: Mapping[str, RaisedReminder]
) -> Reminder | None:
    for kind, does_too in _DOES_TOO.items():
        for other in due_now:
            alike = other.kind is kind and other.chain == reminder.chain
            if alike and reminder.kind in does_too and not _kept_silent(other, state):
                return other
    return None


def _is_spared(reminder: Reminder, of_chain: Sequence[Reminder], state: Mapping[str, RaisedReminder]) -> bool:
    if takes_its_place(reminder, of_chain, state) is not None:
        return True
    if reminder.kind is not ReminderKind.INSPECTION or reminder.unit == "probability":
        return False
    if reminder.total >= ASKS_ALONE_AT * reminder.limit:
        return False
    known = state.get(reminder.key)
    if known is not None and known.is_open:
        return False
    # measured on the evening of an immersion: asked for with it, or not yet
    bath = next((one for one in of_chain if one.kind is ReminderKind.IMMERSION), None)
    return bath is None or bath.key in state


def _early_for_nothing(
    reminder: Reminder, due_now: Sequence[Reminder], state: Mapping[str, RaisedReminder]
) -> bool:
    """An immersion before its limit spares a drip: not one already asked for, put off or dismissed."""
    if reminder.kind is not ReminderKind.IMMERSION or reminder.total >= reminder.limit - HAIR:
        return False
    if reminder.key in state and state[reminder.key].is_open:
        return False
    drips = [one.key for one in due_now if one.chain == reminder.chain and one.kind is ReminderKind.DRIP]
    return any(key in state and (state[key].is_open or state[key].state in KEPT_SILENT) for key in drips)


def _kept_silent(reminder: Reminder, state: Mapping[str, RaisedReminder]) -> bool:
    return reminder.key in state and state[reminder.key].state in KEPT_SILENT
