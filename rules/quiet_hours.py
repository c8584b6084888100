"""When a reminder may speak: quiet hours, and the bedtime of a wet chain.

Local time is passed in, as an aware datetime in the rider's own zone.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime, time, timedelta

from rules.reminder import ReminderKind


@dataclass(frozen=True, slots=True)
class QuietHours:
    """One rider's quiet hours. Times are local; a span may cross midnight; equal ends mean no quiet."""

    quiet_from: time = time(21, 30)
    quiet_until: time = time(7, 0)
    bedtime: time = time(23, 0)  # a wet chain may speak until then, for it rusts overnight
    outlook_weekday: int | None = 6  # 0 = Monday; None = no weekly outlook
    messages_a_month: int | None = 4  # beyond it, what can wait comes with the weekly outlook; None = no end


def may_speak(kind: ReminderKind, local: datetime, quiet_hours: QuietHours) -> bool:
    """Whether a reminder of this kind may speak at this local time?"""
    start = quiet_hours.quiet_from
    # a bedtime before the quiet hours begin grants nothing
    if kind is ReminderKind.WIPE_AND_DRIP and inside(quiet_hours.bedtime, start, quiet_hours.quiet_until):
        start = quiet_hours.bedtime
    return not inside(local.time(), start, quiet_hours.quiet_until)


def speak_at(kind: ReminderKind, local: datetime, quiet_hours: QuietHours) -> datetime:
    """The earliest local time, from now on, at which a reminder of this kind may speak."""
    if may_speak(kind, local, quiet_hours):
        return local
    morning = end_of_quiet(local, quiet_hours)
    return morning if local.time() < quiet_hours.quiet_until else morning + timedelta(days=1)


def end_of_quiet(on: datetime, quiet_hours: QuietHours) -> datetime:
    """When do the quiet hours end on that local day?"""
    end = quiet_hours.quiet_until
    return on.replace(hour=end.hour, minute=end.minute, second=0, microsecond=0)


def inside(at: time, start: time, end: time) -> bool:
    """Whether a time of day lies in [start, end), which may cross midnight."""
    if start <= end:
        return start <= at < end
    return at >= start or at < end
