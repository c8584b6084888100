"""When what nobody heard yet is told, and in which message: bundles, a month's messages, the outlook."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import datetime, timedelta

from rules.quiet_hours import QuietHours, end_of_quiet, inside, may_speak
from rules.reminder import (
    ASKED_AHEAD,
    HAS_DRIED,
    WET_HOLDS,
    RaisedReminder,
    Reminder,
    ReminderKind,
    Step,
    wants_a_rinse,
)
from rules.vocabulary import ChainId, RiderId

CAN_WAIT = frozenset({ReminderKind.DRIP, ReminderKind.IMMERSION, ReminderKind.INSPECTION})
MONTH = timedelta(days=30)
KEPT_FOR_THE_WET = 0.5  # of a month's messages, once a wet chain spoke in it; labelled assumption
WITH_THE_OUTLOOK = timedelta(days=3)  # what can wait so long is said there; labelled assumption


@dataclass(frozen=True, slots=True)
class Unheard:
    """A reminder that is open and whose latest news nobody was told yet."""

    raised: RaisedReminder
    worse: bool  # told before, and it grew


@dataclass(frozen=True, slots=True)
class Told:
    """What riders heard in the last thirty days, the weekly outlook aside.

    messages: how many each had.  wet_at: when a rider was last told of a chain that it came home wet.
    """

    messages: Mapping[RiderId, int] = field(default_factory=dict)
    wet_at: Mapping[tuple[RiderId, ChainId], datetime] = field(default_factory=dict)


@dataclass(frozen=True, slots=True)
class Bundle:
    """What one rider is told in one message, most pressing first."""

    rider: RiderId
    unheard: tuple[Unheard, ...]


def unheard(standing: Iterable[RaisedReminder]) -> tuple[Unheard, ...]:
    """Which open reminders have news that was not told? A put-off one is silent until it is raised again.

    A chain that came home wet and has dried since is to be skipped: that is no news.
    """
    found = []
    for raised in standing:
        state = raised.state
        if state not in (Step.RAISED, Step.WORSE) or raised.steps[-1].step is Step.TOLD:
            continue
        if has_dried(raised):
            continue
        told_before = any(step.step is Step.TOLD for step in raised.steps)
        found.append(Unheard(raised, worse=state is Step.WORSE and told_before))
    return tuple(found)


def has_dried(raised: RaisedReminder) -> bool:
    """Whether it asks for nothing any more, for the chain came home wet and has dried by itself?"""
    return HAS_DRIED in raised.reminder.sentence and not wants_a_rinse(raised.reminder)


def bundles(
    waiting: Sequence[Unheard],
    local_time: Mapping[RiderId, datetime],
    quiet_hours: Mapping[RiderId, QuietHours],
    told: Told = Told(),
) -> tuple[Bundle, ...]:
    """What is to be said now, one message per rider?

    If anything of a rider may speak, everything that waits for that rider is said with it: one message now is
    quieter than one now and one in the morning.
    local_time, quiet_hours: of every rider with something waiting.
    What can wait and is not overdue waits for the weekly outlook when that is near: it comes anyway. What the
    month has no message left for (`no_message_left`) waits for the outlook too. No job waits whose chain came
    home wet while no wet message holds: the night would pass without a word.
    """
    by_rider: dict[RiderId, list[Unheard]] = {}
    for one in waiting:
        by_rider.setdefault(one.raised.reminder.rider, []).append(one)
    found = []
    for rider, own in by_rider.items():
        local, hours = local_time[rider], quiet_hours[rider]
        if waits_for_outlook(own, local, hours, told) or no_message_left(own, local, hours, told):
            continue
        if any(may_speak(one.raised.reminder.kind, local, hours) for one in own):
            found.append(Bundle(rider, tuple(sorted(own, key=_pressing))))
    return tuple(found)


def no_message_left(own: Sequence[Unheard], local: datetime, quiet_hours: QuietHours, told: Told) -> bool:
    """Whether all of this is without a message of its own, for the rider had as many as are wanted?

    own: of one rider, not empty. Half of a month's messages are kept for wet chains once one spoke. When all
    are used up, a wet chain is silent only while its latest wet message holds, which said what to do on the
    evenings to come; a worn chain, and one put off to this day, always speak.
    """
    most, rider = quiet_hours.messages_a_month, own[0].raised.reminder.rider
    if most is None:
        return False
    had, wet_month = told.messages.get(rider, 0), any(of == rider for of, _ in told.wet_at)

    def is_silent(one: Unheard) -> bool:
        reminder = one.raised.reminder
        if reminder.kind in CAN_WAIT:
            return not _wet_unsaid(reminder, local, told) and had >= most * (
                KEPT_FOR_THE_WET if wet_month else 1.0
            )
        asked_at = told.wet_at.get((rider, reminder.chain))
        put_off = any(step.step is Step.PUT_OFF for step in one.raised.steps)
        wet = reminder.kind is ReminderKind.WIPE_AND_DRIP and not put_off
        return wet and had >= most and asked_at is not None and local - asked_at < WET_HOLDS

    return all(map(is_silent, own))


def _wet_unsaid(reminder: Reminder, local: datetime, told: Told) -> bool:
    """Whether its chain came home wet, and no message of the last days asks to wipe it?"""
    asked_at = told.wet_at.get((reminder.rider, reminder.chain))
    return ASKED_AHEAD in reminder.sentence and (asked_at is None or local - asked_at >= WET_HOLDS)


def waits_for_outlook(
    own: Sequence[Unheard], local: datetime, quiet_hours: QuietHours, told: Told = Told()
) -> bool:
    """Whether all of this can wait, and the weekly outlook is to come within a few days?"""
    if quiet_hours.outlook_weekday is None or any(
        one.raised.reminder.urgency
        or one.raised.reminder.kind not in CAN_WAIT
        or _wet_unsaid(one.raised.reminder, local, told)
        for one in own
    ):
        return False
    comes = end_of_quiet(local, quiet_hours) + timedelta(
        days=(quiet_hours.outlook_weekday - local.weekday()) % 7
    )
    return local < comes <= local + WITH_THE_OUTLOOK


def _pressing(one: Unheard) -> tuple[int, datetime, int]:
    reminder = one.raised.reminder
    return -reminder.urgency, reminder.cause_at, one.raised.id


def outlook_due(local: datetime, last_sent: datetime | None, quiet_hours: QuietHours) -> bool:
    """Whether the weekly outlook should go out now?

    It is due from the end of the quiet hours on its weekday; after days off it is made up for once. A rider
    who never had one gets it on its day, not on the day of installing.
    """
    if quiet_hours.outlook_weekday is None or inside(
        local.time(), quiet_hours.quiet_from, quiet_hours.quiet_until
    ):
        return False
    back = (local.weekday() - quiet_hours.outlook_weekday) % 7
    moment = end_of_quiet(local - timedelta(days=back), quiet_hours)
    if moment > local:
        moment -= timedelta(days=7)
    if last_sent is None:
        return local - moment < timedelta(days=1)
    return last_sent < moment
