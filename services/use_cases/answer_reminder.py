"""A rider's answer to a reminder: done, put off, dismissed."""

from __future__ import annotations

from datetime import datetime

from rules.commands import LogTreatment
from rules.reminder import RaisedReminder, ReminderStep, Step
from rules.vocabulary import ReminderId
from rules.work import work
from services.app import App
from services.store import FactRefused, Transaction
from services.use_cases.record import A_RIDER, Done, recorded
from services.use_cases.update_reminders import reckon


def done(app: App, number: int, note: str = "", *, now: datetime, by: str = A_RIDER) -> Done:
    """It is done: the treatment it asks for is logged; what asks for none is closed by the rider's word.

    Raises NotFound, FactRefused.
    """
    with app.store.writing() as tx:
        raised = _open(tx, number)
        due = raised.reminder
        hands = work(due.kind, tx.equipment.chain(due.chain).regime)
        if hands is None:
            return _closed(tx, app, raised, Step.DONE, note, now, by)
        care = LogTreatment(due.chain, hands.answer, now, note=note)
        return recorded(tx, app, care, now=now, by=by, confirmed=True)


def dismiss(app: App, number: int, because: str, *, now: datetime, by: str = A_RIDER) -> Done:
    """The same cause is not raised again. Raises NotFound, FactRefused."""
    with app.store.writing() as tx:
        return _closed(tx, app, _open(tx, number), Step.DISMISSED, because, now, by)


def put_off(app: App, number: int, until: datetime, *, now: datetime, by: str = A_RIDER) -> None:
    """Silence a reminder until then. Raises NotFound, FactRefused."""
    if until <= now:
        raise FactRefused("That time has passed; give one that is to come.")
    with app.store.writing() as tx:
        raised = _open(tx, number)
        tx.reminders.add_step(raised.id, ReminderStep(Step.PUT_OFF, now, by, until=until))


def _closed(
    tx: Transaction, app: App, raised: RaisedReminder, step: Step, why: str, now: datetime, by: str
) -> Done:
    tx.reminders.add_step(raised.id, ReminderStep(step, now, by, why))
    reckon(tx, app, now=now)
    return Done(0, (f"{raised.reminder.headline}: {step.value}.",))


def _open(tx: Transaction, number: int) -> RaisedReminder:
    raised = tx.reminders.get(ReminderId(number))
    if not raised.is_open:
        raise FactRefused(f"“{raised.reminder.headline}” is {raised.state.value} already.")
    return raised
