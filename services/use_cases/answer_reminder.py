"""A rider's answer to a reminder: done, put off, dismissed."""

from __future__ import annotations

from datetime import datetime

from rules.reminder import ReminderStep, Step
from rules.vocabulary import ReminderId
from services.app import App
from services.store import FactRefused, Transaction
from services.use_cases.update_reminders import reckon

A_RIDER = "a rider"


def close(app: App, number: int, step: str, why: str, *, now: datetime, by: str = A_RIDER) -> str:
    """Close a reminder as 'done' or 'dismissed'; returns what to say. Raises NotFound, FactRefused."""
    with app.store.writing() as tx:
        headline = _open_headline(tx, number)
        tx.reminders.add_step(ReminderId(number), ReminderStep(Step(step), now, by, why))
        reckon(tx, app, now=now)
    return f"{headline}: {step}."


def put_off(app: App, number: int, until: datetime, *, now: datetime, by: str = A_RIDER) -> str:
    """Silence a reminder until then; returns what to tell the rider. Raises NotFound, FactRefused."""
    if until <= now:
        raise FactRefused("That time has passed; give one that is to come.")
    with app.store.writing() as tx:
        headline = _open_headline(tx, number)
        tx.reminders.add_step(ReminderId(number), ReminderStep(Step.PUT_OFF, now, by, until=until))
    return f"{headline}: put off until {until.astimezone():%Y-%m-%d %H:%M}."


def _open_headline(tx: Transaction, number: int) -> str:
    raised = tx.reminders.get(ReminderId(number))
    if not raised.is_open:
        raise FactRefused(f"“{raised.reminder.headline}” is {raised.state.value} already.")
    return raised.reminder.headline
