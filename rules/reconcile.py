"""What happens to the reminders that stand, now that something else is due: the steps, each with its why."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime, tzinfo

from rules.contamination import CLEARS_SINCE_DRIP, CLEARS_SINCE_IMMERSION, exposures
from rules.dates_and_numbers import ZoneOf, day, listed, utc
from rules.ledger import Ledger
from rules.overlapping_reminders import takes_its_place
from rules.reasons import TREATMENT_NOUN, reading_words
from rules.reminder import THE_ROUND, RaisedReminder, Reason, Reminder, ReminderKind, ReminderStep, Step
from rules.ride_name import how_long, own_title
from rules.rulebook import Rulebook
from rules.vocabulary import Ride, RideId, Treatment, TreatmentKind

ANSWERS: dict[ReminderKind, frozenset[TreatmentKind]] = {
    ReminderKind.WIPE_AND_DRIP: CLEARS_SINCE_DRIP,
    ReminderKind.DRIP: CLEARS_SINCE_DRIP,
    ReminderKind.IMMERSION: CLEARS_SINCE_IMMERSION,
    ReminderKind.INSPECTION: frozenset(),  # a reading answers it
    ReminderKind.REPLACEMENT: frozenset(),  # taking the chain off, or retiring it, answers it
}


@dataclass(frozen=True, slots=True)
class Change:
    """One thing to store.

    raised None: a new reminder, with its first step.
    raised given: `reminder` replaces its numbers and reasons, and the step, if any, is appended.
    A step RAISED or WORSE is to be told; every other is not.
    """

    raised: RaisedReminder | None
    reminder: Reminder
    step: ReminderStep | None  # None: only the numbers moved


def reconcile(
    standing: Sequence[RaisedReminder],
    due_now: Sequence[Reminder],
    ledger: Ledger,
    *,
    now: datetime,
    rulebook: Rulebook | None = None,
    zone_of: ZoneOf = utc,
) -> tuple[Change, ...]:
    """What changes between the reminders as stored and what is due now?

    standing: every reminder ever raised, closed ones too, so that a cause is not raised twice.
    due_now: from due() on the same ledger.
    rulebook: the one due_now was judged by; with it, a withdrawal can name the hours and limits that changed.

    - Due, and not known: RAISED.
    - Due, and open: WORSE when its urgency rose; else only its numbers move. Put off: silent until then.
    - Not due, and open: DONE by the treatment or reading that answers it, else WITHDRAWN with what changed.
    - Due again after it was withdrawn, or after what closed it was taken back: RAISED again.
    - Dismissed, or done by the rider's word: that cause stays silent.
    """
    latest: dict[str, RaisedReminder] = {}
    for raised in standing:
        if raised.reminder.key not in latest or raised.id > latest[raised.reminder.key].id:
            latest[raised.reminder.key] = raised
    due_keys = {reminder.key: reminder for reminder in due_now}
    zone_names = {rider.id: rider.time_zone for rider in ledger.riders}
    changes: list[Change] = []
    for reminder in due_now:
        known = latest.get(reminder.key)
        if known is None:
            changes.append(
                Change(None, reminder, ReminderStep(Step.RAISED, now, THE_ROUND, reminder.sentence))
            )
        else:
            change = _still_due(known, reminder, ledger, now)
            if change is not None:
                changes.append(change)
    for raised in standing:
        if raised.is_open and (raised.reminder.key not in due_keys or latest[raised.reminder.key] != raised):
            zone = zone_of(zone_names.get(raised.reminder.rider, "UTC"))
            step = _closing_step(raised, due_now, latest, ledger, rulebook, now, zone)
            changes.append(Change(raised, raised.reminder, step))
    return tuple(changes)


def _still_due(raised: RaisedReminder, reminder: Reminder, ledger: Ledger, now: datetime) -> Change | None:
    """What happens to a reminder whose cause is still there?"""
    last = raised.standing
    if last.step in (Step.DISMISSED, Step.DONE):
        if raised.is_silenced or last.treatment in {treatment.id for treatment in ledger.treatments}:
            return None
        why = "What was noted as the answer has been taken back."
        return Change(raised, reminder, ReminderStep(Step.RAISED, now, THE_ROUND, why))
    if last.step is Step.WITHDRAWN:
        return Change(
            raised, reminder, ReminderStep(Step.RAISED, now, THE_ROUND, "The facts ask for it again.")
        )
    if last.step is Step.PUT_OFF and (last.until is None or last.until <= now):
        return Change(
            raised,
            reminder,
            ReminderStep(Step.RAISED, now, THE_ROUND, "The time it was put off to has come."),
        )
    if last.step is not Step.PUT_OFF and reminder.urgency > raised.reminder.urgency:
        return Change(raised, reminder, ReminderStep(Step.WORSE, now, THE_ROUND, reminder.sentence))
    return Change(raised, reminder, None) if reminder != raised.reminder else None


def _closing_step(
    raised: RaisedReminder,
    due_now: Sequence[Reminder],
    latest: Mapping[str, RaisedReminder],
    ledger: Ledger,
    rulebook: Rulebook | None,
    now: datetime,
    zone: tzinfo,
) -> ReminderStep:
    reminder = raised.reminder
    answer = _answer(reminder, ledger, now)
    if answer is not None:
        noun = TREATMENT_NOUN[answer.kind].capitalize()
        why = f"{noun} on {day(answer.done_at, zone)}."
        return ReminderStep(Step.DONE, now, THE_ROUND, why, treatment=answer.id)
    why = _answered_otherwise(reminder, ledger, now, zone)
    if why:
        return ReminderStep(Step.DONE, now, THE_ROUND, why)
    why = _what_changed(reminder, due_now, latest, ledger, rulebook, now, zone)
    return ReminderStep(Step.WITHDRAWN, now, THE_ROUND, why)


def _answer(reminder: Reminder, ledger: Ledger, now: datetime) -> Treatment | None:
    """The first treatment after the cause that answers this."""
    for treatment in ledger.treatments_of(reminder.chain):
        if reminder.cause_at <= treatment.done_at <= now and treatment.kind in ANSWERS[reminder.kind]:
            return treatment
    return None


def _answered_otherwise(reminder: Reminder, ledger: Ledger, now: datetime, zone: tzinfo) -> str:
    """A reading answers an inspection; taking the chain off, or retiring it, answers a replacement."""
    if reminder.kind is ReminderKind.INSPECTION:
        for reading in ledger.readings_of(reminder.chain):
            if reminder.cause_at <= reading.taken_at <= now:
                return f"Reading on {day(reading.taken_at, zone)}: {reading_words(reading)}."
    if reminder.kind is ReminderKind.REPLACEMENT:
        chain = next((chain for chain in ledger.chains if chain.id == reminder.chain), None)
        if chain is not None and chain.retired_at is not None and chain.retired_at >= reminder.cause_at:
            return f"{chain.name} was retired on {day(chain.retired_at, zone)}."
        for fitting in ledger.fittings_of(reminder.chain):
            if fitting.removed_at is not None and reminder.cause_at <= fitting.removed_at <= now:
                return f"It came off {ledger.bike(fitting.bike).name} on {day(fitting.removed_at, zone)}."
    return ""


def _what_changed(
    reminder: Reminder,
    due_now: Sequence[Reminder],
    latest: Mapping[str, RaisedReminder],
    ledger: Ledger,
    rulebook: Rulebook | None,
    now: datetime,
    zone: tzinfo,
) -> str:
    """Which facts are different from those the reminder rested on? Sentences, the plainest cause first."""
    chain = next((chain for chain in ledger.chains if chain.id == reminder.chain), None)
    if chain is None:
        return "The chain is no longer in the household."
    if chain.retired_at is not None and chain.retired_at <= now:
        return f"{chain.name} was retired on {day(chain.retired_at, zone)}."
    instead = takes_its_place(reminder, due_now, latest)
    if instead is not None:
        return f"“{instead.headline}” takes care of it."
    found = _changed_rides(reminder, ledger, rulebook, zone) + _changed_care(reminder, ledger, now, zone)
    wet = reminder.kind is ReminderKind.WIPE_AND_DRIP
    if wet and any(r.kind is reminder.kind and r.chain == reminder.chain for r in due_now):
        found.append("A later wet ride asks for the same.")
    if not wet and ledger.fitting_of(chain.id, now) is None:
        found.append(f"{chain.name} is on no bike now.")
    if rulebook is not None and rulebook.version != reminder.rulebook_version:
        found.append(f"The rulebook changed from {reminder.rulebook_version} to {rulebook.version}.")
    if not found and wet:
        found.append("It has long dried; what it took in still counts.")
    return " ".join(found) or "The facts it rested on have changed."


def _changed_rides(reminder: Reminder, ledger: Ledger, rulebook: Rulebook | None, zone: tzinfo) -> list[str]:
    by_ride: dict[RideId, list[Reason]] = {}
    for reason in reminder.reasons:
        if reason.ride is not None:
            by_ride.setdefault(reason.ride, []).append(reason)
    found = []
    for ride_id, reasons in by_ride.items():
        ride = ledger.ride(ride_id)
        on = day(reasons[0].at, zone)
        if ride is None:
            found.append(f"A ride of {on} is gone: {reasons[0].text}")
            continue
        chain = ledger.chain_of(ride)
        if chain is not None and chain.id == reminder.chain:
            if rulebook is not None:
                found.extend(_changed_hours(ride_id, reasons, ledger, rulebook, on))
        elif ride.bike is None:
            found.append(f"{_called(ride)} of {on} has no bike now.")
        else:
            on_chain = "no chain of ours" if chain is None else f"the chain {chain.name}"
            found.append(f"{_called(ride)} of {on} is now on {ledger.bike(ride.bike).name}, {on_chain}.")
    return found


def _changed_hours(
    ride_id: RideId, reasons: Sequence[Reason], ledger: Ledger, rulebook: Rulebook, on: str
) -> list[str]:
    ride = ledger.ride(ride_id)
    assert ride is not None
    now_by_start = {}
    puts = exposures(ledger, ride, rulebook)
    for number, (hour, put) in enumerate(zip(ride.hours, puts, strict=True), start=1):
        now_by_start[max(hour.hour_start, ride.started_at)] = (number, put)
    changed = []
    for reason in reasons:
        number, hour_now = now_by_start.get(reason.at, (0, None))
        if hour_now is None:
            changed.append("an hour is gone")
        elif reason.condition is not hour_now.condition:
            changed.append(f"hour {number} is now {hour_now.condition}, was {reason.condition}")
    return [f"{_called(ride)} of {on}: {listed(changed)}."] if changed else []


def _called(ride: Ride) -> str:
    return own_title(ride) or f"The ride of {how_long(ride)}"


def _changed_care(reminder: Reminder, ledger: Ledger, now: datetime, zone: tzinfo) -> list[str]:
    """Treatments and readings that came in before the cause, or that counting started from and are gone."""
    found = []
    kind, _, number = reminder.key.rpartition(":")[2].partition(" ")
    if kind == "treatment" and not any(str(t.id) == number for t in ledger.treatments):
        found.append("The treatment it counted from was taken back.")
    readings = ledger.readings_of(reminder.chain)
    if kind == "reading" and not any(str(r.id) == number.partition(",")[0] for r in readings):
        found.append("The reading it counted from was taken back.")
    start = reminder.reasons[0].at
    for treatment in ledger.treatments_of(reminder.chain):
        if start < treatment.done_at < reminder.cause_at and treatment.kind in ANSWERS[reminder.kind]:
            noun = TREATMENT_NOUN[treatment.kind]
            found.append(f"A {noun} of {day(treatment.done_at, zone)} is noted from before it was due.")
    if reminder.kind in (ReminderKind.INSPECTION, ReminderKind.REPLACEMENT):
        for reading in readings:
            said = f"{day(reading.taken_at, zone)} ({reading_words(reading)})"
            if reminder.kind is ReminderKind.INSPECTION and start < reading.taken_at < reminder.cause_at:
                found.append(f"A reading of {said} is noted from before it was due.")
            if reminder.kind is ReminderKind.REPLACEMENT and reminder.cause_at < reading.taken_at <= now:
                found.append(f"A later reading of {said} is under the limit.")
    return found
