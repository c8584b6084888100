"""Quiet hours: when a reminder may speak, by the rider's clock."""

from __future__ import annotations

from datetime import datetime, time, timedelta
from zoneinfo import ZoneInfo

import pytest

from rules.quiet_hours import QuietHours, may_speak, speak_at
from rules.reminder import ReminderKind

DENVER = ZoneInfo("America/Denver")
MANNERS = QuietHours()
DRIP, WET = ReminderKind.DRIP, ReminderKind.WIPE_AND_DRIP


def local(text):
    return datetime.strptime(text, "%Y-%m-%d %H:%M").replace(tzinfo=DENVER)


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
