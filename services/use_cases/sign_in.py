"""Signing in to a club: tries counted, passwords checked, sessions named anew."""

from __future__ import annotations

import hashlib
import secrets
from datetime import datetime

from argon2 import PasswordHasher

from services.store import StoreError
from services.store.people import Membership, People, Person, Visit, key_of
from services.use_cases.passwords import hashed_password, is_right, nobodys_hash

FREE_TRIES, FREE_FROM_AN_ADDRESS = 5, 30  # a workshop's people share an address


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
    return begun(people, checked(people, email, password, address=address, now=now), None, now)


def checked(people: People, email: str, password: str, *, address: str, now: datetime) -> Person:
    """Whose address and password these are. Nobody is checked quicker than somebody.

    Raises NotLetIn, TooManyTries.
    """
    who, where = counted_as("person", key_of(email)), counted_as("address", address)
    wait_s = people.guesses.wait_s({who: FREE_TRIES, where: FREE_FROM_AN_ADDRESS}, now)
    if wait_s > 0:
        raise TooManyTries(wait_s)
    person = people.by_email(email)
    if not is_right(nobodys_hash() if person is None else person.password_hash, password) or person is None:
        raise NotLetIn
    people.guesses.was_right(who, where, now)
    if PasswordHasher().check_needs_rehash(person.password_hash):
        people.set_password(person.id, hashed_password(password))
    return person


def change_password(people: People, visit: Visit, old: str, new: str, *, address: str, now: datetime) -> str:
    """Another password; every session ends, and a new one begins. Raises as signing in, FactRefused."""
    checked(people, visit.person.email, old, address=address, now=now)
    people.set_password(visit.person.id, hashed_password(new))
    people.end_every_session(visit.person.id)
    return begun(people, visit.person, visit.chosen, now)


def begun(people: People, person: Person, chosen: Membership | None, now: datetime) -> str:
    secret = secrets.token_urlsafe(32)
    people.begin_session(secret, person.id, None if chosen is None else chosen.household, now)
    return secret


def counted_as(kind: str, of: str) -> str:
    """Tries are counted without keeping who, or where from, in words."""
    return hashlib.sha256(f"{kind} {of}".encode("utf-8", "replace")).hexdigest()
