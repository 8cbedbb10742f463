"""Triggers by which the database itself keeps the ledger append-only, on SQLite and PostgreSQL alike.

Migrations install them; `check` compares them with what is there. They must not know services.
"""

from collections.abc import Iterator
from contextlib import contextmanager

from sqlalchemy import UniqueConstraint, inspect, text
from sqlalchemy.engine import Connection
from sqlmodel import SQLModel

import spoolkeep.store.tables  # noqa: F401 - the metadata is whole only once every table is known

APPEND_ONLY = ("act", "answer", "change", "item_move", "line", "movement", "order_promise", "takings_line")

_PG_FUNCTION = """
CREATE OR REPLACE FUNCTION spoolkeep_append_only() RETURNS trigger LANGUAGE plpgsql AS $$
BEGIN RAISE EXCEPTION '% is append-only', TG_TABLE_NAME; END $$
"""


def install(connection: Connection) -> None:
    """Put every guard in its place, again where it stood: a rebuilt table loses its triggers."""
    for table in _present(connection):
        _drop(connection, table)
        for statement in _statements(connection.dialect.name, table):
            connection.execute(text(statement))


def installed(connection: Connection) -> list[str]:
    """Give the names of the guards that the database has and that say what they should, sorted."""
    return sorted(
        _sound_on_sqlite(connection) if connection.dialect.name == "sqlite" else _sound_on_postgresql(connection)
    )


def _sound_on_sqlite(connection: Connection) -> list[str]:
    query = "SELECT name, sql FROM sqlite_master WHERE type = 'trigger' AND name LIKE 'guard_%'"
    wanted = {statement for table in APPEND_ONLY for statement in _sqlite(table)}
    return [str(name) for name, sql in connection.execute(text(query)) if sql in wanted]


def _sound_on_postgresql(connection: Connection) -> list[str]:
    query = (
        "SELECT tgname, prosrc FROM pg_trigger JOIN pg_proc ON pg_proc.oid = tgfoid"
        " WHERE NOT tgisinternal AND tgenabled = 'O' AND tgname LIKE 'guard_%'"
    )
    return [str(name) for name, source in connection.execute(text(query)) if source in _PG_FUNCTION]


def expected(dialect: str) -> list[str]:
    """Give the names of the guards that a sound database has, sorted."""
    return sorted(f"guard_{table}_{event}" for table in APPEND_ONLY for event in _events(dialect))


@contextmanager
def lifted(connection: Connection, table: str) -> Iterator[None]:
    """Lift one table's guards for a rebuild, inside the transaction that puts them back."""
    _drop(connection, table)
    yield
    for statement in _statements(connection.dialect.name, table):
        connection.execute(text(statement))


def _events(dialect: str) -> tuple[str, ...]:
    return ("update", "delete", "replace") if dialect == "sqlite" else ("update", "delete", "truncate")


def _present(connection: Connection) -> list[str]:
    there = set(inspect(connection).get_table_names())
    return [table for table in APPEND_ONLY if table in there]


def _drop(connection: Connection, table: str) -> None:
    on = "" if connection.dialect.name == "sqlite" else f" ON {table}"
    for event in _events(connection.dialect.name):
        connection.execute(text(f"DROP TRIGGER IF EXISTS guard_{table}_{event}{on}"))


def _statements(dialect: str, table: str) -> list[str]:
    return _sqlite(table) if dialect == "sqlite" else _postgresql(table)


def _sqlite(table: str) -> list[str]:
    refuse = f"BEGIN SELECT RAISE(ABORT, '{table} is append-only'); END"
    return [
        f"CREATE TRIGGER guard_{table}_update BEFORE UPDATE ON {table} {refuse}",
        f"CREATE TRIGGER guard_{table}_delete BEFORE DELETE ON {table} {refuse}",
        f"CREATE TRIGGER guard_{table}_replace BEFORE INSERT ON {table} WHEN {_clash(table)} {refuse}",
    ]


def _clash(table: str) -> str:
    """Give the condition under which REPLACE would remove a row: it holds without any pragma of the writer's."""
    described = SQLModel.metadata.tables[table]
    keys = [[column.name for column in described.primary_key.columns]]
    keys += [
        [column.name for column in constraint.columns]
        for constraint in sorted(described.constraints, key=lambda one: str(one.name))
        if isinstance(constraint, UniqueConstraint)
    ]
    same = (" AND ".join(f"{column} = NEW.{column}" for column in key) for key in keys)
    return " OR ".join(f"EXISTS (SELECT 1 FROM {table} WHERE {one})" for one in same)  # noqa: S608 - names are ours


def _postgresql(table: str) -> list[str]:
    run = "EXECUTE FUNCTION spoolkeep_append_only()"
    return [
        _PG_FUNCTION,
        f"CREATE TRIGGER guard_{table}_update BEFORE UPDATE ON {table} FOR EACH ROW {run}",
        f"CREATE TRIGGER guard_{table}_delete BEFORE DELETE ON {table} FOR EACH ROW {run}",
        f"CREATE TRIGGER guard_{table}_truncate BEFORE TRUNCATE ON {table} FOR EACH STATEMENT {run}",
    ]
