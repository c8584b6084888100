"""Tries to sign in and the pauses after them; a club's, counted before they are made, by person and place."""

from __future__ import annotations

from collections.abc import Callable
from contextlib import AbstractContextManager
from datetime import datetime, timedelta

from sqlalchemy import Connection

from services.store.engine import run

# Judgements; common practice, no source.
FORGOTTEN = timedelta(days=1)  # tries of so long ago count no more
FIRST_PAUSE_S, LONGEST_PAUSE_S = 2.0, 900.0


def pause_s(tries: int, free: int) -> float:
    """How long to wait after so many tries, of which so many are free: each pause twice the one before."""
    over = tries - free
    return min(FIRST_PAUSE_S * 2.0 ** min(over, 20), LONGEST_PAUSE_S) if over >= 0 else 0.0


class Guesses:
    """Counts of tries, by key. Its writers queue for one lock."""

    def __init__(self, writing: Callable[[], AbstractContextManager[Connection]]) -> None:
        self._writing = writing

    def wait_s(self, keys: dict[str, int], now: datetime) -> float:
        """Count a try before it is made, for each key beyond so many free ones with a pause after it.

        0 = it may be made. Else it was not counted: how long to wait. Tries sent together are counted one by
        one, whatever machine they come to, so none of them is free.
        """
        with self._writing() as connection:
            run(connection, "DELETE FROM guess WHERE tried_at < :then", then=now - FORGOTTEN)
            for key, free in sorted(keys.items()):
                held = run(
                    connection, "SELECT tries, not_before FROM guess WHERE key = :key", key=key
                ).first()
                tries = 1 if held is None else held.tries + 1
                if held is not None and held.not_before > now:
                    connection.rollback()
                    return float((held.not_before - now).total_seconds())
                run(
                    connection,
                    "INSERT INTO guess (key, tries, tried_at, not_before) VALUES (:key, :n, :now, :next) "
                    "ON CONFLICT (key) DO UPDATE SET tries = :n, tried_at = :now, not_before = :next",
                    key=key,
                    n=tries,
                    now=now,
                    next=now + timedelta(seconds=pause_s(tries, free)),
                )
        return 0.0

    def was_right(self, person_key: str, address_key: str, now: datetime) -> None:
        """A try was right: the person's others are forgotten; of the address's only this one."""
        with self._writing() as connection:
            run(connection, "DELETE FROM guess WHERE key = :key", key=person_key)
            sql = "UPDATE guess SET tries = greatest(tries - 1, 0), not_before = :now WHERE key = :key"
            run(connection, sql, key=address_key, now=now)
