"""Between two looks the clock alone changes nothing: jump to any instant before the next one."""

from __future__ import annotations

from datetime import timedelta

import pytest
from hypothesis import given
from hypothesis import strategies as st

from rules.care_due import due
from rules.ledger import END
from rules.recheck_time import next_look
from rules.reminder import RaisedReminder, ReminderStep, Step
from rules.vocabulary import ChainId, ReminderId
from tests.rules.notation import at, ledger_of, plain_limits

RULEBOOK = plain_limits()
COPPER = ChainId(1)
WET = """
    2025-06-01        fitted    Copper  on Plover
    2025-06-02 10:00  rode      2 h     on Plover  wet
    2025-06-03 10:00  rode      2 h     on Plover  dry
"""
AHEAD = """
    2025-06-01        fitted    Copper  on Plover
    2025-06-02 10:00  rode      20 h    on Plover  dry
    2025-06-05 10:00  dripped   Copper
    2025-06-07 10:00  rode      9 h     on Plover  wet
    2025-06-09        measured  Copper  0.6
    2025-06-11        removed   Copper
    2025-06-12        retired   Copper
"""
SALTED = """
    2025-06-01        fitted    Copper  on Plover
    2025-06-02 10:00  rode      2 h     on Plover  salt-damp
    2025-06-04 10:00  rode      2 h     on Plover  wet
    2025-06-05 10:00  rode      2 h     on Plover  salt-damp
    2025-06-07 10:00  rode      2 h     on Plover  salt-damp
"""
SWAPPED = """
    2025-06-01        fitted    Copper  on Plover
    2025-06-02 10:00  rode      30 h    on Plover  dry
    2025-06-08        fitted    Slate   on Plover
"""


def look(text, now, known=()):
    ledger, chain = ledger_of(text), ledger_of(text).chain(COPPER)
    due_now = due(ledger, RULEBOOK, now=now)
    return next_look(ledger, RULEBOOK, chain, due_now=due_now, known=known, now=now)


@given(
    text=st.sampled_from([WET, AHEAD, SWAPPED, SALTED]),
    begin=st.integers(0, 24 * 14),
    share=st.floats(0.0, 0.999),
)
def test_nothing_is_due_otherwise_before_the_next_look(text, begin, share):
    now = at("2025-06-01") + timedelta(hours=begin)
    then = look(text, now) or now + timedelta(days=90)
    ledger = ledger_of(text)
    later = now + share * (min(then, now + timedelta(days=90)) - now)
    assert due(ledger, RULEBOOK, now=later) == due(ledger, RULEBOOK, now=now)


@pytest.mark.parametrize(
    ("text", "now", "then"),
    [
        (WET, "2025-06-03 20:00", "2025-06-09 12:00"),  # it has dried by itself
        (AHEAD, "2025-06-04", "2025-06-05 10:00"),  # a drip dated ahead
        (AHEAD, "2025-06-11 06:00", "2025-06-11 12:00"),
        (SWAPPED, "2025-06-07", "2025-06-08 12:00"),  # another chain comes onto its bike
    ],
)
def test_what_is_waited_for(text, now, then):
    found = look(text, at(now))
    assert found is not None
    assert found <= at(then)


def test_a_wet_spell_is_forgotten_day_by_day_and_a_reminder_put_off_comes_back():
    now = at("2025-06-02 20:00")
    (wet,) = due(ledger_of(WET), RULEBOOK, now=now)
    until = at("2025-06-02 21:00")
    put_off = ReminderStep(Step.PUT_OFF, now, "Ada", until=until)
    raised = RaisedReminder(ReminderId(1), wet, (ReminderStep(Step.RAISED, now, "the round"), put_off))
    assert look(WET, now, [raised]) == until
    assert look("chain Copper\nrider Ada", now) is None
    assert look(WET, at("2025-09-01")) is None


def test_where_a_chain_was_from_when_until_when():
    spans = ledger_of(SWAPPED + "2025-06-20  removed  Slate\n").spans_of(COPPER)
    assert [(begin, end) for _, begin, end in spans] == [(at("2025-06-01"), at("2025-06-08"))]
    assert ledger_of(WET).spans_of(COPPER)[0][2] == END
