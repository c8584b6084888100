"""Another password for who lost theirs, by a link in a mail.

Such a link keeps no row: it is signed over the password that it replaces, so it counts once.
"""

from __future__ import annotations

import base64
import hashlib
import hmac
from datetime import datetime, timedelta
from typing import Final

from services.app import App
from services.messages.sign_in_mails import lost_password_letter
from services.store import NotFound
from services.store.people import People, Person, key_of
from services.use_cases.mailed_links import link_to, mail_of
from services.use_cases.passwords import hashed_password
from services.use_cases.sign_in import TooManyTries, begun, counted_as

FREE_LINKS, FREE_LINKS_FROM_AN_ADDRESS = 3, 30  # in a day without a pause
LOST_FOR: Final = timedelta(hours=1)
FORGOTTEN = "/forgotten/"


def count_lost(people: People, email: str, *, address: str, now: datetime) -> None:
    """Somebody asks for a link to another password: counted, whoever has it. Raises TooManyTries."""
    keys = {
        counted_as("lost by", key_of(email)): FREE_LINKS,
        counted_as("lost at", address): FREE_LINKS_FROM_AN_ADDRESS,
    }
    if (wait_s := people.guesses.wait_s(keys, now)) > 0:
        raise TooManyTries(wait_s)


def mail_lost(app: App, people: People, email: str, *, now: datetime) -> str | None:
    """Mail a link for another password to who signs in by this address, where a mail server is set; the link.

    None = nobody does. Raises FactRefused, ChannelError.
    """
    person = people.by_email(email)
    if person is None:
        return None
    until = int((now + LOST_FOR).timestamp())
    link = link_to(app, FORGOTTEN, f"{person.id}.{until}.{_proof(app, person, until)}")
    if (mail := mail_of(app)) is not None:
        mail.send(lost_password_letter(person.email, link, LOST_FOR, channel=mail.name, now=now))
    return link


def who_lost(app: App, people: People, token: str, *, now: datetime) -> Person | None:
    """Whose link this is; None = nobody's, or it was used, or is over. Asking changes nothing."""
    number, _, rest = token.partition(".")
    until, _, proof = rest.partition(".")
    if not all(one.isascii() and one.isdecimal() and len(one) < 12 for one in (number, until)):
        return None
    person = people.by_number(int(number))
    if person is None or now.timestamp() >= int(until):
        return None
    good = hmac.compare_digest(_proof(app, person, int(until)).encode(), proof.encode("utf-8", "replace"))
    return person if good else None


def renew_password(app: App, people: People, token: str, password: str, *, now: datetime) -> str:
    """Another password by such a link, once; every session ends, and a new one begins.

    Raises NotFound, FactRefused.
    """
    person = who_lost(app, people, token, now=now)
    if person is None or not people.renew_password(person, hashed_password(password)):
        raise NotFound("link", "of this address")
    return begun(people, person, None, now)


def _proof(app: App, person: Person, until: int) -> str:
    said = f"lost password {person.id} {until} {person.password_hash}"
    drawn = hmac.new(app.answer_key, said.encode(), hashlib.sha256).digest()
    return base64.urlsafe_b64encode(drawn).decode().rstrip("=")
