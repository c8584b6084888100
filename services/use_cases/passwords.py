"""Passwords of a club: how long, hashed and checked slowly, a few at once."""

from __future__ import annotations

import secrets
import threading
from functools import cache
from typing import Final

from argon2 import PasswordHasher
from argon2.exceptions import InvalidHashError, VerificationError

from services.store import FactRefused

FEWEST_CHARACTERS, MOST_CHARACTERS = 12, 1000
AT_ONCE: Final = 2  # a check takes 64 MB and a quarter of a second on purpose
_checking = threading.Semaphore(AT_ONCE)


def is_right(hashed: str, password: str) -> bool:
    with _checking:
        try:
            return PasswordHasher().verify(hashed, password[:MOST_CHARACTERS])
        except (VerificationError, InvalidHashError):
            return False


def hashed_password(password: str) -> str:
    if not FEWEST_CHARACTERS <= len(password) <= MOST_CHARACTERS:
        raise FactRefused(
            f"A password has {FEWEST_CHARACTERS} characters or more, e.g. four words.", "password"
        )
    with _checking:
        return PasswordHasher().hash(password)


@cache
def nobodys_hash() -> str:
    with _checking:
        return PasswordHasher().hash(secrets.token_urlsafe(32))
