"""A letter: one message to one rider over one channel, exactly as it will be sent."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime

from rules.vocabulary import ReminderId, RiderId


@dataclass(frozen=True, slots=True)
class Letter:
    """What waits in the outbox. Its words are settled when it is queued, so a repeat says the same.

    id: the outbox row; 0 = never queued (a test message, the command's own use).
    reminders: the reminders it tells, all of them in this one message; empty for a weekly outlook or a test.
    to: what the channel needs to reach the rider: an address for email, "" where there is only one place.
    message_id: fixed for life, "<…@…>" as RFC 5322 writes it; a repeat after a crash carries the same one.
    facts: a JSON object with what the message says as data, for channels that hand it to a program.
    due_at: when hands are wanted; for the calendar.
    attempts: tries already made that did not end in success.
    not_before: held back until then (quiet hours, put off, backoff).
    """

    id: int
    rider: RiderId
    channel: str
    to: str
    subject: str
    text: str
    html: str
    message_id: str
    reminders: tuple[ReminderId, ...] = ()
    facts: str = "{}"
    due_at: datetime | None = None
    attempts: int = 0
    queued_at: datetime | None = None
    not_before: datetime | None = None


def unqueued_letter(
    channel: str, to: str, subject: str, text: str, *, mark: str, now: datetime, facts: str = "{}"
) -> Letter:
    """A letter that goes out at once or not at all. mark: what makes its Message-ID one of its own."""
    name, nobody = f"<{mark}@gritledger.invalid>", RiderId(0)
    return Letter(0, nobody, channel, to, subject, text, html="", message_id=name, facts=facts, queued_at=now)
