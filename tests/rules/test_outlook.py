"""How far, why not yet, what if: the same arithmetic on changed facts."""

from __future__ import annotations

from dataclasses import replace
from datetime import timedelta

import pytest

from rules.care_due import due
from rules.contamination import history
from rules.outlook import (
    difference,
    outlook,
    what_if_limit,
    why_not_yet,
    with_condition,
    with_imagined_ride,
    with_ride_on,
)
from rules.reminder import ReminderKind
from rules.units import SI, said
from rules.vocabulary import BikeId, ChainId, Condition, DecidedBy, RideId
from tests.rules.notation import at, ledger_of, plain_limits

RULEBOOK = plain_limits()
COPPER, SLATE = ChainId(1), ChainId(2)
PLOVER, CURLEW = BikeId(1), BikeId(2)
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


STORM = """
    2025-06-01  fitted  Copper  on Plover
    2025-06-01  fitted  Slate   on Curlew
    2025-06-01 13:00  immersed  Copper
    2025-06-01 13:00  immersed  Slate
    2025-06-02 18:00  rode  2 h  on Plover  wet
"""


def test_a_corrected_bike_moves_its_grit_hours_and_the_reminder():
    ledger = ledger_of(STORM)
    found = difference(ledger, with_ride_on(ledger, RideId(1), CURLEW), RULEBOOK, now=at("2025-06-03"))
    assert [(row.chain, round(row.grit_h, 6), row.drive_h) for row in found.moved] == [
        (COPPER, -5.2, -2.0),
        (SLATE, 5.2, 2.0),
    ]
    assert [reminder.key for reminder in found.withdrawn] == ["wipe and drip:1:ride 1"]
    assert [reminder.key for reminder in found.raised] == ["wipe and drip:2:ride 1"]
    assert tuple(said(one, SI) for one in found.sentences) == (
        "Copper: -5.2 grit-hours, -2.0 drive hours.",
        "Slate: +5.2 grit-hours, +2.0 drive hours.",
        "Withdrawn: Wipe, dry and drip the chain Copper on Plover.",
        "Raised: Wipe, dry and drip the chain Slate on Curlew. "
        "Slate came home wet at 20:00 on 2 June 2025 (Ride 1): 2.4 mm of rain fell in the hour "
        "from 18:00; 2 of 2 drive hours of the day were wet; "
        "the limit is 0.1 a day. Wipe it dry each wet evening for 10 days.",
    )


def test_a_correction_and_its_undoing_cancel():
    ledger = ledger_of(STORM)
    there = with_ride_on(ledger, RideId(1), CURLEW)
    back = with_ride_on(there, RideId(1), PLOVER)
    assert there.rides[0].decided_by is DecidedBy.RIDER
    assert difference(ledger, back, RULEBOOK, now=at("2025-06-03")).sentences == ()
    moved = difference(ledger, there, RULEBOOK, now=at("2025-06-03")).sentences
    assert moved[0].startswith("Copper: -5.2")


def test_the_riders_word_changes_the_score():
    ledger = ledger_of(STORM)
    dry = with_condition(ledger, RideId(1), Condition.DRY)
    found = difference(ledger, dry, RULEBOOK, now=at("2025-06-03"))
    assert [round(row.grit_h, 6) for row in found.moved] == [-3.2]
    assert with_condition(dry, RideId(1), None) == ledger
    assert with_condition(ledger, RideId(99), Condition.DRY) == ledger


def test_a_bike_described_anew_changes_every_chain_it_carried():
    ledger = ledger_of("bike Plover\n" + STORM.replace("wet", "dusty"))
    gravel = replace(ledger, bikes=(replace(ledger.bikes[0], unpaved_share=1.0), *ledger.bikes[1:]))
    found = difference(ledger, gravel, RULEBOOK, now=at("2025-06-03"))
    assert [(row.chain, row.grit_h) for row in found.moved] == [(COPPER, 2.0)]


def test_a_number_that_moves_in_a_standing_reminder_is_said():
    ledger = ledger_of(STORM)
    longer = replace(ledger.rides[0], hours=ledger.rides[0].hours[:1])
    found = difference(ledger, replace(ledger, rides=(longer,)), RULEBOOK, now=at("2025-06-03"))
    assert (found.withdrawn, found.raised) == ((), ())
    assert found.sentences[-1] == "Wipe, dry and drip the chain Copper on Plover: 2 becomes 1 drive hours."


def test_another_limit():
    ledger = ledger_of(STORM)
    found = what_if_limit(ledger, RULEBOOK, "limit.immersion", 5.0, now=at("2025-06-03"))
    assert found.moved == ()
    assert [reminder.kind for reminder in found.raised] == [ReminderKind.IMMERSION]
    # a wet chain is dripped tonight: a drip is not asked for beside it
    assert what_if_limit(ledger, RULEBOOK, "limit.drip", 5.0, now=at("2025-06-03")).raised == ()
    heavier = what_if_limit(ledger, RULEBOOK, "weight.water", 5.0, now=at("2025-06-03"))
    assert [round(row.grit_h, 6) for row in heavier.moved] == [4.8]


def test_rain_tomorrow():
    ledger = ledger_of(STORM)
    start = at("2025-06-04 08:20")
    rained = with_imagined_ride(ledger, CURLEW, start=start, drive_h=3.5, word=Condition.WET)
    found = difference(ledger, rained, RULEBOOK, now=start + timedelta(hours=3.5))
    assert [(row.chain, row.grit_h, row.drive_h) for row in found.moved] == [
        (SLATE, pytest.approx(10.5), pytest.approx(3.5))
    ]
    assert [(r.kind, r.chain) for r in found.raised] == [(ReminderKind.WIPE_AND_DRIP, SLATE)]
    assert ledger.rides == ledger_of(STORM).rides


def test_an_imagined_ride_fills_its_clock_hours():
    ledger = with_imagined_ride(
        ledger_of("2025-06-01  fitted  Copper  on Plover"),
        PLOVER,
        start=at("2025-06-04 08:20"),
        drive_h=1.5,
        word=Condition.DRY,
    )
    (ride,) = ledger.rides
    assert [(hour.hour_start, hour.drive_s) for hour in ride.hours] == [
        (at("2025-06-04 08:00"), 2400.0),
        (at("2025-06-04 09:00"), 3000.0),
    ]
    assert not ride.indoor
    assert (ride.drive_s, ride.drive_low_s, ride.drive_high_s, ride.moving_s) == (5400.0,) * 4
    assert history(ledger, COPPER, RULEBOOK).over_life.drive_h == pytest.approx(1.5)
