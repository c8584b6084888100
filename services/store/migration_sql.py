"""For migrations: tables said in SQL, for both databases."""

from alembic import op

# What the two call otherwise.
WORDS = {
    "sqlite": {"numbered": "INTEGER NOT NULL", "instant": "DATETIME", "bytes": "BLOB"},
    "postgresql": {"numbered": "SERIAL NOT NULL", "instant": "TIMESTAMP WITH TIME ZONE", "bytes": "BYTEA"},
}


def create(tables: str) -> None:
    """Run these statements, one at a time, as SQLite wants them. In braces: a word of WORDS."""
    for statement in tables.format(**WORDS[op.get_bind().dialect.name]).split(";\n"):
        op.execute(statement)
