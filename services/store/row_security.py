"""Households of a club kept apart inside one PostgreSQL database, by the database itself.

Every table but the shared ones gets a column `household` that only PostgreSQL has; its default, and all that
a transaction may see or write, come from one setting of that transaction. Forgotten, it shows nothing.
Numbers are unique within a household, so a home ledger keeps its own when it moves in.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any, Final

from sqlalchemy import URL, Connection

from services.store.engine import HOUSEHOLD_SETTING, quoted, run, where
from services.store.errors import NotFound, StoreUnusable

FRESH: Final = 0  # the household that nobody lives in: what a new one's tables hold
# Weather is the same for everybody who rides through it; the others say who there is, not what they did.
SHARED: Final = frozenset(
    {"hourly_weather", "weather_block", "archive_budget", "household", "alembic_version", "guess"}
)
# Who signs in: of several households perhaps, so policies of their own keep these (services.store.people).
BY_PERSON: Final = frozenset({"person", "membership", "session", "invitation"})

_OF_OURS = "FROM pg_class t WHERE t.relnamespace = current_schema()::regnamespace AND t.relkind IN ('r', 'p')"


def tables_apart(connection: Connection) -> list[str]:
    """The tables that hold one household's rows each, whoever added them."""
    names = run(connection, f"SELECT t.relname {_OF_OURS} ORDER BY t.relname").scalars()
    return [name for name in names if name not in SHARED | BY_PERSON]


def is_club(connection: Connection) -> bool:
    """Whether this database was prepared for several households."""
    return bool(run(connection, "SELECT to_regclass('household') IS NOT NULL").scalar())


def household_of(url: URL) -> tuple[URL, int | None]:
    """A database's URL, and which household of it `?household=7` names; None = it is one household's own.

    Raises StoreUnusable.
    """
    said = url.query.get("household")
    if said is None:
        return url, None
    plain = url.difference_update_query(["household"])
    if url.get_backend_name() != "postgresql":
        raise StoreUnusable(where(plain), "holds one household alone", "leave ?household= out")
    if not (isinstance(said, str) and said.isascii() and said.isdecimal() and FRESH < int(said) < 2**31):
        raise StoreUnusable(where(plain), f"“household={said}” is no number", "gritledger club list")
    return plain, int(said)


def refuse_unless_apart(connection: Connection, where: str, household: int | None) -> None:
    """A club is opened as one of its households, by a role that policies bind; a home ledger as it is.

    Raises StoreUnusable, NotFound.
    """
    if household is None:
        if is_club(connection):
            raise StoreUnusable(
                where, "is kept for a club", "name the household: ?household=7 at the end of the URL"
            )
        return
    if not is_club(connection):
        raise StoreUnusable(where, "is not prepared for a club", "gritledger club prepare")
    refuse_unsafe_role(connection, where)
    if faults := not_apart(connection):
        raise StoreUnusable(
            where, faults[0].rstrip("."), "have its owner run 'gritledger club prepare' again"
        )
    known = set(run(connection, "SELECT number FROM household").scalars())
    if household not in known:
        raise NotFound("household", household, highest=max(known))


def keep_apart(connection: Connection, role: str) -> None:
    """Bring every table to where `not_apart` finds nothing; run again, it changes nothing.

    For the owner, after migrating, in the same transaction. role: who the page and the workers sign in as.
    """
    _run(
        connection,
        "CREATE OR REPLACE FUNCTION household_here() RETURNS integer LANGUAGE sql STABLE PARALLEL SAFE "
        f"AS $$ SELECT nullif(current_setting('{HOUSEHOLD_SETTING}', true), '')::integer $$",
        "CREATE TABLE IF NOT EXISTS household (number integer GENERATED ALWAYS AS IDENTITY PRIMARY KEY, "
        "name text NOT NULL UNIQUE, made_at timestamptz NOT NULL DEFAULT now())",
        f"INSERT INTO household (number, name) OVERRIDING SYSTEM VALUE VALUES ({FRESH}, '') "  # noqa: S608
        "ON CONFLICT DO NOTHING",
        "CREATE TABLE IF NOT EXISTS arrival (id serial PRIMARY KEY, sha256 text NOT NULL UNIQUE, "
        "name text NOT NULL, rider integer REFERENCES rider, data bytea NOT NULL, "
        "arrived_at timestamptz NOT NULL, read_at timestamptz, tries integer NOT NULL DEFAULT 0)",
    )
    tables = tables_apart(connection)
    for table in tables:
        if not _has_column(connection, table):
            _run(
                connection,
                f"ALTER TABLE {quoted(table)} ADD COLUMN household integer NOT NULL DEFAULT {FRESH} "
                "REFERENCES household",
                f"ALTER TABLE {quoted(table)} ALTER COLUMN household SET DEFAULT household_here()",
            )
    _widen_keys(connection, tables)
    for table in tables:
        _run(
            connection,
            f"ALTER TABLE {quoted(table)} ENABLE ROW LEVEL SECURITY",
            f"ALTER TABLE {quoted(table)} FORCE ROW LEVEL SECURITY",
            f"DROP POLICY IF EXISTS own_household ON {quoted(table)}",
            # In a subselect the setting is read once a query, not once a row.
            f"CREATE POLICY own_household ON {quoted(table)} USING (household = (SELECT household_here())) "
            "WITH CHECK (household = (SELECT household_here()))",
        )
    _grant(connection, tables, role)


def _widen_keys(connection: Connection, tables: Sequence[str]) -> None:
    """Every key and every reference to one begins with the household; checks are left as they are."""
    narrow = run(
        connection,
        "SELECT c.conname, t.relname, c.contype, pg_get_constraintdef(c.oid) AS said "
        "FROM pg_constraint c JOIN pg_class t ON t.oid = c.conrelid "
        "JOIN pg_attribute a ON a.attrelid = t.oid AND a.attname = 'household' "
        "WHERE t.relname = ANY(:tables) AND t.relnamespace = current_schema()::regnamespace "
        "AND c.contype IN ('p', 'u', 'f') AND a.attnum <> ALL(c.conkey)",
        tables=list(tables),
    ).all()
    references_first = sorted(narrow, key=lambda row: row.contype != "f")
    for row in references_first:
        _run(connection, f"ALTER TABLE {quoted(row.relname)} DROP CONSTRAINT {quoted(row.conname)}")
    for row in reversed(references_first):
        wide = row.said.replace("(", "(household, ")
        _run(connection, f"ALTER TABLE {quoted(row.relname)} ADD CONSTRAINT {quoted(row.conname)} {wide}")
    for name, said in _narrow_unique_indexes(connection, tables):
        _run(connection, f"DROP INDEX {quoted(name)}", said.replace(" (", " (household, ", 1))


def _narrow_unique_indexes(connection: Connection, tables: Sequence[str]) -> list[tuple[str, str]]:
    """Unique indexes without the household, by name, as the statements that made them."""
    found = run(
        connection,
        "SELECT i.relname, pg_get_indexdef(i.oid) FROM pg_index x "
        "JOIN pg_class i ON i.oid = x.indexrelid JOIN pg_class t ON t.oid = x.indrelid "
        "JOIN pg_attribute a ON a.attrelid = t.oid AND a.attname = 'household' "
        "WHERE x.indisunique AND t.relname = ANY(:tables) "
        "AND t.relnamespace = current_schema()::regnamespace AND a.attnum <> ALL(x.indkey)",
        tables=list(tables),
    )
    return [(row[0], row[1]) for row in found]


def _grant(connection: Connection, tables: Sequence[str], role: str) -> None:
    """What the page and the workers may do. No TRUNCATE and no ownership: neither asks a policy."""
    written = ", ".join(quoted(name) for name in [*tables, "hourly_weather", "weather_block"])
    _run(
        connection,
        f"GRANT SELECT, INSERT, UPDATE, DELETE ON {written} TO {quoted(role)}",
        f"GRANT SELECT, INSERT ON household TO {quoted(role)}",
        f"GRANT SELECT ON alembic_version TO {quoted(role)}",
        f"GRANT USAGE, SELECT ON ALL SEQUENCES IN SCHEMA {_schema(connection)} TO {quoted(role)}",
    )


def not_apart(connection: Connection) -> list[str]:
    """What would let one household see or touch another's rows, in sentences; empty = nothing."""
    faults = []
    missing = set(BY_PERSON)
    for table, forced, policies, has_column in run(
        connection,
        "SELECT t.relname, t.relrowsecurity AND t.relforcerowsecurity, "  # noqa: S608
        "(SELECT count(*) FROM pg_policy p WHERE p.polrelid = t.oid), EXISTS (SELECT FROM pg_attribute a "
        "WHERE a.attrelid = t.oid AND a.attname = 'household' AND a.attnotnull) "
        f"{_OF_OURS} AND t.relname <> ALL(:shared) ORDER BY t.relname",
        shared=sorted(SHARED),
    ):
        missing.discard(table)
        if not (forced and policies == 1 and (has_column or table in BY_PERSON)):
            faults.append(f"The table “{table}” is not kept apart by household.")
    faults += [f"The table “{table}” is not there." for table in sorted(missing)]
    tables = tables_apart(connection)
    faults += [
        f"“{name}” is unique in all households." for name, _ in _narrow_unique_indexes(connection, tables)
    ]
    return faults


def refuse_unsafe_role(connection: Connection, where: str, role: str | None = None) -> None:
    """Whom no policy binds must not serve households. role None = whoever this is. Raises StoreUnusable."""
    found = run(
        connection,
        "SELECT r.rolname, r.rolsuper OR r.rolbypassrls, EXISTS (SELECT FROM pg_class t WHERE "
        "pg_has_role(r.oid, t.relowner, 'MEMBER') AND t.relnamespace = current_schema()::regnamespace) "
        "FROM pg_roles r WHERE r.rolname = coalesce(:role, current_user)",
        role=role,
    ).first()
    if found is None:
        raise StoreUnusable(where, f"there is no role “{role}”", f"make it first: CREATE ROLE {role} LOGIN")
    if found[1] or found[2]:
        why = "a superuser, or one whom row security passes over" if found[1] else "the owner of the tables"
        raise StoreUnusable(
            where,
            f"“{found[0]}” is {why}, and would see every household",
            "sign in as a plain role, the one that was named to 'gritledger club prepare'",
        )


def _has_column(connection: Connection, table: str) -> bool:
    found: Any = run(
        connection,
        "SELECT EXISTS (SELECT FROM pg_attribute a JOIN pg_class t ON t.oid = a.attrelid WHERE "
        "t.relname = :table AND t.relnamespace = current_schema()::regnamespace "
        "AND a.attname = 'household' AND NOT a.attisdropped)",
        table=table,
    ).scalar()
    return bool(found)


def _schema(connection: Connection) -> str:
    return quoted(str(run(connection, "SELECT current_schema()").scalar()))


def _run(connection: Connection, *statements: str) -> None:
    for statement in statements:
        connection.exec_driver_sql(statement)
