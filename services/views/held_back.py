"""Reminders that nobody was told of yet because it is quiet: said where the rider looks."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import datetime

from rules.quiet_hours import may_speak, speak_at, unheard
from rules.reminder import RaisedReminder
from rules.vocabulary import Rider
from services.app import App, quiet_hours_of, zone_of


def held_back(app: App, standing: Sequence[RaisedReminder], riders: Sequence[Rider], now: datetime) -> str:
    """'Told at 07:00: these are quiet hours.' for what waits until they end; "" where nothing waits."""
    hours, zones = quiet_hours_of(app), {rider.id: zone_of(rider.time_zone) for rider in riders}
    news = [(one.raised.reminder.kind, zones[one.raised.reminder.rider]) for one in unheard(standing)]
    waiting = [(kind, zone) for kind, zone in news if not may_speak(kind, now.astimezone(zone), hours)]
    if not waiting or len(waiting) < len(news):  # one that may speak takes the others along
        return ""
    if not app.channels:  # asked last: they are slow to load
        return ""
    first = min(speak_at(kind, now.astimezone(zone), hours) for kind, zone in waiting)
    return f"Not sent yet: these are quiet hours. You are told at {first:%H:%M}."
