"""Links that answer from a mail: each names one thing that may be written, signed, and for a week.

A link is no key to the page: whoever has it can say that one thing once, and sees nothing else.
"""

from __future__ import annotations

import base64
import hashlib
import hmac
import struct
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from enum import IntEnum

from rules.vocabulary import BikeId, ReminderId, RideId

GOOD_FOR, GOOD_FOR_WORDS = timedelta(weeks=1), "a week"
PATH = "/a/"
_FIELDS = struct.Struct(">BIII")  # act, number, bike, end in minutes since 1970
_SIGNATURE_BYTES = 16
_TO_CHOOSE = 2**32 - 1
_PURPOSE = b"answer link 1|"


class LinkRefused(Exception):  # noqa: N818 - it names the link's fate
    """A link that writes nothing any more, or never did; the message says why in plain words."""


class Act(IntEnum):
    """What a link may write. The numbers travel in links: they are never given anew."""

    DONE = 1
    PUT_OFF = 2
    IT_WAS = 3


@dataclass(frozen=True, slots=True)
class AnswerLink:
    """One thing that may be written: of a reminder that it is done or put off, of a ride which bike it was.

    number: the reminder's or the ride's.  bike: 0 = none of ours; None = to be chosen on the page.
    """

    act: Act
    number: int
    until: datetime
    bike: int | None = 0

    def token(self, key: bytes) -> str:
        """The link as it stands in an address: the same for the same thing and end."""
        fields = _FIELDS.pack(
            self.act,
            self.number,
            _TO_CHOOSE if self.bike is None else self.bike,
            int(self.until.timestamp()) // 60,
        )
        return base64.urlsafe_b64encode(fields + _signature(key, fields)).decode().rstrip("=")


def read_link(token: str, key: bytes, now: datetime) -> AnswerLink:
    """What a link says. Raises LinkRefused for one that is not ours, or has ended."""
    try:
        whole = base64.b64decode(token + "=" * (-len(token) % 4), altchars=b"-_", validate=True)
        fields = whole[:-_SIGNATURE_BYTES]
        act, number, bike, minutes = _FIELDS.unpack(fields)
    except (ValueError, struct.error) as error:
        raise LinkRefused(_NOT_OURS) from error
    if not hmac.compare_digest(_signature(key, fields), whole[-_SIGNATURE_BYTES:]):
        raise LinkRefused(_NOT_OURS)
    until = datetime.fromtimestamp(minutes * 60, UTC)
    if now >= until:
        raise LinkRefused(f"This link was good for {GOOD_FOR_WORDS}, and that is over. Nothing was written.")
    link = AnswerLink(Act(act), number, until, None if bike == _TO_CHOOSE else bike)
    if (
        link.token(key) != token
    ):  # the last character has spare bits: one link has one spelling, to be used once
        raise LinkRefused(_NOT_OURS)
    return link


def mark_of(token: str) -> str:
    """How a used link is remembered: from the mark nobody can make the link again."""
    return hashlib.sha256(token.encode("utf-8", "replace")).hexdigest()


_NOT_OURS = (
    "This link is not one of ours, or not all of it came along. Nothing was written. Copy it whole from "
    "the mail."
)


def _signature(key: bytes, fields: bytes) -> bytes:
    return hmac.digest(key, _PURPOSE + fields, "sha256")[:_SIGNATURE_BYTES]


@dataclass(frozen=True, slots=True)
class Address:
    """Where riders reach the page from a mail, and what links there may write.

    everywhere: from a phone in the home network too, not on this computer alone.
    """

    url: str
    everywhere: bool
    key: bytes
    until: datetime

    def page(self, path: str) -> str:
        """A page, which may ask for the passphrase."""
        return self.url.rstrip("/") + path

    def done(self, reminder: ReminderId) -> str:
        """It is done."""
        return self._link(AnswerLink(Act.DONE, reminder, self.until))

    def put_off(self, reminder: ReminderId) -> str:
        """A day later."""
        return self._link(AnswerLink(Act.PUT_OFF, reminder, self.until))

    def it_was(self, ride: RideId, bike: BikeId | None) -> str:
        """It was that bike, or none of ours."""
        return self._link(AnswerLink(Act.IT_WAS, ride, self.until, 0 if bike is None else bike))

    def which(self, ride: RideId) -> str:
        """A page with every bike on it that it may have been."""
        return self._link(AnswerLink(Act.IT_WAS, ride, self.until, None))

    def _link(self, link: AnswerLink) -> str:
        return self.page(PATH + link.token(self.key))
