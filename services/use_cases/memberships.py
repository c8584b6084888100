"""Who belongs to a household of a club: invited by mail, joining it, and leaving it or let go."""

from __future__ import annotations

import secrets
from datetime import datetime, timedelta
from email.utils import parseaddr
from typing import Final

from rules.gate.field_checks import is_address
from rules.roles import Member, Reach, Right, Role, reach, refusal
from rules.vocabulary import RiderId
from services.app import App
from services.messages.sign_in_mails import invitation_letter
from services.store import FactRefused, NotAllowed, NotFound
from services.store.people import INVITATION_OVER, Invitation, Membership, People, Visit, key_of
from services.use_cases.mailed_links import link_to, mail_of
from services.use_cases.passwords import hashed_password
from services.use_cases.sign_in import checked, counted_as

INVITED_FOR: Final = timedelta(days=7)  # a judgement; common practice, no source
MOST_INVITED: Final = 30  # in a day without a pause: it is no way to send mails to strangers
INVITED = "/invited/"


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
        wait_s := people.guesses.wait_s({counted_as("inviter", str(by.person)): MOST_INVITED}, now)
    ):
        raise FactRefused(f"That is many invitations for a day; wait {wait_s / 60:.0f} minutes.")
    mail = mail_of(app)
    if mail is None and by is not None:
        raise FactRefused("No mail server is set: whoever runs the club can, or invites by 'club invite'.")
    token = secrets.token_urlsafe(32)
    inviter = "Whoever runs the club" if by is None else by.name
    link = link_to(app, INVITED, token)
    invitation = Invitation("", household, household_name, email, role, rider, inviter, now + INVITED_FOR)
    people.invite(token, invitation, now)
    if mail is not None:
        mail.send(
            invitation_letter(
                email, household_name, role, inviter, link, INVITED_FOR, channel=mail.name, now=now
            )
        )
    return link


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
        raise FactRefused(INVITATION_OVER)
    known = people.by_email(invitation.email)
    hashed = ""
    if known is None and not name.strip():
        raise FactRefused("Say what you are called.", "name")
    if known is None:
        hashed = hashed_password(password)
    elif visit is None or visit.person.id != known.id:
        known = checked(people, invitation.email, password, address=address, now=now)
    number = people.accept(token, now, person=known, name=name.strip()[:100], password_hash=hashed)
    secret = secrets.token_urlsafe(32)
    people.begin_session(secret, number, invitation.household, now)
    return secret


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
