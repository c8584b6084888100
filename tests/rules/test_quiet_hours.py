"""Quiet hours: when a reminder may speak, by the rider's clock."""

from __future__ import annotations

from dataclasses import replace
from datetime import datetime, time, timedelta
from zoneinfo import ZoneInfo

import pytest

from rules.message_timing import Told, bundles, unheard
from rules.quiet_hours import QuietHours, may_speak, speak_at
from rules.reminder import ASKED_AHEAD, RaisedReminder, Reminder, ReminderKind, ReminderStep, Step
from rules.vocabulary import ChainId, ReminderId, RiderId
from tests.rules.notation import at

DENVER = ZoneInfo("America/Denver")
MANNERS = QuietHours()
DRIP, WET = ReminderKind.DRIP, ReminderKind.WIPE_AND_DRIP


def local(text):
    return datetime.strptime(text, "%Y-%m-%d %H:%M").replace(tzinfo=DENVER)


def reminder(kind=DRIP, chain=1, rider=1, urgency=0, cause="2025-06-03"):
    return Reminder(
        key=f"{kind}:{chain}:start",
        kind=kind,
        chain=ChainId(chain),
        rider=RiderId(rider),
        bike=None,
        cause_at=at(cause),
        headline=f"{kind} {chain}",
        sentence="",
        total=1.0,
        limit=1.0,
        unit="grit-hours",
        unknown_h=0.0,
        reasons=(),
        rulebook_version="1",
        urgency=urgency,
    )


def raised(*steps, number=1, **more):
    return RaisedReminder(
        ReminderId(number),
        reminder(**more),
        tuple(ReminderStep(step, at("2025-06-03"), "the round") for step in steps),
    )


@pytest.mark.parametrize(
    ("clock", "drip", "wet"),
    [
        ("06:59", False, False),
        ("07:00", True, True),
        ("21:29", True, True),
        ("21:30", False, True),
        ("22:59", False, True),
        ("23:00", False, False),
        ("00:30", False, False),
    ],
)
def test_a_wet_chain_may_speak_until_bedtime(clock, drip, wet):
    moment = local(f"2025-06-03 {clock}")
    assert may_speak(DRIP, moment, MANNERS) is drip
    assert may_speak(WET, moment, MANNERS) is wet


def test_a_bedtime_before_the_quiet_hours_grants_nothing():
    early = QuietHours(bedtime=time(20, 0))
    assert may_speak(WET, local("2025-06-03 21:00"), early)
    assert not may_speak(WET, local("2025-06-03 22:00"), early)


def test_quiet_by_day_and_no_quiet_at_all():
    sleeps_by_day = QuietHours(quiet_from=time(8, 0), quiet_until=time(16, 0), bedtime=time(9, 0))
    assert not may_speak(DRIP, local("2025-06-03 08:30"), sleeps_by_day)
    assert may_speak(WET, local("2025-06-03 08:30"), sleeps_by_day)
    assert may_speak(DRIP, local("2025-06-03 03:00"), sleeps_by_day)
    always = QuietHours(quiet_from=time(0, 0), quiet_until=time(0, 0))
    assert may_speak(DRIP, local("2025-06-03 03:00"), always)


def test_it_speaks_at_the_first_moment_it_may():
    assert speak_at(DRIP, local("2025-06-03 12:00"), MANNERS) == local("2025-06-03 12:00")
    assert speak_at(DRIP, local("2025-06-03 22:00"), MANNERS) == local("2025-06-04 07:00")
    assert speak_at(DRIP, local("2025-06-04 03:00"), MANNERS) == local("2025-06-04 07:00")
    assert speak_at(WET, local("2025-06-03 22:00"), MANNERS) == local("2025-06-03 22:00")


def test_the_night_the_clocks_change_ends_at_seven_all_the_same():
    # 9 March 2025, 02:00: clocks go forward in Denver (IANA time zone database).
    told = speak_at(DRIP, local("2025-03-08 23:30"), MANNERS)
    assert (told.hour, told.day) == (7, 9)
    assert told.utcoffset() == timedelta(hours=-6)


ADA, NOON = RiderId(1), datetime(2025, 6, 18, 12, 0, tzinfo=DENVER)  # a Wednesday


def is_told(*kinds, messages, wet_days_ago=None, chain=1, steps=(Step.RAISED,)):
    waiting = unheard(
        [raised(*steps, number=number, kind=kind) for number, kind in enumerate(kinds, start=1)]
    )
    wet_at = {} if wet_days_ago is None else {(ADA, ChainId(chain)): NOON - timedelta(days=wet_days_ago)}
    told = bundles(waiting, {ADA: NOON}, {ADA: MANNERS}, Told({ADA: messages}, wet_at))
    return [len(one.unheard) for one in told] == [len(kinds)]


def test_in_a_wet_month_half_of_the_messages_are_kept_for_wet_chains():
    assert is_told(DRIP, messages=3)
    assert is_told(DRIP, messages=1, wet_days_ago=12)
    assert not is_told(DRIP, messages=2, wet_days_ago=12)
    assert is_told(DRIP, WET, messages=2, wet_days_ago=12)  # said with what speaks anyway


def test_a_wet_chain_speaks_beyond_the_months_messages_unless_its_last_message_still_holds():
    assert is_told(WET, messages=3, wet_days_ago=4)
    assert is_told(WET, messages=9)
    assert is_told(WET, messages=4, wet_days_ago=10)
    assert not is_told(WET, messages=4, wet_days_ago=9)
    assert is_told(WET, messages=4, wet_days_ago=9, chain=2)  # of another chain
    assert is_told(WET, messages=4, wet_days_ago=9, steps=(Step.RAISED, Step.PUT_OFF, Step.RAISED))
    assert is_told(WET, ReminderKind.REPLACEMENT, messages=4, wet_days_ago=9)
    assert not is_told(WET, DRIP, messages=4, wet_days_ago=9)


WET_TOO = f"Copper has 12 grit-hours; the limit is 12. It came home wet. Wipe it dry each {ASKED_AHEAD}."


def is_told_wet_too(*, messages, wet_days_ago=None, day=NOON):
    one = raised(Step.RAISED, kind=DRIP)
    waiting = unheard([replace(one, reminder=replace(one.reminder, sentence=WET_TOO))])
    wet_at = {} if wet_days_ago is None else {(ADA, ChainId(1)): day - timedelta(days=wet_days_ago)}
    return bool(bundles(waiting, {ADA: day}, {ADA: MANNERS}, Told({ADA: messages}, wet_at)))


def test_a_job_that_can_wait_does_not_while_its_chain_is_wet_and_no_wet_message_holds():
    friday = NOON + timedelta(days=2)
    assert not is_told(DRIP, messages=4)
    assert is_told_wet_too(messages=4)
    assert is_told_wet_too(messages=4, wet_days_ago=10)
    assert not is_told_wet_too(messages=4, wet_days_ago=9)
    assert is_told_wet_too(messages=0, day=friday)  # two days before the outlook
    assert not is_told_wet_too(messages=0, wet_days_ago=9, day=friday)
