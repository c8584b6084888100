"""Ten more everyday stories of care, written before they were run: what is asked for, and what is not."""

from __future__ import annotations

from dataclasses import replace

import pytest

from rules.care_due import due
from rules.contamination import history
from rules.message_timing import bundles, unheard
from rules.overlapping_reminders import one_a_chain
from rules.own_limits import in_force
from rules.quiet_hours import QuietHours
from rules.reminder import RaisedReminder, ReminderKind, ReminderStep, Step
from rules.rulebook import default_rulebook
from rules.supplies import cost_of
from rules.vocabulary import OwnLimits, OwnLimitsId, OwnValue, ReminderId, Supply, SupplyId, SupplyKind
from tests.rules.notation import at, ledger_of

RULEBOOK = default_rulebook()
DRIP, WET, BATH, READ = (
    ReminderKind.DRIP,
    ReminderKind.WIPE_AND_DRIP,
    ReminderKind.IMMERSION,
    ReminderKind.INSPECTION,
)
FRESH = """
    rider Ines
    bike Plover  of Ines
    2025-06-01        fitted    Copper  on Plover
    2025-06-01 13:00  immersed  Copper
    2025-06-01 14:00  measured  Copper  under 0.25
"""


def asked(text, now, rulebook=RULEBOOK, standing=()):
    return one_a_chain(due(ledger_of(text), rulebook, now=at(now)), standing)


def kinds(text, now, **more):
    return [one.kind for one in asked(text, now, **more)]


def raised(reminder, now, *steps):
    first = ReminderStep(Step.RAISED, at(now), "the round")
    return RaisedReminder(ReminderId(1), reminder, (first, *steps))


def rides(days, hours, word, month="06", clock="17:00"):
    return "".join(f"2025-{month}-{day:02} {clock}  rode  {hours} h  on Plover  {word}\n" for day in days)


def test_11_a_rainy_fortnight_to_work_is_two_evenings():
    # 2 June 2025 was a Monday; an hour a working day, all of it in the wet
    days = [2, 3, 4, 5, 6, 9, 10, 11, 12, 13]
    text, told = FRESH, []
    for day in days:
        text += rides([day], 1, "wet")
        wanted = kinds(text, f"2025-06-{day:02} 20:00")
        if wanted:
            told.append((day, wanted))
            text += f"2025-06-{day:02} 21:00  dripped  Copper\n"
    # Monday for the wet; Monday week for the film: five hours at 2.6 grit-hours
    assert told == [(2, [WET]), (9, [DRIP])]


def test_12_the_drip_that_falls_due_on_a_friday_is_told_on_sunday():
    text = FRESH + rides([3, 4, 5, 6], 3.1, "dry", clock="08:00")
    (drip,) = asked(text, "2025-06-06 12:00")
    waits = unheard([raised(drip, "2025-06-06 12:00")])
    (rider,) = ledger_of(text).riders
    for when in ("2025-06-06 12:00", "2025-06-07 18:00"):
        assert bundles(waits, {rider.id: at(when)}, {rider.id: QuietHours()}) == ()
    told_anyway = bundles(
        waits, {rider.id: at("2025-06-06 12:00")}, {rider.id: QuietHours(outlook_weekday=None)}
    )
    assert len(told_anyway) == 1


def test_13_a_wet_ride_that_is_read_in_two_days_later_brings_no_message():
    text = FRESH + rides([3], 2, "wet")
    (wet,) = asked(text, "2025-06-05 20:00")
    assert wet.sentence.endswith("It has dried by now: skip it; a drip is due at 12 grit-hours, as usual.")
    assert unheard([raised(wet, "2025-06-05 20:00")]) == ()


def test_14_both_bikes_of_a_wet_club_run_are_one_message():
    text = (
        FRESH
        + """
        bike Heron  of Ines
        2025-06-01        fitted    Slate  on Heron
        2025-06-01 13:00  immersed  Slate
        2025-06-07 08:00  rode  2 h  on Plover  wet
        2025-06-07 14:00  rode  2 h  on Heron  wet
    """
    )
    both = asked(text, "2025-06-07 17:00")
    assert [(one.kind, one.chain) for one in both] == [(WET, 1), (WET, 2)]
    news = unheard([replace(raised(one, "2025-06-07 17:00"), id=ReminderId(n)) for n, one in enumerate(both)])
    (rider,) = ledger_of(text).riders
    (bundle,) = bundles(news, {rider.id: at("2025-06-07 17:00")}, {rider.id: QuietHours()})
    assert len(bundle.unheard) == 2


def test_15_a_winter_on_rollers_drips_by_the_hour_and_is_never_wet():
    text = FRESH + "".join(
        f"2025-06-{day:02} 18:00  rode  1.5 h  on Plover  wet  indoors\n" for day in range(2, 11)
    )
    assert kinds(text, "2025-06-08 20:00") == []  # 10.5 hours
    assert kinds(text, "2025-06-09 20:00") == [DRIP]  # 12


def test_16_dirt_goes_along_when_a_chain_changes_bikes():
    text = (
        FRESH
        + rides([2], 10, "dry", clock="06:00")
        + """
        2025-06-03  dripped  Copper
        2025-06-03 14:00  removed  Copper
        2025-06-03 15:00  fitted  Copper  on Heron
        2025-06-04 06:00  rode  11 h  on Heron  dry
    """
    )
    ledger = ledger_of(text)
    assert history(ledger, ledger.chains[0].id, RULEBOOK).since_immersion.grit_h == pytest.approx(21.0)
    assert kinds(text, "2025-06-05") == []
    (drip,) = asked(text + "2025-06-05 06:00  rode  2 h  on Heron  dry\n", "2025-06-06")
    assert drip.headline == "Drip the chain Copper on Heron"


def test_17_one_evening_at_the_pot_instead_of_a_drip_and_a_pot():
    text = FRESH + "".join(
        f"2025-06-{day:02} 06:00  rode  12.1 h  on Plover  dry\n2025-06-{day:02} 22:00  dripped  Copper\n"
        for day in (2, 4)
    )
    text += "2025-06-06 06:00  rode  12.1 h  on Plover  dry\n"
    (bath,) = asked(text, "2025-06-06 22:00")
    assert bath.kind is BATH
    assert "one evening does both" in bath.sentence
    # who drips all the same has the pot before the limit no more, and at the limit again, with the
    # reading that 40 hours ask for
    dripped = text + "2025-06-06 22:30  dripped  Copper\n"
    assert kinds(dripped, "2025-06-07") == []
    assert kinds(dripped + "2025-06-07 06:00  rode  4 h  on Plover  dry\n", "2025-06-07 12:00") == [
        BATH,
        READ,
    ]


def test_18_the_third_evening_at_the_pot_brings_the_gauge_out():
    text = FRESH
    for month in (7, 8, 9):
        text += f"2025-{month:02}-01 06:00  rode  5 h  on Plover  dry\n2025-{month:02}-02  immersed  Copper\n"
    assert kinds(text, "2025-09-03") == []  # three baths since the reading: it waits for the next pot
    text += "2025-09-04 06:00  rode  23.5 h  on Plover  dry\n2025-09-06 06:00  rode  4 h  on Plover  dry\n"
    # 27.5 hours, 15.5 of them on a used-up film: 43 of 40
    assert set(kinds(text, "2025-09-07")) == {BATH, READ}


def test_19_somebody_who_cares_less_sets_a_drip_at_twenty_and_hears_nothing_at_fifteen():
    text = FRESH + rides([2], 15, "dry", clock="06:00")
    assert kinds(text, "2025-06-03") == [DRIP]
    ledger = replace(
        ledger_of(text),
        own_limits=(OwnLimits(OwnLimitsId(1), at("2025-06-01"), (OwnValue("rider", 1, "drip", 20.0),)),),
    )
    own = in_force(RULEBOOK, ledger)
    assert due(ledger, own, now=at("2025-06-03")) == ()
    # nor does an hour within the own film count twice as dirt
    assert history(ledger, ledger.chains[0].id, own).since_immersion.grit_h == pytest.approx(15.0)


def test_20_a_drip_from_a_bottle_of_eighteen_costs_ninety_cents():
    text = FRESH + rides([2], 12.5, "dry", clock="06:00") + "2025-06-03  dripped  Copper\n"
    bottle = Supply(SupplyId(1), SupplyKind.DRIP_WAX, 120.0, at("2025-06-01"), price=18.0)
    ledger = replace(ledger_of(text), supplies=(bottle,))
    bath, drip = sorted(ledger.treatments, key=lambda one: one.done_at)
    assert cost_of(ledger, RULEBOOK, drip) == pytest.approx(0.90)
    assert cost_of(ledger, RULEBOOK, bath) is None
