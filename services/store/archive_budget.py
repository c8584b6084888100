"""One budget of an archive's requests for all workers of a club: a row a window, in the database."""

from __future__ import annotations

from collections.abc import Callable
from contextlib import AbstractContextManager
from datetime import datetime, timedelta
from typing import Final

from sqlalchemy import Connection

from ingest.weather.pacing import OURS, Limits
from services.store.engine import quoted, run

# As the archive counts: fixed windows of Coordinated Universal Time. Taken in this order, so that none waits
# for another in a ring.
_WINDOWS: Final = {"minute": timedelta(minutes=1), "hour": timedelta(hours=1), "day": timedelta(days=1)}


def make_budget(connection: Connection, role: str, limits: Limits = OURS) -> None:
    """The table and its rows; made again, the limits are renewed and nothing spent is forgotten."""
    connection.exec_driver_sql(
        "CREATE TABLE IF NOT EXISTS archive_budget (name text PRIMARY KEY, most double precision NOT NULL, "
        "spent double precision NOT NULL DEFAULT 0, begun timestamp NOT NULL DEFAULT 'epoch', "
        "closed_until timestamptz)"
    )
    for name in _WINDOWS:
        sql = (
            "INSERT INTO archive_budget (name, most) VALUES (:name, :most) "
            "ON CONFLICT (name) DO UPDATE SET most = excluded.most"
        )
        run(connection, sql, name=name, most=getattr(limits, name))
    connection.exec_driver_sql(f"GRANT SELECT, UPDATE ON archive_budget TO {quoted(role)}")


class Budget:
    """What all workers may still ask of the archive together."""

    def __init__(self, writing: Callable[[], AbstractContextManager[Connection]]) -> None:
        """writing: a connection to what all of a club share, as Club.writing gives."""
        self._writing = writing

    def take(self, cost: float) -> datetime | None:
        """Take this much for one request; when there is not enough, nothing is taken: when there will be."""
        with self._writing() as connection:
            sql = "SELECT max(closed_until) FROM archive_budget WHERE closed_until > clock_timestamp()"
            closed = run(connection, sql).scalar()
            if closed is not None:
                return _instant(closed)
            for name, length in _WINDOWS.items():
                window = f"date_trunc('{name}', clock_timestamp() AT TIME ZONE 'UTC')"
                spent = f"(CASE WHEN begun = {window} THEN spent ELSE 0 END)"
                sql = (
                    f"UPDATE archive_budget SET spent = {spent} + :cost, begun = {window} "  # noqa: S608
                    f"WHERE name = :name AND ({spent} = 0 OR {spent} + :cost <= most) RETURNING name"
                )
                taken = run(connection, sql, cost=cost, name=name).first()
                if taken is None:
                    ends = run(connection, f"SELECT ({window} AT TIME ZONE 'UTC')").scalar()
                    connection.rollback()
                    return _instant(ends) + length
        return None

    def close(self, until: datetime) -> None:
        """The archive itself asks to be left alone until then: every worker does."""
        with self._writing() as connection:
            run(connection, "UPDATE archive_budget SET closed_until = :until", until=until)


def _instant(value: object) -> datetime:
    assert isinstance(value, datetime)
    return value
