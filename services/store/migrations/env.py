"""Alembic's entry: runs on the connection it is handed, inside that connection's transaction."""

from alembic import context
from sqlmodel import SQLModel

from services.store import tables, tables_reminders, tables_rides

MODELS = (tables, tables_rides, tables_reminders)  # importing them fills the metadata

connection = context.config.attributes["connection"]
context.configure(
    connection=connection,
    target_metadata=SQLModel.metadata,
    render_as_batch=connection.dialect.name == "sqlite",
    compare_type=True,
)
context.run_migrations()
