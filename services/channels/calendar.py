"""A calendar feed of what is due, for any calendar program: served by the page or written to a file."""

from __future__ import annotations

import hashlib
from collections.abc import Callable, Iterable
from dataclasses import dataclass
from datetime import date, datetime, timedelta
from pathlib import Path

from icalendar import Alarm, Calendar, Event

from services.atomic_write import write_whole
from services.channels import ChannelError, cannot_write_in
from services.queued_letter import Letter

_OWNER = "-//gritledger//reminders//EN"


@dataclass(frozen=True, slots=True)
class Entry:
    """One line of the calendar.

    key: stays the same as long as it is the same thing to do; the entry's UID is made of it.
    day: the rider's own day on which hands are wanted.
    expected: a forecast from the recent pace, not yet due.
    changed_at: when the facts behind it last changed (aware UTC).
    revision: counts the changes, from 0.
    """

    key: str
    day: date
    headline: str
    text: str
    changed_at: datetime
    revision: int = 0
    expected: bool = False
    link: str | None = None


def feed(entries: Iterable[Entry]) -> bytes:
    """The whole calendar. The same entries give the same bytes.

    An entry is a whole day, so that it does not block the rider's hours; its alarm sounds at 18:00 by the
    calendar's clock, unless it is only expected. What is done or withdrawn is gone from the next feed.
    Source: RFC 5545 (iCalendar); RFC 7986 §5.7 (how often to ask again).
    """
    calendar = Calendar()
    calendar.add("prodid", _OWNER)
    calendar.add("version", "2.0")
    calendar.add("method", "PUBLISH")
    calendar.add("x-wr-calname", "Chains")
    calendar.add("refresh-interval", timedelta(hours=1), parameters={"value": "DURATION"})
    for entry in sorted(entries, key=lambda e: (e.day, e.key)):
        calendar.add_component(_event(entry))
    whole: bytes = calendar.to_ical()
    return whole


def _event(entry: Entry) -> Event:
    event = Event()
    event.add("uid", f"{hashlib.sha256(entry.key.encode()).hexdigest()[:32]}@gritledger.invalid")
    event.add("dtstamp", entry.changed_at)
    event.add("last-modified", entry.changed_at)
    event.add("sequence", entry.revision)
    event.add("dtstart", entry.day)
    event.add("dtend", entry.day + timedelta(days=1))
    event.add("summary", f"Expected: {entry.headline}" if entry.expected else entry.headline)
    event.add("description", entry.text)
    event.add("status", "TENTATIVE" if entry.expected else "CONFIRMED")
    event.add("transp", "TRANSPARENT")
    event.add("class", "PRIVATE")
    if entry.link:
        event.add("url", entry.link)
    if not entry.expected:
        alarm = Alarm()
        alarm.add("action", "DISPLAY")
        alarm.add("description", entry.headline)
        alarm.add("trigger", timedelta(hours=18))
        event.add_component(alarm)
    return event


class CalendarChannel:
    """Keeps a calendar file up to date. A letter is told once the file with its reminder is in place."""

    name = "calendar"

    def __init__(self, path: Path, entries: Callable[[], Iterable[Entry]]) -> None:
        """entries: what the calendar must show now, read afresh at every writing."""
        self.path, self._entries = path, entries

    def send(self, letter: Letter) -> None:
        """Write the whole calendar again. Raises ChannelError (passing)."""
        del letter  # the file is written from what is due, not from one letter's words
        self.refresh()

    def refresh(self) -> None:
        """Write the calendar as things stand, so that what is done or withdrawn disappears too."""
        try:
            content = feed(self._entries())
            if not self.path.is_file() or self.path.read_bytes() != content:
                write_whole(self.path, content)
        except OSError as error:
            raise ChannelError(
                f"the calendar file {self.path} cannot be written: {error.strerror or error}",
                try_this="make room, or give this user the right to write there",
                everything=True,
            ) from error

    def check(self) -> list[str]:
        """Whether the file can be written."""
        if self.path.is_dir():
            return [f"The calendar file {self.path} is a folder; name a file in channels.calendar_file."]
        why = cannot_write_in(self.path.absolute().parent)
        return [f"The calendar file {self.path} cannot be written: {why}."] if why else []
