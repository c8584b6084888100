"""All rows of one household from one database to another, number by number: into a club, and home again."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from typing import Any, Final

from sqlalchemy import Connection, Table, func, select
from sqlmodel import SQLModel

from services.store.row_security import SHARED
from services.store.tables_rides import hourly_weather, ride_hour, weather_block

CHUNK: Final = 2000  # rows a statement
NEAR_DEG: Final = 0.75  # no archive's cell has its centre farther from a place in it


def move_in(source: Connection, target: Connection) -> None:
    """Every row of a home ledger into the household that the target's transaction is of."""
    for table in _own_tables():
        move_table(source, target, table)
        _count_on(target, table)
    move_weather(source, target)


def move_out(source: Connection, target: Connection) -> None:
    """Every row of the source's household into an empty home ledger, with the weather over its rides."""
    for table in _own_tables():
        move_table(source, target, table)
    move_weather(source, target)


def _own_tables() -> list[Table]:
    return [table for table in SQLModel.metadata.sorted_tables if table.name not in SHARED]


def move_table(source: Connection, target: Connection, table: Table) -> None:
    """The rows of one table in place of what a fresh ledger holds in it."""
    target.execute(table.delete())
    # A row may point to a later one of its own table: these pointers are set once all rows are there.
    to_itself = [key.parent for key in table.foreign_keys if key.column.table is table]
    for rows in _chunks(source, table):
        bare = {column.name: None for column in to_itself}
        target.execute(table.insert(), [{**row, **bare} for row in rows])
    for column in to_itself:
        for row in source.execute(select(table.c.id, column).where(column.is_not(None))):
            target.execute(table.update().where(table.c.id == row[0]).values({column.name: row[1]}))


def _count_on(target: Connection, table: Table) -> None:
    """New rows get numbers beyond those moved in; a number once given to anybody is not given again."""
    if "id" not in table.c or target.dialect.name != "postgresql":
        return
    highest = target.scalar(select(func.max(table.c.id))) or 0
    of = func.pg_get_serial_sequence(table.name, "id")
    last = target.scalar(select(func.nextval(of))) or 0
    if last < highest:
        # Never set, only counted on: somebody else may be counting at this moment.
        ahead = func.generate_series(last, highest).table_valued("n")
        target.execute(select(func.nextval(of)).select_from(ahead)).all()


def move_weather(source: Connection, target: Connection) -> None:
    """The weather of the cells that these rides went through, where the target does not have it yet."""
    places = {
        (round(latitude * 4) / 4, round(longitude * 4) / 4)
        for latitude, longitude in source.execute(
            select(ride_hour.c.latitude_deg, ride_hour.c.longitude_deg)
            .where(ride_hour.c.latitude_deg.is_not(None), ride_hour.c.longitude_deg.is_not(None))
            .distinct()
        )
    }
    for table in (hourly_weather, weather_block):
        cells = source.execute(select(table.c.latitude_deg, table.c.longitude_deg, table.c.source).distinct())
        for cell in cells.all():
            near = any(
                abs(cell.latitude_deg - latitude) <= NEAR_DEG
                and abs((cell.longitude_deg - longitude + 180) % 360 - 180) <= NEAR_DEG
                for latitude, longitude in places
            )
            here = (
                (table.c.latitude_deg == cell.latitude_deg)
                & (table.c.longitude_deg == cell.longitude_deg)
                & (table.c.source == cell.source)
            )
            if not near:
                continue
            held = {_key(row) for row in target.execute(select(table).where(here)).mappings()}
            for rows in _chunks(source, table, here):
                new = [row for row in rows if _key(row) not in held]
                if new:
                    numbered_anew = [{k: v for k, v in row.items() if k != "id"} for row in new]
                    target.execute(table.insert(), numbered_anew)


def _key(row: Mapping[Any, Any]) -> tuple[Any, ...]:
    """What makes a row of weather the same in two databases: an hour's current one, or a span of days."""
    names = ("hour_start", "model", "is_current", "first_day", "last_day", "tier")
    return tuple(row.get(name) for name in names)


def _chunks(source: Connection, table: Table, where: Any = None) -> Iterator[list[dict[str, Any]]]:
    query = select(table) if where is None else select(table).where(where)
    found = source.execute(query.order_by(*table.primary_key.columns)).mappings()
    while rows := found.fetchmany(CHUNK):
        yield [dict(row) for row in rows]
