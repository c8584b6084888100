"""How far each limit is, and why nothing is asked for yet."""

from __future__ import annotations

from datetime import timedelta

import pytest

from rules.care_due import due
from rules.outlook import outlook, why_not_yet
from rules.reminder import ReminderKind
from rules.vocabulary import ChainId
from tests.rules.notation import at, ledger_of, plain_limits

RULEBOOK = plain_limits()
COPPER, SLATE = ChainId(1), ChainId(2)
RIDDEN = """
    2025-05-01        fitted    Copper  on Plover
    2025-05-01 13:00  immersed  Copper
    2025-05-01 14:00  measured  Copper  under 0.25
    2025-05-20 08:00  rode      4 h     on Plover  dry
    2025-05-27 08:00  rode      3 h     on Plover
"""


def rows(text, now, **more):
    return {(row.kind, row.unit): row for row in outlook(ledger_of(text), RULEBOOK, now=at(now), **more)}


def test_each_limit_comes_at_the_chains_own_recent_pace():
    row = rows(RIDDEN, "2025-06-01")[ReminderKind.DRIP, "grit-hours"]
    assert (row.used, row.limit, row.left, row.unknown_h) == (7.0, 9.0, 2.0, 3.0)
    assert row.share == pytest.approx(7 / 9)
    assert row.pace_per_day == pytest.approx(7 / 28)
    assert row.by == at("2025-06-01") + timedelta(days=8)
    assert row.sentence == (
        "Copper on Plover: 7 of 9 grit-hours to a drip; at its recent 1.8 a week that is about 9 June 2025."
    )
    hours = rows(RIDDEN, "2025-06-01")[ReminderKind.INSPECTION, "drive hours"]
    assert (hours.used, hours.pace_per_day) == (7.0, 0.25)


def test_the_pace_is_the_recent_one():
    row = rows(RIDDEN, "2025-06-01", days=7)[ReminderKind.DRIP, "grit-hours"]
    assert row.pace_per_day == pytest.approx(3 / 7)


def test_a_chain_fitted_lately_is_judged_by_its_days_on_the_bike_but_by_a_week_at_least():
    text = "2025-05-30  fitted  Copper  on Plover\n2025-05-31  rode  2 h  on Plover  dry"
    assert rows(text, "2025-06-01")[ReminderKind.DRIP, "grit-hours"].pace_per_day == pytest.approx(2 / 7)
    assert rows(text, "2025-06-13")[ReminderKind.DRIP, "grit-hours"].pace_per_day == pytest.approx(2 / 14)


def test_a_limit_that_is_reached_is_due_now_and_comes_first():
    now = at("2025-06-01")
    found = outlook(ledger_of(RIDDEN + "2025-05-28 06:00  rode  8 h  on Plover  dry"), RULEBOOK, now=now)
    assert (found[0].kind, found[0].by, found[0].left) == (ReminderKind.DRIP, now, 0.0)
    assert found[0].sentence == "Copper on Plover: 15 of 9 grit-hours to a drip; due now."
    assert found[-1].by is None


def test_a_chain_at_rest_has_no_date():
    still = rows(RIDDEN, "2025-09-01")[ReminderKind.DRIP, "grit-hours"]
    assert (still.pace_per_day, still.by) == (None, None)
    assert still.sentence.endswith("to a drip; not ridden enough lately to say when.")
    crawling = RIDDEN + "2025-08-31  rode  0.001 h  on Plover  dry"
    assert rows(crawling, "2025-09-01")[ReminderKind.DRIP, "grit-hours"].by is None


def test_immersions_count_towards_a_reading_without_a_date():
    text = RIDDEN + "2025-05-28  immersed  Copper\n2025-05-29  dripped  Copper"
    row = rows(text, "2025-06-01")[ReminderKind.INSPECTION, "immersions"]
    assert (row.used, row.limit, row.by) == (1.0, 3.0, None)
    assert row.sentence == "Copper on Plover: 1 of 3 immersions to a wear reading."


def test_a_wet_lube_chain_looks_out_for_oil():
    text = "chain Copper  12-speed  wet lube\n" + RIDDEN.replace("immersed", "cleaned")
    row = rows(text, "2025-06-01")[ReminderKind.DRIP, "grit-hours"]
    assert (row.limit, "7 of 8 grit-hours to oil" in row.sentence) == (8.0, True)


def test_only_chains_on_a_bike_have_an_outlook():
    assert rows(RIDDEN + "2025-05-30  removed  Copper", "2025-06-01") == {}
    assert rows(RIDDEN + "2025-05-30  retired  Copper", "2025-06-01") == {}


def test_the_outlook_is_kept_by_the_reminders():
    """What it says is due by a day at this pace is due on that day, if the chain goes on like this."""
    start = "2025-05-01  fitted  Copper  on Plover\n2025-05-01 13:00  immersed  Copper\n"
    days = [f"2025-05-{day:02} 18:00  rode  0.25 h  on Plover  dry\n" for day in range(2, 32)]
    ledger = ledger_of(start + "".join(days))
    (row,) = (o for o in outlook(ledger, RULEBOOK, now=at("2025-05-29")) if o.kind is ReminderKind.DRIP)
    going_on = [f"2025-06-{day:02} 18:00  rode  0.25 h  on Plover  dry\n" for day in range(1, 20)]
    later = ledger_of(start + "".join(days + going_on))
    day_before, day_after = row.by - timedelta(days=1.5), row.by + timedelta(days=1.5)
    assert not [r for r in due(later, RULEBOOK, now=day_before) if r.kind is ReminderKind.DRIP]
    assert [r for r in due(later, RULEBOOK, now=day_after) if r.kind is ReminderKind.DRIP]


def test_why_not_yet():
    ledger = ledger_of(RIDDEN)
    said = why_not_yet(ledger, RULEBOOK, COPPER, now=at("2025-06-01"))
    assert len(said) == 4
    assert said[0].startswith("Copper on Plover: 7 of 9 grit-hours to a drip")
    off = ledger_of(RIDDEN + "2025-05-30  removed  Copper")
    assert why_not_yet(off, RULEBOOK, COPPER, now=at("2025-06-01")) == (
        "Copper is on no bike now, so no riding limit counts.",
    )
    gone = ledger_of(RIDDEN + "2025-05-30  retired  Copper")
    assert why_not_yet(gone, RULEBOOK, COPPER, now=at("2025-06-01")) == ("Copper is retired.",)
