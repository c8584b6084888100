"""Alembic's entry: runs on the connection it is handed, inside that connection's transaction."""

from alembic import context

from services.store import tables, tables_reminders, tables_rides
from services.store.columns import LEDGER

TABLES = (tables, tables_rides, tables_reminders)  # importing them fills the metadata

connection = context.config.attributes["connection"]
context.configure(
    connection=connection,
    target_metadata=LEDGER,
    render_as_batch=connection.dialect.name == "sqlite",
    compare_type=True,
)
context.run_migrations()
