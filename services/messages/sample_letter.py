"""The message that a channel is tried with."""

from __future__ import annotations

import json
from datetime import datetime

from services.queued_letter import Letter, unqueued_letter


def sample_letter(channel: str, to: str, *, now: datetime) -> Letter:
    """A letter that says only that it arrived, to try a channel with."""
    subject = "gritledger: this is a test"
    text = (
        f"This message was sent to try the channel '{channel}'. It arrived, so reminders will too.\n"
        "Nothing is due because of it.\n"
    )
    mark = f"sample.{channel.replace(' ', '-')}.{now:%Y%m%dT%H%M%S%f}"
    facts = json.dumps({"trial": True, "reminders": []})
    return unqueued_letter(channel, to, subject, text, mark=mark, facts=facts, now=now)
