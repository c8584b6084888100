"""Reminders that nobody was told of yet, for it is quiet or the outlook near: said where the rider looks."""

from __future__ import annotations

from calendar import day_name
from collections.abc import Sequence
from datetime import datetime

from rules.message_timing import Told, no_message_left, unheard, waits_for_outlook
from rules.quiet_hours import may_speak, speak_at
from rules.reminder import RaisedReminder
from rules.vocabulary import Rider
from services.app import App, quiet_hours_of, zone_of


def held_back(
    app: App, standing: Sequence[RaisedReminder], riders: Sequence[Rider], now: datetime, told: Told
) -> str:
    """Until when waits what is not told yet, for quiet hours or for the outlook? "" where nothing waits.

    told: what the riders heard in the last thirty days.
    """
    hours, zones = quiet_hours_of(app), {rider.id: zone_of(rider.time_zone) for rider in riders}
    untold = unheard(standing)
    news = [(one.raised.reminder.kind, zones[one.raised.reminder.rider]) for one in untold]
    if app.address(now) is None:  # as when they are told
        told = Told(told.messages)
    if untold and app.channels and waits_for_outlook(untold, now.astimezone(news[0][1]), hours, told):
        on = day_name[hours.outlook_weekday or 0]
        return f"Not sent yet: it can wait, and comes with the week ahead on {on}."
    of_each = [[one for one in untold if one.raised.reminder.rider == rider.id] for rider in riders]
    if untold and app.channels and all(no_message_left(own, now, hours, told) for own in of_each if own):
        weekday = hours.outlook_weekday
        on = "" if weekday is None else f", and in the week ahead on {day_name[weekday]}"
        most = hours.messages_a_month
        had = "1 message in thirty days was" if most == 1 else f"{most} messages in thirty days were"
        return f"Not sent: {had} enough. It stands here{on}."
    waiting = [(kind, zone) for kind, zone in news if not may_speak(kind, now.astimezone(zone), hours)]
    if not waiting or len(waiting) < len(news):  # one that may speak takes the others along
        return ""
    if not app.channels:  # asked last: they are slow to load
        return ""
    first = min(speak_at(kind, now.astimezone(zone), hours) for kind, zone in waiting)
    return f"Not sent yet: these are quiet hours. You are told at {first:%H:%M}."
