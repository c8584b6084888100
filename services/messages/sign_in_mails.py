"""The mails that bring a link into a club: an invitation, another password."""

from __future__ import annotations

import secrets
from datetime import datetime, timedelta

from rules.roles import Role, words_of
from services.queued_letter import Letter, unqueued_letter


def invitation_letter(
    to: str,
    household: str,
    role: Role,
    invited_by: str,
    link: str,
    good_for: timedelta,
    *,
    channel: str,
    now: datetime,
) -> Letter:
    """The mail that brings the link into a household."""
    may = "\n".join(f"- {one}" for one in words_of(role))
    text = (
        f"{invited_by} invites you to the household “{household}” as {role}. Its {role}s may\n\n{may}\n\n"
        f"To join it, open this, and send the form there:\n\n{link}\n\n"
        f"It is for you alone, once, within {good_for.days} days. Opening it changes nothing. "
        "If you do not know who asks, do nothing.\n"
    )
    subject = f"{invited_by} invites you to “{household}” (gritledger)"
    return _letter(to, subject, text, channel=channel, now=now)


def lost_password_letter(to: str, link: str, good_for: timedelta, *, channel: str, now: datetime) -> Letter:
    """The mail that brings the link to another password."""
    text = (
        f"Somebody asks for another password for gritledger, for {to}.\n\n"
        f"To choose one, open this, and send the form there:\n\n{link}\n\n"
        f"It is good for {good_for.total_seconds() / 60:.0f} minutes, once; then every session ends but "
        "the new one. Opening it changes nothing. If it was not you, do nothing.\n"
    )
    return _letter(to, "gritledger: another password", text, channel=channel, now=now)


def _letter(to: str, subject: str, text: str, *, channel: str, now: datetime) -> Letter:
    mark = f"link.{secrets.token_hex(16)}"
    return unqueued_letter(channel, to, subject, text, mark=mark, now=now)
