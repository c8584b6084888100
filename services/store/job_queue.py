"""Jobs of a club's households, written down in the transaction of the fact that asks for them.

The queue is procrastinate's, in a schema of its own; workers open it, the store only writes on the connection
it has. At home there is no queue: a round finds the same work by looking.
"""

from __future__ import annotations

from enum import StrEnum
from functools import cache
from typing import TYPE_CHECKING, Final

from sqlalchemy import Connection

from services.store.engine import HOUSEHOLD, quoted, run
from services.store.errors import StoreError, StoreUnusable

if TYPE_CHECKING:
    from procrastinate import App as Queue

SCHEMA: Final = "queue"
QUEUE: Final = "household"  # what workers listen to
# Somebody waits for it; one of many; what the clock asks for. The lower never holds up the higher.
SOON, IN_BULK, PUT_OFF = 1, 0, -1


class Job(StrEnum):
    """What a worker does for one household."""

    IMPORT = "import"
    TAG = "tag"
    RECKON = "judge and reckon"
    DELIVER = "deliver"
    BACK_UP = "back up"


class Superseded(StoreError):  # noqa: N818 - it names the state of the job
    """The job was taken from this worker while it was away; another does it, and nothing was written."""

    def __init__(self) -> None:
        super().__init__("This job was handed to another worker; nothing was written here.")


def make_queue(connection: Connection, role: str) -> None:
    """The queue's tables in their own schema, for this role; made again, nothing changes."""
    from procrastinate.schema import SchemaManager

    if run(connection, f"SELECT to_regclass('{SCHEMA}.procrastinate_jobs') IS NULL").scalar():
        connection.exec_driver_sql(f"CREATE SCHEMA IF NOT EXISTS {SCHEMA}")
        connection.exec_driver_sql(f"SET LOCAL search_path = {SCHEMA}")
        connection.exec_driver_sql(SchemaManager.get_schema().replace("%", "%%"))
        connection.exec_driver_sql("SET LOCAL search_path = public")
    for what in ("ALL TABLES", "ALL SEQUENCES"):
        connection.exec_driver_sql(f"GRANT ALL ON {what} IN SCHEMA {SCHEMA} TO {quoted(role)}")
    connection.exec_driver_sql(f"GRANT USAGE ON SCHEMA {SCHEMA} TO {quoted(role)}")


def later(connection: Connection, job: Job, *, after_s: int = 0, urgency: int = SOON) -> None:
    """Have a job done once this transaction stands; one that waits already is enough. At home nothing."""
    household = connection.get_execution_options().get(HOUSEHOLD)
    if household is not None:
        enqueue(connection, job, household, after_s=after_s, urgency=PUT_OFF if after_s else urgency)


def enqueue(
    connection: Connection, job: Job, household: int, *, after_s: int = 0, urgency: int = SOON
) -> None:
    """The same for any household. What is put off holds up nothing that is asked for meanwhile."""
    from procrastinate.exceptions import AlreadyEnqueued

    waits = f"{job.value} {household}{' later' if urgency == PUT_OFF else ''}"
    driver = connection.connection.driver_connection
    try:
        # Told that one waits already, the database gives up the transaction, but for the savepoint.
        with connection.begin_nested():
            connection.exec_driver_sql(f"SET LOCAL search_path = public, {SCHEMA}")
            _writing().configure_task(
                job.value,
                lock=f"household {household}",
                queueing_lock=waits,
                queue=QUEUE,
                schedule_in={"seconds": after_s} if after_s else None,
                priority=urgency,
                connection=driver,
            ).defer(household=household)
    except AlreadyEnqueued:
        return


def hold(connection: Connection, job_id: int, worker_id: int | None, attempts: int) -> None:
    """Keep a job while this transaction lasts. Raises Superseded when it is another worker's by now."""
    sql = (
        f"SELECT 1 FROM {SCHEMA}.procrastinate_jobs WHERE id = :job AND status = 'doing' "  # noqa: S608
        "AND worker_id = :worker AND attempts = :attempts FOR SHARE"
    )
    found = run(connection, sql, job=job_id, worker=worker_id, attempts=attempts).first()
    if found is None:
        raise Superseded


@cache
def _writing() -> Queue:
    """Never opened: in a worker, an opened one uses its own connections, not the one it is given."""
    try:
        from procrastinate import App, SyncPsycopgConnector
    except ImportError as error:
        raise StoreUnusable("The queue", "is not installed", "install gritledger[fleet]") from error
    return App(connector=SyncPsycopgConnector())
