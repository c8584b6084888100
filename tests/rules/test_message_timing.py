"""When news is told: bundles, a month's messages, the weekly outlook."""

from __future__ import annotations

from dataclasses import replace
from datetime import datetime, time, timedelta
from zoneinfo import ZoneInfo

from rules.message_timing import Told, bundles, outlook_due, unheard
from rules.quiet_hours import QuietHours
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


def test_news_is_unheard_until_it_was_told():
    waiting = raised(Step.RAISED)
    told = raised(Step.RAISED, Step.TOLD, number=2)
    worse = raised(Step.RAISED, Step.TOLD, Step.WORSE, number=3)
    never_told = raised(Step.RAISED, Step.WORSE, number=4)
    put_off = raised(Step.RAISED, Step.PUT_OFF, number=5)
    back = raised(Step.RAISED, Step.TOLD, Step.PUT_OFF, Step.RAISED, number=6)
    done = raised(Step.RAISED, Step.DONE, number=7)
    found = unheard((waiting, told, worse, never_told, put_off, back, done))
    assert [(one.raised.id, one.worse) for one in found] == [(1, False), (3, True), (4, False), (6, False)]


def test_one_message_per_rider_and_everything_in_it():
    waiting = unheard(
        (
            raised(Step.RAISED, number=1, kind=DRIP, rider=1, cause="2025-06-02"),
            raised(Step.RAISED, number=2, kind=WET, rider=1, urgency=1, chain=2),
            raised(Step.RAISED, number=3, kind=DRIP, rider=2, chain=3),
            raised(Step.RAISED, number=4, kind=DRIP, rider=1, cause="2025-06-01", chain=4),
        )
    )
    late = local("2025-06-03 22:00")
    quiet_hours = {RiderId(1): MANNERS, RiderId(2): MANNERS}
    (bundle,) = bundles(waiting, dict.fromkeys(quiet_hours, late), quiet_hours)
    assert bundle.rider == 1
    assert [one.raised.id for one in bundle.unheard] == [2, 4, 1]
    morning = dict.fromkeys(quiet_hours, local("2025-06-04 07:00"))
    assert [bundle.rider for bundle in bundles(waiting, morning, quiet_hours)] == [1, 2]
    assert bundles((), {}, {}) == ()


def test_the_outlook_goes_out_on_sunday_morning_once():
    # 8 June 2025 was a Sunday.
    before, sunday = local("2025-06-01 07:00"), local("2025-06-08 07:00")
    assert not outlook_due(local("2025-06-08 06:59"), before, MANNERS)
    assert outlook_due(sunday, before, MANNERS)
    assert not outlook_due(local("2025-06-08 12:00"), sunday, MANNERS)
    assert outlook_due(local("2025-06-11 12:00"), before, MANNERS)
    assert not outlook_due(local("2025-06-11 23:30"), before, MANNERS)
    assert not outlook_due(sunday, before, replace(MANNERS, outlook_weekday=None))


def test_a_new_household_waits_for_its_first_sunday():
    assert outlook_due(local("2025-06-08 09:00"), None, MANNERS)
    assert not outlook_due(local("2025-06-10 09:00"), None, MANNERS)


def test_without_quiet_hours_the_outlook_comes_at_their_end_on_its_day():
    odd = QuietHours(quiet_from=time(9, 0), quiet_until=time(9, 0))
    last = local("2025-06-01 09:00")
    assert not outlook_due(local("2025-06-08 08:00"), last, odd)
    assert outlook_due(local("2025-06-08 09:00"), last, odd)


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
