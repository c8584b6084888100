"""Files that a household of a club handed over, until a worker has read them; the bytes stay with it."""

from __future__ import annotations

import hashlib
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime

from rules.vocabulary import RiderId
from services.store.engine import run
from services.store.job_queue import IN_BULK, SOON, Job, later
from services.store.repository import Repository, storable


@dataclass(frozen=True, slots=True)
class Arrival:
    """A file that waits to be read. rider None = its place tells."""

    id: int
    sha256: str
    name: str
    rider: RiderId | None
    data: bytes


class Arrivals(Repository):
    """Files handed over, by household. Only a club has them: at home, files lie in folders."""

    def put(self, name: str, data: bytes, rider: RiderId | None, *, at: datetime) -> bool:
        """Keep a file and have it read, soon if it is the only one that waits; False = it is here already."""
        alone = "SELECT NOT EXISTS (SELECT FROM arrival WHERE read_at IS NULL AND tries = 0)"
        urgency = SOON if run(self._connection, alone).scalar() else IN_BULK
        new = run(
            self._connection,
            "INSERT INTO arrival (sha256, name, rider, data, arrived_at) "
            "VALUES (:sha256, :name, :rider, :data, :at) ON CONFLICT DO NOTHING RETURNING id",
            sha256=hashlib.sha256(data).hexdigest(),
            name=storable(name),
            rider=rider,
            data=data,
            at=at,
        ).first()
        if new is not None:
            later(self._connection, Job.IMPORT, urgency=urgency)
        return new is not None

    def waiting(self, limit: int) -> tuple[Arrival, ...]:
        """The first files that nobody has read yet."""
        sql = (
            "SELECT id, sha256, name, rider, data FROM arrival "
            "WHERE read_at IS NULL ORDER BY tries, id LIMIT :n"
        )
        rows = run(self._connection, sql, n=limit)
        return tuple(Arrival(row.id, row.sha256, row.name, row.rider, bytes(row.data)) for row in rows)

    def read(self, numbers: Sequence[int], *, at: datetime) -> None:
        """These were read, and what became of them stands with the files."""
        sql = "UPDATE arrival SET read_at = :at WHERE id = ANY(:numbers)"
        run(self._connection, sql, at=at, numbers=list(numbers))

    def put_off(self, numbers: Sequence[int]) -> None:
        """These could not be read now: others come before them next time."""
        sql = "UPDATE arrival SET tries = tries + 1 WHERE id = ANY(:numbers)"
        run(self._connection, sql, numbers=list(numbers))
