"""The passphrase: needed before the page listens beyond this machine, checked slowly and seldom."""

from __future__ import annotations

import hashlib
import secrets
import stat
import threading
from collections import OrderedDict
from dataclasses import dataclass
from datetime import datetime, timedelta
from urllib.parse import urlsplit

from argon2 import PasswordHasher
from argon2.exceptions import InvalidHashError, VerificationError

from services.session_lifetime import AT_HOME
from services.settings import Page, SettingsError
from services.store.sign_in_tries import pause_s
from services.use_cases.passwords import FEWEST_CHARACTERS
from services.web.guard import is_loopback

COOKIE = "gritledger_sitting"
FREE_TRIES = 3
MOST_REMEMBERED = 1000  # sittings, and addresses that failed


def passphrase_hash(page: Page) -> str | None:
    """The argon2 hash to check against; None = the page is for this machine alone and needs none.

    The file holds the passphrase, or its argon2 hash. Raises SettingsError when the page would listen beyond
    this machine without one, or when the file would not protect it.
    """
    if page.passphrase_file is None:
        outside = "" if page.public_url is None else urlsplit(page.public_url).hostname or ""
        if is_loopback(page.host) and (not outside or is_loopback(outside)):
            return None
        says = f"page.host is {page.host}" if not outside else f"page.public_url is {page.public_url}"
        raise SettingsError(
            f"{says}, so others could reach the page, but page.passphrase_file names no "
            "file; write a passphrase into a file only you can read and name it there, or set page.host to "
            "127.0.0.1 and leave page.public_url out"
        )
    path = page.passphrase_file
    try:
        mode, text = path.stat().st_mode, path.read_text(encoding="utf-8").strip()
    except (OSError, UnicodeDecodeError) as error:
        raise SettingsError(
            f"{path}: the passphrase cannot be read ({error}); check page.passphrase_file"
        ) from error
    if stat.S_IMODE(mode) & 0o077:
        raise SettingsError(f"{path}: others on this machine can read the passphrase; run: chmod 600 {path}")
    if text.startswith("$argon2"):
        try:
            PasswordHasher().check_needs_rehash(text)
        except InvalidHashError as error:
            raise SettingsError(f"{path}: this is not a whole argon2 hash; write it again") from error
        return text
    if len(text) < FEWEST_CHARACTERS:
        raise SettingsError(
            f"{path}: the passphrase has {len(text)} characters; use {FEWEST_CHARACTERS} or more, "
            "e.g. four words"
        )
    return PasswordHasher().hash(text)


@dataclass
class _Failures:
    count: int
    not_before: datetime


class SessionStore:
    """Lets in who knows the passphrase, and slows down who guesses. Threads may share one."""

    def __init__(self, hashed: str) -> None:
        self._hashed = hashed
        self._lock = threading.Lock()
        self._checking = threading.Semaphore(1)  # a check takes 64 MB on purpose: one at a time
        self._failures: OrderedDict[str, _Failures] = OrderedDict()
        self._sessions: OrderedDict[str, datetime] = OrderedDict()

    def wait_s(self, address: str, now: datetime) -> float:
        """For how long must this address wait before its next try? 0 = it may try."""
        with self._lock:
            known = self._failures.get(address)
            return 0.0 if known is None else max(0.0, (known.not_before - now).total_seconds())

    def admit(self, address: str, passphrase: str, now: datetime) -> str | None:
        """The name of a new session for the right passphrase; None for a wrong one."""
        # Guesses sent together are checked one by one: each waits for what became of those before it.
        with self._checking:
            if self.wait_s(address, now) > 0 or not self._right(passphrase):
                self._failed(address, now)
                return None
        session = secrets.token_urlsafe(32)
        with self._lock:
            self._failures.pop(address, None)
            self._sessions[_print_of(session)] = now + AT_HOME
            while len(self._sessions) > MOST_REMEMBERED:
                self._sessions.popitem(last=False)
        return session

    def knows(self, session: str, now: datetime) -> bool:
        """Whether this session was admitted and has not run out."""
        with self._lock:
            until = self._sessions.get(_print_of(session))
            return until is not None and now < until

    def dismiss(self, session: str) -> None:
        """End a session."""
        with self._lock:
            self._sessions.pop(_print_of(session), None)

    def _right(self, passphrase: str) -> bool:
        try:
            return PasswordHasher().verify(self._hashed, passphrase)
        except (VerificationError, InvalidHashError):
            return False

    def _failed(self, address: str, now: datetime) -> None:
        with self._lock:
            known = self._failures.pop(address, _Failures(0, now))
            known.count += 1
            pause = timedelta(seconds=pause_s(known.count, FREE_TRIES))
            known.not_before = max(known.not_before, now + pause)
            self._failures[address] = known
            while len(self._failures) > MOST_REMEMBERED:
                self._failures.popitem(last=False)


def _print_of(session: str) -> str:
    """Sittings are kept as fingerprints, so that a look into the memory opens no door."""
    return hashlib.sha256(session.encode("utf-8", "replace")).hexdigest()
