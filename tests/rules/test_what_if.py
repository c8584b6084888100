"""What if: what a changed fact or limit changes."""

from __future__ import annotations

from dataclasses import replace
from datetime import timedelta

import pytest

from rules.contamination import history
from rules.reminder import ReminderKind
from rules.units import SI, said
from rules.vocabulary import BikeId, ChainId, Condition, DecidedBy, RideId
from rules.what_if import difference, what_if_limit, with_condition, with_imagined_ride, with_ride_on
from tests.rules.notation import at, ledger_of, plain_limits

RULEBOOK = plain_limits()
COPPER, SLATE = ChainId(1), ChainId(2)
PLOVER, CURLEW = BikeId(1), BikeId(2)
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
