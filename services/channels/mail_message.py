"""A letter as an internet message: the same bytes for a mail server and for a folder of .eml files."""

from __future__ import annotations

import email.policy
import hashlib
import re
from datetime import datetime
from email.errors import HeaderParseError
from email.headerregistry import Address
from email.message import EmailMessage
from email.utils import format_datetime, getaddresses

from services.channels import ChannelError, one_line
from services.queued_letter import Letter

_MESSAGE_ID = re.compile(r"<[A-Za-z0-9.!#$%&'*+/=?^_`{|}~-]+@[A-Za-z0-9.-]+>")


def address(written: str) -> Address:
    """A mail address as it goes on the wire, with an optional name before it; the domain in its ASCII form.

    Raises ValueError saying what is wrong.
    """
    if one_line(written) != written.strip():
        raise ValueError(f"'{one_line(written)}' has a control character or a doubled space in it")
    parsed = getaddresses([written])
    if len(parsed) != 1:
        raise ValueError(f"'{written}' must be one mail address")
    name, bare = parsed[0]
    local, at, domain = bare.rpartition("@")
    if not (at and local and domain):
        raise ValueError(f"'{written}' is not a mail address: it needs the form name@domain")
    if not local.isascii():
        raise ValueError(f"'{written}' has letters beyond ASCII before the @, which few servers take")
    try:
        return Address(display_name=name, addr_spec=f"{local}@{domain.encode('idna').decode('ascii')}")
    except (HeaderParseError, ValueError, IndexError) as error:
        raise ValueError(f"'{written}' is not a mail address: {one_line(str(error))}") from error


def as_mail(letter: Letter, *, sender: str, now: datetime) -> EmailMessage:
    """The letter with its headers, text first and HTML as the alternative.

    now: used for Date only when the letter does not say when it was queued.
    Raises ChannelError (permanent) for an address that cannot be written.
    Sources: RFC 5322 (Message-ID, Date); RFC 3834 (Auto-Submitted: no out-of-office answer comes back).
    """
    try:
        to = address(letter.to)
    except ValueError as error:
        raise ChannelError(
            f"the rider's address cannot be used: {error}",
            permanent=True,
            try_this="correct the rider's address",
        ) from error
    if not _MESSAGE_ID.fullmatch(letter.message_id):
        raise ChannelError(
            f"'{one_line(letter.message_id)}' is not a Message-ID", permanent=True, try_this="report this"
        )
    mail = EmailMessage(policy=email.policy.SMTP)
    mail["Message-ID"] = letter.message_id
    mail["Date"] = format_datetime(letter.queued_at or now)
    mail["From"] = address(sender)
    mail["To"] = to
    mail["Subject"] = one_line(letter.subject)
    mail["Auto-Submitted"] = "auto-generated"
    mail["X-Auto-Response-Suppress"] = "All"
    mail.set_content(letter.text)
    if letter.html:
        mail.add_alternative(letter.html, subtype="html")
        # A fixed boundary keeps a repeat the same to the byte.
        digest = hashlib.sha256(letter.message_id.encode()).hexdigest()
        mail.set_boundary(f"=_{digest[:40]}")
    return mail
