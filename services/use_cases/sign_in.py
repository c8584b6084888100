"""Signing in to a club: passwords checked slowly, tries counted, sessions named anew; invitations by mail.

A link for a lost password keeps no row: it is signed over the password that it replaces, so it counts once.
"""

from __future__ import annotations

import base64
import hashlib
import hmac
import secrets
import threading
from datetime import datetime, timedelta
from email.utils import parseaddr
from functools import cache
from typing import Final

from argon2 import PasswordHasher
from argon2.exceptions import InvalidHashError, VerificationError

from rules.gate.field_checks import is_address
from rules.roles import Member, Reach, Right, Role, reach, refusal, words_of
from rules.vocabulary import RiderId
from services.app import App
from services.channels import Channel
from services.queued_letter import Letter
from services.store import FactRefused, NotAllowed, NotFound, StoreError
from services.store.people import Invitation, Membership, People, Person, Visit, key_of

FEWEST_CHARACTERS, MOST_CHARACTERS = 12, 1000
FREE_TRIES, FREE_FROM_AN_ADDRESS = 5, 30  # a workshop's people share an address
INVITED_FOR: Final = timedelta(days=7)  # a judgement; common practice, no source
MOST_INVITED: Final = 30  # in a day without a pause: it is no way to send mails to strangers
FREE_LINKS, FREE_LINKS_FROM_AN_ADDRESS = 3, 30  # for lost passwords, likewise
LOST_FOR: Final = timedelta(hours=1)
AT_ONCE: Final = 2  # a check takes 64 MB and a quarter of a second on purpose
INVITED, FORGOTTEN = "/invited/", "/forgotten/"
MAIL_CHANNELS = ("email", "mail folder")
_checking = threading.Semaphore(AT_ONCE)


class NotLetIn(StoreError):  # noqa: N818 - it names what became of them
    """Address and password do not go together."""

    def __init__(self) -> None:
        super().__init__("That mail address and password do not go together.")


class TooManyTries(StoreError):  # noqa: N818 - it names what there was
    """This try was not made: there were too many before it."""

    def __init__(self, wait_s: float) -> None:
        self.wait_s = max(1, round(wait_s + 0.5))
        super().__init__(f"Too many tries; wait {self.wait_s} seconds.")


def sign_in(people: People, email: str, password: str, *, address: str, now: datetime) -> str:
    """A new session's secret for the right password. Raises NotLetIn, TooManyTries."""
    return _begun(people, checked(people, email, password, address=address, now=now), None, now)


def checked(people: People, email: str, password: str, *, address: str, now: datetime) -> Person:
    """Whose address and password these are. Nobody is checked quicker than somebody.

    Raises NotLetIn, TooManyTries.
    """
    who, where = _mark("person", key_of(email)), _mark("address", address)
    wait_s = people.guesses.wait_s({who: FREE_TRIES, where: FREE_FROM_AN_ADDRESS}, now)
    if wait_s > 0:
        raise TooManyTries(wait_s)
    person = people.by_email(email)
    if not _right(_nobodys_hash() if person is None else person.password_hash, password) or person is None:
        raise NotLetIn
    people.guesses.was_right(who, where, now)
    if PasswordHasher().check_needs_rehash(person.password_hash):
        people.set_password(person.id, _hashed(password))
    return person


def change_password(people: People, visit: Visit, old: str, new: str, *, address: str, now: datetime) -> str:
    """Another password; every session ends, and a new one begins. Raises as signing in, FactRefused."""
    checked(people, visit.person.email, old, address=address, now=now)
    people.set_password(visit.person.id, _hashed(new))
    people.end_every_session(visit.person.id)
    return _begun(people, visit.person, visit.chosen, now)


def invite(
    app: App,
    people: People,
    household: int,
    household_name: str,
    email: str,
    role: Role,
    rider: RiderId | None,
    *,
    by: Membership | None,
    now: datetime,
) -> str:
    """Invite an address by mail; returns the link. by None = whoever runs the club asks.

    Raises NotAllowed, FactRefused, ChannelError: then the invitation stands, and can be sent again.
    """
    _allow(by, Right.PEOPLE)
    email = parseaddr(email)[1].strip()
    if not is_address(email):
        raise FactRefused("Give a mail address, such as iva@example.org.", "email")
    if key_of(email) in {key_of(one.email) for one in people.members(household)}:
        raise FactRefused(f"{email} belongs to this household already.", "email")
    if by is not None and (
        wait_s := people.guesses.wait_s({_mark("inviter", str(by.person)): MOST_INVITED}, now)
    ):
        raise FactRefused(f"That is many invitations for a day; wait {wait_s / 60:.0f} minutes.")
    mail = mail_of(app)
    if mail is None and by is not None:
        raise FactRefused("No mail server is set: whoever runs the club can, or invites by 'club invite'.")
    token = secrets.token_urlsafe(32)
    inviter = "Whoever runs the club" if by is None else by.name
    link = _link(app, INVITED, token)
    invitation = Invitation("", household, household_name, email, role, rider, inviter, now + INVITED_FOR)
    people.invite(token, invitation, now)
    if mail is not None:
        mail.send(invitation_letter(invitation, link, channel=mail.name, now=now))
    return link


def invitation_letter(invitation: Invitation, link: str, *, channel: str, now: datetime) -> Letter:
    """The mail that brings the link."""
    may = "\n".join(f"- {one}" for one in words_of(invitation.role))
    text = (
        f"{invitation.invited_by} invites you to the household “{invitation.household_name}” as "
        f"{invitation.role}. Its {invitation.role}s may\n\n{may}\n\n"
        f"To join it, open this, and send the form there:\n\n{link}\n\n"
        f"It is for you alone, once, within {INVITED_FOR.days} days. Opening it changes nothing. "
        "If you do not know who asks, do nothing.\n"
    )
    subject = f"{invitation.invited_by} invites you to “{invitation.household_name}” (gritledger)"
    return _letter(invitation.email, subject, text, channel=channel, now=now)


def _letter(to: str, subject: str, text: str, *, channel: str, now: datetime) -> Letter:
    return Letter(
        id=0,
        rider=RiderId(0),
        channel=channel,
        to=to,
        subject=subject,
        text=text,
        html="",
        message_id=f"<link.{secrets.token_hex(16)}@gritledger.invalid>",
        queued_at=now,
    )


def mail_of(app: App) -> Channel | None:
    """By which channel links are mailed; None = no mail server is set."""
    return next((app.channels[name] for name in MAIL_CHANNELS if name in app.channels), None)


def _link(app: App, where: str, token: str) -> str:
    base = app.settings.page.public_url or app.page_url
    if base is None:
        raise FactRefused("Set page.public_url first: that is a link to the page.")
    return f"{base.rstrip('/')}{where}{token}"


def accept(
    people: People,
    token: str,
    *,
    visit: Visit | None,
    name: str,
    password: str,
    address: str,
    now: datetime,
) -> str:
    """Become a member: as who is signed in, as who knows their password, or as somebody new; the new session.

    Raises NotFound, FactRefused, NotLetIn, TooManyTries.
    """
    invitation = people.invitation(token)
    if invitation is None:
        raise NotFound("invitation", "of this link")
    if not invitation.stands(now):
        raise FactRefused("This invitation was used already, taken back, or its week is over.")
    known = people.by_email(invitation.email)
    hashed = ""
    if known is None and not name.strip():
        raise FactRefused("Say what you are called.", "name")
    if known is None:
        hashed = _hashed(password)
    elif visit is None or visit.person.id != known.id:
        known = checked(people, invitation.email, password, address=address, now=now)
    number = people.accept(token, now, person=known, name=name.strip()[:100], password_hash=hashed)
    secret = secrets.token_urlsafe(32)
    people.begin_session(secret, number, invitation.household, now)
    return secret


def count_lost(people: People, email: str, *, address: str, now: datetime) -> None:
    """Somebody asks for a link to another password: counted, whoever has it. Raises TooManyTries."""
    keys = {
        _mark("lost by", key_of(email)): FREE_LINKS,
        _mark("lost at", address): FREE_LINKS_FROM_AN_ADDRESS,
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
    link = _link(app, FORGOTTEN, f"{person.id}.{until}.{_proof(app, person, until)}")
    if (mail := mail_of(app)) is not None:
        text = (
            f"Somebody asks for another password for gritledger, for {person.email}.\n\n"
            f"To choose one, open this, and send the form there:\n\n{link}\n\n"
            f"It is good for {LOST_FOR.total_seconds() / 60:.0f} minutes, once; then every session ends but "
            "the new one. Opening it changes nothing. If it was not you, do nothing.\n"
        )
        mail.send(_letter(person.email, "gritledger: another password", text, channel=mail.name, now=now))
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
    if person is None or not people.renew_password(person, _hashed(password)):
        raise NotFound("link", "of this address")
    return _begun(people, person, None, now)


def _proof(app: App, person: Person, until: int) -> str:
    said = f"lost password {person.id} {until} {person.password_hash}"
    drawn = hmac.new(app.answer_key, said.encode(), hashlib.sha256).digest()
    return base64.urlsafe_b64encode(drawn).decode().rstrip("=")


def let_go(people: People, who: int, *, by: Membership) -> None:
    """Somebody leaves a household, by themselves or by an owner's word. Raises NotAllowed, FactRefused."""
    if who != by.person:
        _allow(by, Right.PEOPLE)
    people.leave(by.household, who)


def take_back(people: People, email: str, *, by: Membership, now: datetime) -> None:
    """An invitation counts no more. Raises NotAllowed."""
    _allow(by, Right.PEOPLE)
    people.withdraw(by.household, email, now)


def _allow(by: Membership | None, right: Right) -> None:
    member: Member | None = None if by is None else by.member
    if member is not None and reach(member, right) is not Reach.ALL:
        raise NotAllowed(refusal(member, right))


def _begun(people: People, person: Person, chosen: Membership | None, now: datetime) -> str:
    secret = secrets.token_urlsafe(32)
    people.begin_session(secret, person.id, None if chosen is None else chosen.household, now)
    return secret


def _mark(kind: str, of: str) -> str:
    """Tries are counted without keeping who, or where from, in words."""
    return hashlib.sha256(f"{kind} {of}".encode("utf-8", "replace")).hexdigest()


def _right(hashed: str, password: str) -> bool:
    with _checking:
        try:
            return PasswordHasher().verify(hashed, password[:MOST_CHARACTERS])
        except (VerificationError, InvalidHashError):
            return False


def _hashed(password: str) -> str:
    if not FEWEST_CHARACTERS <= len(password) <= MOST_CHARACTERS:
        raise FactRefused(
            f"A password has {FEWEST_CHARACTERS} characters or more, e.g. four words.", "password"
        )
    with _checking:
        return PasswordHasher().hash(password)


@cache
def _nobodys_hash() -> str:
    with _checking:
        return PasswordHasher().hash(secrets.token_urlsafe(32))
