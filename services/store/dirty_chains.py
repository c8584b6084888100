"""Which chains have to be derived anew: marked by the database, in the transaction that writes the fact.

The one place where a chain becomes dirty; `derived_chains.py` is the one where it is clean again. Each mark
is a trigger: whatever is written, along whichever path, the chains that may now be judged otherwise stand in
`chain_dirty` before the transaction ends. A chain too many costs a look; one too few is a wrong reminder.
In the same way a ride that may have been like something else has lost its `likes`.
"""

from __future__ import annotations

import hashlib
from collections.abc import Iterator
from dataclasses import dataclass

from sqlalchemy import Connection

from services.store.engine import rows_of, run

_RIDE = "bike, rider, started_at, ended_at, title, indoor, unpaved_share, word, same_as"


def _on(bike: str, at: str) -> str:
    """Chains that were on a bike then, or were said to be."""
    return (
        f"SELECT fitting.chain FROM fitting WHERE fitting.bike = {bike} AND fitting.fitted_at <= {at}"
        f" AND (fitting.removed_at IS NULL OR fitting.removed_at >= {at})"
    )


def _of_ride(condition: str) -> str:
    return (
        "SELECT fitting.chain FROM ride JOIN fitting ON fitting.bike = ride.bike"
        " AND fitting.fitted_at <= ride.started_at"
        f" AND (fitting.removed_at IS NULL OR fitting.removed_at >= ride.started_at) WHERE {condition}"
    )


_EVERY = "SELECT chain.id FROM chain WHERE true"
_EVER_ON = "SELECT fitting.chain FROM fitting WHERE fitting.bike = NEW.id"
_BESIDE_IT = (  # the fitting that it cut short, or that comes back in its place
    "SELECT other.chain FROM fitting JOIN fitting AS other ON other.bike = fitting.bike"
    " AND other.fitted_at <= fitting.fitted_at"
    " AND (other.removed_at IS NULL OR other.removed_at >= fitting.fitted_at)"
    " WHERE NEW.kind = 'fitting' AND fitting.id = NEW.fact_id"
)


@dataclass(frozen=True, slots=True)
class Mark:
    """A write, and the chains that it makes dirty, or the rides.

    name: what happened.  event: of which table, as a trigger says it.  dirty: a select of their numbers.
    when: only then; "" = always.
    """

    name: str
    event: str
    table: str
    dirty: str
    when: str = ""
    of_rides: bool = False

    @property
    def trigger(self) -> str:
        """The trigger's name, which is another one when the mark is."""
        said = f"{self.event} {self.table} {self.dirty} {self.when}"
        return f"mark_{self.name}_{hashlib.sha256(said.encode()).hexdigest()[:8]}"

    @property
    def work(self) -> str:
        """What the trigger does."""
        if self.of_rides:
            return f"UPDATE ride SET likes = NULL WHERE likes IS NOT NULL AND id IN ({self.dirty});"
        return f"INSERT INTO chain_dirty (chain) {self.dirty} ON CONFLICT DO NOTHING;"


def _taken_back(name: str, chains: str) -> tuple[Mark, Mark]:
    return (
        Mark(f"{name}_taken_back", "INSERT", "retraction", chains),
        Mark(f"{name}_put_back", "UPDATE OF undone_at", "retraction", chains),
    )


def _logged(name: str, table: str) -> tuple[Mark, ...]:
    """Care: said, amended, taken back and put back."""
    kind = table.replace("_", " ")
    fact = f"SELECT {table}.chain FROM {table} WHERE NEW.kind = '{kind}' AND {table}.id = NEW.fact_id"
    own = "SELECT NEW.chain WHERE true"
    return (
        Mark(name, "INSERT", table, own),
        Mark(f"{name}_amended", "UPDATE", table, own),
        *_taken_back(name, fact),
    )


MARKS: tuple[Mark, ...] = (
    Mark("ride_left", f"UPDATE OF {_RIDE}", "ride", _on("OLD.bike", "OLD.started_at")),
    Mark("ride_came", f"UPDATE OF {_RIDE}", "ride", _on("NEW.bike", "NEW.started_at")),
    *_taken_back("ride", _of_ride("NEW.kind = 'ride' AND ride.id = NEW.fact_id")),
    Mark(
        "hour_tagged",
        "INSERT",
        "condition_tag",
        _of_ride("ride.id = (SELECT ride_hour.ride FROM ride_hour WHERE ride_hour.id = NEW.ride_hour)"),
    ),
    Mark("fitted", "INSERT", "fitting", _on("NEW.bike", "NEW.fitted_at")),
    Mark("fitting_left", "UPDATE", "fitting", _on("OLD.bike", "OLD.fitted_at")),
    Mark("fitting_came", "UPDATE", "fitting", _on("NEW.bike", "NEW.fitted_at")),
    *_taken_back("fitting", _BESIDE_IT),
    *_logged("treatment", "treatment"),
    *_logged("reading", "reading"),
    *_logged("wipe_test", "wipe_test"),
    Mark("chain_came", "INSERT", "chain", "SELECT NEW.id WHERE true"),
    Mark("chain_amended", "UPDATE", "chain", "SELECT NEW.id WHERE true"),
    *_taken_back("chain", "SELECT chain.id FROM chain WHERE NEW.kind = 'chain' AND chain.id = NEW.fact_id"),
    Mark("bike_amended", "UPDATE", "bike", _EVER_ON),
    Mark("rider_came", "INSERT", "rider", _EVERY),
    Mark("rider_amended", "UPDATE", "rider", _EVERY),
    *_taken_back("rider", "SELECT chain.id FROM chain WHERE NEW.kind = 'rider'"),
    Mark(
        "answered",
        "INSERT",
        "reminder_step",
        "SELECT reminder.chain FROM reminder WHERE reminder.id = NEW.reminder",
        when="NEW.step IN ('put off', 'dismissed', 'done', 'raised') AND NEW.made_by <> 'the round'",
    ),
    Mark("ride_said_to_be", f"UPDATE OF {_RIDE}", "ride", "SELECT NEW.id", of_rides=True),
    Mark(
        "ride_counts_again",
        "UPDATE OF undone_at",
        "retraction",
        "SELECT NEW.fact_id WHERE NEW.kind = 'ride'",
        of_rides=True,
    ),
    Mark(
        "ride_tagged",
        "INSERT",
        "condition_tag",
        "SELECT ride_hour.ride FROM ride_hour WHERE ride_hour.id = NEW.ride_hour",
        of_rides=True,
    ),
    Mark(
        "ground_amended",
        "UPDATE",
        "bike",
        "SELECT ride.id FROM ride WHERE ride.bike = NEW.id",
        when="OLD.unpaved_share <> NEW.unpaved_share OR OLD.indoor <> NEW.indoor",
        of_rides=True,
    ),
)


def stand(connection: Connection) -> bool:
    """Whether every mark, and none of another version, watches over this database."""
    return _found(connection) == {mark.trigger for mark in MARKS}


def install(connection: Connection) -> None:
    """Have the marks of this version watch over the database; what was not watched is all dirty."""
    if stand(connection):
        return
    for sentence in (*_dropped(connection), *(one for mark in MARKS for one in _created(connection, mark))):
        run(connection, sentence)
    run(connection, f"INSERT INTO chain_dirty (chain) {_EVERY} ON CONFLICT DO NOTHING")
    run(connection, "UPDATE ride SET likes = NULL WHERE likes IS NOT NULL")


def _is_sqlite(connection: Connection) -> bool:
    return connection.dialect.name == "sqlite"


def _found(connection: Connection) -> set[str]:
    in_sqlite = "SELECT name FROM sqlite_master WHERE type = 'trigger' AND name LIKE 'mark_%'"
    elsewhere = "SELECT tgname FROM pg_trigger WHERE NOT tgisinternal AND tgname LIKE 'mark_%'"
    return {row[0] for row in rows_of(connection, in_sqlite if _is_sqlite(connection) else elsewhere)}


def _dropped(connection: Connection) -> Iterator[str]:
    for name in sorted(_found(connection)):
        yield f"DROP TRIGGER {name}" if _is_sqlite(connection) else f"DROP FUNCTION {name}() CASCADE"


def _created(connection: Connection, mark: Mark) -> Iterator[str]:
    head = f"CREATE TRIGGER {mark.trigger} AFTER {mark.event} ON {mark.table} FOR EACH ROW"
    if mark.when:
        head = f"{head} WHEN ({mark.when})"
    if _is_sqlite(connection):
        yield f"{head} BEGIN {mark.work} END"
    else:
        yield (
            f"CREATE FUNCTION {mark.trigger}() RETURNS trigger LANGUAGE plpgsql AS"
            f" $$ BEGIN {mark.work} RETURN NULL; END $$"
        )
        yield f"{head} EXECUTE FUNCTION {mark.trigger}()"
