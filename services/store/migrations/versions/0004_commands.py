"""The log of corrections becomes one log of commands; a word on a ride can be undone by marking it."""

from __future__ import annotations

from datetime import datetime
from typing import Any

import sqlalchemy as sa
from alembic import op
from sqlmodel import UTCDateTime

from services.store.migration_sql import create

revision = "0004"
down_revision = "0003"

NO_EFFECT: dict[str, Any] = {"lost": {}, "made": []}
CHANGE = """
CREATE TABLE change (
  id {numbered}, made_at {instant} NOT NULL, made_by VARCHAR NOT NULL, what VARCHAR NOT NULL, command JSON,
  made INTEGER NOT NULL, made_rows JSON NOT NULL, effect JSON NOT NULL, undone_at {instant},
  undone_by VARCHAR, undone_with INTEGER,
  CONSTRAINT pk_change PRIMARY KEY (id),
  CONSTRAINT fk_change_undone_with FOREIGN KEY(undone_with) REFERENCES change (id)
)
"""


def upgrade() -> None:
    with op.batch_alter_table("ride_word") as batch:
        batch.add_column(sa.Column("is_undone", sa.Boolean(), nullable=False, server_default=sa.false()))
    with op.batch_alter_table("ride_word") as batch:
        batch.alter_column("is_undone", server_default=None)
    create(CHANGE)
    _carry_over(op.get_bind())
    op.drop_table("correction")


def _carry_over(connection: sa.Connection) -> None:
    """Every correction becomes a command with the number it had, if what it was can still be told."""
    old, new = _table(connection, "correction"), _table(connection, "change")
    rows = connection.execute(sa.select(old).order_by(old.c.id)).all()
    for row in rows:
        command, made, made_rows, effect = _command(connection, row)
        connection.execute(
            new.insert().values(
                id=row.id,
                made_at=row.made_at,
                made_by=row.made_by,
                what=row.what,
                command=command,
                made=made,
                made_rows=made_rows,
                effect=effect,
                undone_at=row.undone_at,
                undone_by=row.undone_by,
                undone_with=None,
            )
        )
    if rows and connection.dialect.name == "postgresql":
        connection.execute(
            sa.select(sa.func.setval(sa.func.pg_get_serial_sequence("change", "id"), rows[-1].id))
        )


def _table(connection: sa.Connection, name: str) -> sa.Table:
    found = sa.Table(name, sa.MetaData(), autoload_with=connection)
    for column in found.columns:
        if column.name.endswith("_at"):
            column.type = UTCDateTime()
    return found


def _command(
    connection: sa.Connection, row: Any
) -> tuple[dict[str, Any] | None, int, list[int], dict[str, Any]]:
    """The command that made a correction, the fact and the rows it made, and its effect."""
    restore = row.restore
    match restore.get("kind"):
        case "bike":
            table = _table(connection, "ride_assignment")
            decided = {
                found.id: found.bike
                for found in connection.execute(
                    sa.select(table.c.id, table.c.bike).where(
                        table.c.id.in_([decision for _, decision in restore["decisions"]])
                    )
                )
            }
            answers = [[ride, decided.get(decision)] for ride, decision in restore["decisions"]]
            rows = [decision for _, decision in restore["decisions"]]
            return _named("PutRidesOn", answers=answers), 0, rows, NO_EFFECT
        case "word" | "unpaved" as kind:
            word = _word(connection, restore["ride"], kind, row.made_at)
            if word is None:
                return None, 0, [], NO_EFFECT
            if kind == "word":
                said = _named("SayCondition", ride=restore["ride"], word=word.said)
            else:
                share = None if word.said is None else float(word.said)
                said = _named("SayUnpaved", ride=restore["ride"], share=share)
            return said, 0, [word.id], NO_EFFECT
        case "withdrawn":
            return _named("WithdrawRide", ride=restore["ride"]), 0, [], NO_EFFECT
        case "split":
            return _named("SplitOuting", ride=restore["other"]), 0, [], NO_EFFECT
        case "care" if not row.undone_at:
            return _care(connection, restore)
        case "taken back" if not row.undone_at:
            return _taken_back(connection, restore)
        case "sensor" if not row.undone_at:
            return _sensor(connection, restore)
    return None, 0, [], NO_EFFECT


def _named(name: str, **values: Any) -> dict[str, Any]:
    return {"name": name, "values": values}


def _word(connection: sa.Connection, ride: int, kind: str, at: datetime) -> Any:
    table = _table(connection, "ride_word")
    about = "conditions" if kind == "word" else "unpaved share"
    query = sa.select(table).where(table.c.ride == ride, table.c.about == about, table.c.made_at == at)
    return connection.execute(query.order_by(table.c.id)).first()


_CARE = {"treatment": "LogTreatment", "reading": "LogReading", "wipe test": "LogWipeTest"}
_FAMILY = {"treatment": "treatments", "reading": "readings", "wipe test": "wipe_tests"}


def _fact(connection: sa.Connection, kind: str, number: int) -> dict[str, Any]:
    table = _table(connection, kind.replace(" ", "_"))
    row = connection.execute(sa.select(table).where(table.c.id == number)).one()
    return {
        name: value.isoformat() if isinstance(value, datetime) else value
        for name, value in row._mapping.items()
    }


def _care(
    connection: sa.Connection, restore: dict[str, Any]
) -> tuple[dict[str, Any], int, list[int], dict[str, Any]]:
    kind, number = restore["fact"], restore["id"]
    values = _fact(connection, kind, number)
    del values["id"]
    return _named(_CARE[kind], **values), number, [], {"lost": {}, "made": [[_FAMILY[kind], number]]}


def _taken_back(
    connection: sa.Connection, restore: dict[str, Any]
) -> tuple[dict[str, Any], int, list[int], dict[str, Any]]:
    kind, number = restore["fact"], restore["id"]
    lost = {_FAMILY[kind]: [_fact(connection, kind, number)]}
    return _named("TakeBack", fact=kind, number=number), 0, [], {"lost": lost, "made": []}


def _sensor(
    connection: sa.Connection, restore: dict[str, Any]
) -> tuple[dict[str, Any] | None, int, list[int], dict[str, Any]]:
    """A sensor that was placed: the span that was not there before, if no later word moved it on."""
    table = _table(connection, "sensor")
    now = connection.execute(
        sa.select(table).where(table.c.identity == restore["identity"]).order_by(table.c.id)
    ).all()
    before = restore["spans"]
    if len(now) != len(before) + 1:
        return None, 0, [], NO_EFFECT
    new = now[-1]
    lost = [
        {"id": row.id, "kind": kind, "identity": identity, "bike": bike, "from_at": start, "until_at": end}
        for row, (kind, identity, bike, start, end) in zip(now, before, strict=False)
    ]
    placed = _named(
        "PlaceSensor",
        identity=new.identity,
        kind=new.kind,
        bike=new.bike,
        from_at=None if new.from_at is None else new.from_at.isoformat(),
    )
    return placed, new.id, [], {"lost": {"sensors": lost}, "made": [["sensors", new.id]]}
