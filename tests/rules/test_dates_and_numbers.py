"""Days, times and numbers as a rider writes them."""

from __future__ import annotations

from datetime import UTC
from zoneinfo import ZoneInfo

import pytest

from rules.dates_and_numbers import clock, day, hours, in_words, listed, local_stamp, number, utc
from tests.rules.notation import at


def test_days_and_times_are_local():
    moment = at("2025-06-04 02:05")
    denver = ZoneInfo("America/Denver")
    assert (day(moment, UTC), clock(moment, UTC)) == ("4 June 2025", "02:05")
    assert (day(moment, denver), clock(moment, denver)) == ("3 June 2025", "20:05")
    assert local_stamp(moment, denver) == "2025-06-03 20:05"
    assert utc("Anywhere/AtAll") is UTC


@pytest.mark.parametrize(
    ("value", "digits", "text"),
    [(9.0, 1, "9"), (9.64, 1, "9.6"), (0.25, 2, "0.25"), (120.0, 0, "120"), (-0.04, 1, "0")],
)
def test_numbers_have_no_tail(value, digits, text):
    assert number(value, digits) == text


def test_a_count_begins_a_sentence_as_a_word_up_to_twelve():
    assert [in_words(count) for count in (0, 3, 12, 13)] == ["No", "Three", "Twelve", "13"]


@pytest.mark.parametrize(
    ("seconds", "text"), [(59, "1 min"), (3569, "59 min"), (3570, "1 h 00 min"), (5700, "1 h 35 min")]
)
def test_hours_are_said_from_an_hour_on(seconds, text):
    assert hours(seconds) == text


@pytest.mark.parametrize(
    ("words", "text"), [([], ""), (["a"], "a"), (["a", "b"], "a and b"), (["a", "b", "c"], "a, b and c")]
)
def test_lists_read_as_sentences(words, text):
    assert listed(words) == text
