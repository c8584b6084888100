"""The outbox: leased by one at a time, told only once delivered, never silently lost."""

from __future__ import annotations

from concurrent.futures import ThreadPoolExecutor
from dataclasses import replace

import pytest

from rules.reminder import Step
from rules.vocabulary import RiderId
from services.store import FactRefused, NotFound, Posted, Store
from tests.services.store.household import DAY, HOUR, MORNING, Household, letter, reminder, settle


def test_a_letter_is_queued_with_its_words_and_its_reminders(store: Store) -> None:
    household = settle(store)
    with store.writing() as tx:
        first, second = (
            tx.reminders.raise_(reminder(chain.id, household.ines.id, key=chain.name), MORNING, "the round")
            for chain in (household.amber, household.basalt)
        )
        new = letter(household.ines.id, reminders=(first.id, second.id), not_before=MORNING + HOUR)
        queued = tx.outbox.queue(new, at=MORNING)
        assert queued == replace(new, id=queued.id, queued_at=MORNING)
        assert tx.outbox.waiting() == (Posted(queued),)
        assert tx.outbox.get(queued.id) == Posted(queued)
        assert tx.outbox.about(first.id) == tx.outbox.about(second.id) == (Posted(queued),)


def test_a_message_id_is_queued_once(store: Store) -> None:
    household = settle(store)
    with store.writing() as tx:
        first = tx.outbox.queue(letter(household.ines.id), at=MORNING)
        assert tx.outbox.queue(letter(household.ines.id, subject="Again"), at=MORNING + HOUR) == first
        assert len(tx.outbox.waiting()) == 1


def test_a_letter_to_nobody_is_refused(store: Store) -> None:
    with pytest.raises(FactRefused), store.writing() as tx:
        tx.outbox.queue(letter(RiderId(9)), at=MORNING)


def test_a_lease_is_for_one_until_it_runs_out(store: Store) -> None:
    household = settle(store)
    with store.writing() as tx:
        queued = tx.outbox.queue(letter(household.ines.id, not_before=MORNING), at=MORNING - DAY)
        assert tx.outbox.lease(MORNING - HOUR, 60.0) == []
        assert tx.outbox.lease(MORNING, 3600.0) == [queued]
        assert tx.outbox.get(queued.id).leased_until == MORNING + HOUR
        assert tx.outbox.lease(MORNING + HOUR / 2, 60.0) == []
        assert tx.outbox.lease(MORNING + HOUR, 60.0) == [replace(queued, attempts=1)]


def test_the_longest_waiting_are_leased_first(store: Store) -> None:
    household = settle(store)
    with store.writing() as tx:
        for n in (3, 1, 2):
            tx.outbox.queue(letter(household.ines.id, f"<{n}@g>", not_before=MORNING + n * HOUR), at=MORNING)
        assert [one.message_id for one in tx.outbox.lease(MORNING + DAY, 60.0, limit=2)] == ["<1@g>", "<2@g>"]


def test_what_is_delivered_is_told_in_the_same_transaction_and_once(store: Store) -> None:
    household = settle(store)
    with store.writing() as tx:
        raised = tx.reminders.raise_(reminder(household.amber.id, household.ines.id), MORNING, "the round")
        queued = tx.outbox.queue(letter(household.ines.id, reminders=(raised.id,)), at=MORNING)
        tx.outbox.lease(MORNING, 60.0)
        for _ in range(2):
            tx.outbox.delivered(queued.id, MORNING + HOUR)
        steps = tx.reminders.get(raised.id).steps
        assert [(step.step, step.by) for step in steps] == [(Step.RAISED, "the round"), (Step.TOLD, "email")]
        assert tx.outbox.waiting() == tx.outbox.refused() == ()
        assert tx.outbox.lease(MORNING + DAY, 60.0) == []
        (sent,) = tx.outbox.sent()
        assert (sent.delivered_at, sent.letter.attempts) == (MORNING + HOUR, 1)


def test_a_passing_failure_is_tried_again_with_the_same_message_id(store: Store) -> None:
    household = settle(store)
    with store.writing() as tx:
        queued = tx.outbox.queue(letter(household.ines.id), at=MORNING)
        tx.outbox.lease(MORNING, 60.0)
        tx.outbox.failed(queued.id, MORNING, "451 try later", permanent=False, next_try_at=MORNING + HOUR)
        assert tx.outbox.lease(MORNING + HOUR / 2, 60.0) == []
        (again,) = tx.outbox.lease(MORNING + HOUR, 60.0)
        assert (again.message_id, again.attempts) == (queued.message_id, 1)
        assert tx.outbox.get(queued.id).last_why == "451 try later"


def test_a_refusal_is_shown_and_not_repeated_until_taken_up_again(store: Store) -> None:
    household = settle(store)
    with store.writing() as tx:
        queued = tx.outbox.queue(letter(household.ines.id), at=MORNING)
        tx.outbox.lease(MORNING, 60.0)
        tx.outbox.failed(queued.id, MORNING, "550 no such mailbox", permanent=True)
        assert tx.outbox.waiting() == ()
        (refused,) = tx.outbox.refused()
        assert (refused.last_why, refused.refused_at) == ("550 no such mailbox", MORNING)
        assert tx.outbox.lease(MORNING + DAY, 60.0) == []
        tx.outbox.try_again(queued.id, MORNING + DAY)
        assert [one.id for one in tx.outbox.lease(MORNING + DAY, 60.0)] == [queued.id]
        with pytest.raises(FactRefused, match="was not refused"):
            tx.outbox.try_again(queued.id, MORNING + DAY)


def test_a_late_word_of_failure_does_not_undo_a_delivery(store: Store) -> None:
    household = settle(store)
    with store.writing() as tx:
        queued = tx.outbox.queue(letter(household.ines.id), at=MORNING)
        tx.outbox.delivered(queued.id, MORNING)
        tx.outbox.failed(queued.id, MORNING + HOUR, "timed out", permanent=True)
        assert tx.outbox.refused() == ()
        assert len(tx.outbox.sent()) == 1


def test_a_letter_is_cancelled_unless_it_is_on_its_way(store: Store) -> None:
    household = settle(store)
    with store.writing() as tx:
        waiting, leased, sent = (
            tx.outbox.queue(letter(household.ines.id, f"<{n}@g>"), at=MORNING + n * HOUR) for n in (3, 1, 2)
        )
        tx.outbox.delivered(sent.id, MORNING + DAY)
        assert tx.outbox.lease(MORNING + DAY, 60.0, limit=1)[0].id == leased.id
        assert tx.outbox.cancel(waiting.id, MORNING + DAY, "the chain was dripped")
        assert not tx.outbox.cancel(leased.id, MORNING + DAY, "the chain was dripped")
        assert not tx.outbox.cancel(sent.id, MORNING + DAY, "the chain was dripped")
        assert [posted.letter.id for posted in tx.outbox.waiting()] == [leased.id]
        cancelled = tx.outbox.get(waiting.id)
        assert (cancelled.cancelled_at, cancelled.last_why) == (MORNING + DAY, "the chain was dripped")


def test_sent_letters_are_listed_newest_first(store: Store) -> None:
    household = settle(store)
    with store.writing() as tx:
        for n in range(3):
            queued = tx.outbox.queue(letter(household.ines.id, f"<{n}@g>"), at=MORNING)
            tx.outbox.delivered(queued.id, MORNING + n * HOUR)
        assert [posted.letter.message_id for posted in tx.outbox.sent(limit=2)] == ["<2@g>", "<1@g>"]


def test_a_letter_nobody_queued_is_not_found(store: Store) -> None:
    with store.writing() as tx:
        for look in (
            lambda: tx.outbox.get(9),
            lambda: tx.outbox.delivered(9, MORNING),
            lambda: tx.outbox.failed(9, MORNING, "", permanent=True),
            lambda: tx.outbox.cancel(9, MORNING, ""),
            lambda: tx.outbox.try_again(9, MORNING),
        ):
            with pytest.raises(NotFound):
                look()


def test_a_raised_reminder_and_its_letter_are_kept_together_or_not_at_all(store: Store) -> None:
    household = settle(store)
    with pytest.raises(FactRefused):
        _raise_and_write_to_nobody(store, household)
    with store.reading() as tx:
        assert tx.reminders.all_() == ()


def _raise_and_write_to_nobody(store: Store, household: Household) -> None:
    with store.writing() as tx:
        raised = tx.reminders.raise_(reminder(household.amber.id, household.ines.id), MORNING, "the round")
        tx.outbox.queue(letter(RiderId(9), reminders=(raised.id,)), at=MORNING)


def test_many_at_once_lease_each_letter_once(url: str, store: Store) -> None:
    household = settle(store)
    count, workers = 60, 4
    with store.writing() as tx:
        for n in range(count):
            tx.outbox.queue(letter(household.ines.id, f"<{n}@g>"), at=MORNING)

    def take_all(_: int) -> list[int]:
        taken = []
        with Store.open(url) as own:
            while True:
                with own.writing() as tx:
                    leased = tx.outbox.lease(MORNING + DAY, 3600.0, limit=3)
                if not leased:
                    return taken
                taken += [one.id for one in leased]

    with ThreadPoolExecutor(workers) as pool:
        taken = [one for part in pool.map(take_all, range(workers)) for one in part]
    assert len(taken) == len(set(taken)) == count


def test_what_a_clock_a_year_ahead_put_off_or_leased_is_free_once_the_clock_is_right(store: Store) -> None:
    household = settle(store)
    ahead = MORNING + 365 * DAY
    with store.writing() as tx:
        for n in (1, 2):
            tx.outbox.queue(letter(household.ines.id, f"<{n}@g>", not_before=MORNING), at=MORNING)
        first, _ = tx.outbox.lease(ahead, 3600.0)
        tx.outbox.failed(first.id, ahead, "no answer", False, ahead + HOUR)

        assert len(tx.outbox.lease(MORNING + HOUR, 60.0)) == 2
