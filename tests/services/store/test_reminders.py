"""Reminders: raised once per cause, every step kept."""

from __future__ import annotations

from dataclasses import replace

import pytest

from rules.reminder import RaisedReminder, Reason, ReminderStep, Step
from rules.vocabulary import ReminderId, TreatmentKind
from services.store import FactRefused, NotFound, Store
from tests.put_into import into
from tests.services.store.household import DAY, HOUR, MORNING, reminder, settle


def test_a_reminder_comes_back_as_it_was_raised(store: Store) -> None:
    household = settle(store)
    due = reminder(household.amber.id, household.ines.id, household.plover.id)
    with store.writing() as tx:
        raised = tx.reminders.raise_(due, MORNING + 4 * HOUR, "the round", "the limit was crossed")
        assert raised == RaisedReminder(
            raised.id,
            due,
            (ReminderStep(Step.RAISED, MORNING + 4 * HOUR, "the round", "the limit was crossed"),),
        )
    with store.reading() as tx:
        assert tx.reminders.get(raised.id) == raised
        assert tx.reminders.standing() == tx.reminders.all_() == (raised,)
        assert tx.reminders.of_chains([household.amber.id]) == (raised,)
        assert tx.reminders.of_chains([household.basalt.id]) == ()


def test_one_cause_is_raised_once(store: Store) -> None:
    household = settle(store)
    due = reminder(household.amber.id, household.ines.id)
    with store.writing() as tx:
        first = tx.reminders.raise_(due, MORNING, "the round")
        assert tx.reminders.raise_(replace(due, total=9.0), MORNING + DAY, "the round") == first
        assert tx.reminders.all_() == (first,)


@pytest.mark.parametrize("end", [Step.DONE, Step.DISMISSED, Step.WITHDRAWN])
def test_an_ended_cause_may_come_back_as_a_new_reminder(store: Store, end: Step) -> None:
    household = settle(store)
    due = reminder(household.amber.id, household.ines.id)
    with store.writing() as tx:
        first = tx.reminders.raise_(due, MORNING, "the round")
        ended = tx.reminders.add_step(
            first.id, ReminderStep(end, MORNING + HOUR, "Ines", "the bike was corrected")
        )
        assert ended.state is end
        assert tx.reminders.standing() == ()
        second = tx.reminders.raise_(due, MORNING + DAY, "the round")
        assert tx.reminders.of_chains([household.amber.id]) == (ended, second)
    with pytest.raises(FactRefused), store.writing() as tx:
        tx.reminders.add_step(first.id, ReminderStep(Step.RAISED, MORNING + DAY, "Ines"))


def test_steps_are_kept_in_order_with_all_they_say(store: Store) -> None:
    household = settle(store)
    with store.writing() as tx:
        drip = into(tx).log_treatment(household.amber.id, TreatmentKind.DRIP, MORNING + 2 * DAY)
        raised = tx.reminders.raise_(reminder(household.amber.id, household.ines.id), MORNING, "the round")
        steps = (
            ReminderStep(Step.TOLD, MORNING + HOUR, "email"),
            ReminderStep(Step.PUT_OFF, MORNING + 2 * HOUR, "Ines", "tomorrow", until=MORNING + DAY),
            ReminderStep(Step.WORSE, MORNING + DAY, "the round", "another wet ride"),
            ReminderStep(Step.DONE, MORNING + 2 * DAY, "the round", treatment=drip.id),
        )
        for step in steps:
            kept = tx.reminders.add_step(raised.id, step)
            assert kept.is_open == (step.step is not Step.DONE)
        assert kept.steps == raised.steps + steps
        assert tx.reminders.standing() == ()


def test_being_told_neither_opens_nor_closes_a_reminder(store: Store) -> None:
    household = settle(store)
    with store.writing() as tx:
        raised = tx.reminders.raise_(reminder(household.amber.id, household.ines.id), MORNING, "the round")
        tx.reminders.add_step(raised.id, ReminderStep(Step.WITHDRAWN, MORNING, "the round"))
        tx.reminders.add_step(raised.id, ReminderStep(Step.TOLD, MORNING + HOUR, "email"))
        assert tx.reminders.standing() == ()


def test_a_standing_reminder_is_brought_up_to_date(store: Store) -> None:
    household = settle(store)
    due = reminder(household.amber.id, household.ines.id)
    worse = replace(due, total=2.0, urgency=2, reasons=(*due.reasons, Reason(MORNING + DAY, "Another hour.")))
    with store.writing() as tx:
        raised = tx.reminders.raise_(due, MORNING, "the round")
        assert tx.reminders.refresh(raised.id, due) == raised
        assert tx.reminders.refresh(raised.id, worse) == replace(raised, reminder=worse)
        fewer = replace(worse, reasons=worse.reasons[:1])
        assert tx.reminders.refresh(raised.id, fewer).reminder == fewer
    with store.reading() as tx:
        assert tx.reminders.get(raised.id).reminder == fewer


def test_a_reminder_nobody_raised_is_not_found(store: Store) -> None:
    household = settle(store)
    with store.writing() as tx:
        with pytest.raises(NotFound):
            tx.reminders.get(ReminderId(9))
        with pytest.raises(NotFound):
            tx.reminders.add_step(ReminderId(9), ReminderStep(Step.DONE, MORNING, "Ines"))
        with pytest.raises(NotFound):
            tx.reminders.refresh(ReminderId(9), reminder(household.amber.id, household.ines.id))


def test_reminders_are_read_by_the_page_newest_first(store: Store) -> None:
    household = settle(store)
    due = reminder(household.amber.id, household.ines.id)
    with store.writing() as tx:
        first, second, third = (
            tx.reminders.raise_(replace(due, key=f"{n}", headline=f"Drip {name}"), MORNING, "the round")
            for n, name in enumerate(("Amber", "Basalt", "Amber again"))
        )
        done = tx.reminders.add_step(first.id, ReminderStep(Step.DONE, MORNING, "Ines"))
        told = tx.reminders.add_step(second.id, ReminderStep(Step.TOLD, MORNING, "mail"))
        assert tx.reminders.page(limit=2) == ((third, told), 3)
        assert tx.reminders.page(limit=2, offset=2) == ((done,), 3)
        assert tx.reminders.page(text="AMBER", limit=9) == ((third, done), 2)
        assert tx.reminders.page(state="raised", limit=9) == ((third, told), 2)
        assert tx.reminders.page(state="done", text="basalt", limit=9) == ((), 0)
