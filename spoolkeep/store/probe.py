"""Whether the database would take a booking just now: reached, of the right shape, and writable; bounded in time.

Whoever watches a server asks it, by the web. It writes nothing, and must not know a table.
"""

import shutil
import sqlite3
import tempfile
from contextlib import closing
from pathlib import Path

from sqlalchemy import create_engine
from sqlalchemy.exc import DBAPIError
from sqlalchemy.pool import NullPool

from spoolkeep.store.engine import WRITER_LOCK, Store
from spoolkeep.store.troubles import AWAY, FULL, READ_ONLY, trouble_of
from spoolkeep.store.upgrade import newest

LONGEST_S = 1.0
"""How long the writer's lock is waited for."""
LEAST_FREE_BYTES = 32 * 1024 * 1024
"""Below it a disk counts as full: a journal as long as a larger act's must still fit."""
_TRIED_BYTES = 64 * 1024


OK, OTHER_REVISION = "ok", "other_revision"


def state_of(store: Store) -> str:
    """Give how the database stands, within about two seconds: well, of another revision, or the code of its trouble."""
    try:
        return _of_sqlite(store) if store.engine.dialect.name == "sqlite" else _of_postgresql(store)
    except (sqlite3.Error, DBAPIError, OSError) as error:
        if _has_no_table(error):
            return OTHER_REVISION
        return (trouble_of(error) or AWAY).code


def _has_no_table(error: Exception) -> bool:
    """Give whether a database says that it has no such table, as an empty one does."""
    cause = error.orig if isinstance(error, DBAPIError) else error
    no_table = getattr(cause, "sqlite_errorcode", None) == sqlite3.SQLITE_ERROR
    return no_table or getattr(cause, "sqlstate", None) == "42P01"  # undefined_table


def _of_sqlite(store: Store) -> str:
    path = Path(store.engine.url.database or "")
    if not path.is_file():
        return AWAY.code
    with closing(sqlite3.connect(f"{path.resolve().as_uri()}?mode=rw", timeout=LONGEST_S, uri=True)) as connection:
        connection.isolation_level = None
        found = connection.execute("SELECT version_num FROM alembic_version").fetchone()
        if found is None or found[0] != newest():
            return OTHER_REVISION
        connection.execute("BEGIN IMMEDIATE")
        connection.execute("ROLLBACK")
    return _of_folder(path.parent)


def _of_folder(folder: Path) -> str:
    """Give whether a journal could be written beside the database."""
    try:
        if shutil.disk_usage(folder).free < LEAST_FREE_BYTES:
            return FULL.code
        with tempfile.TemporaryFile(dir=folder, buffering=0) as file:
            file.write(bytes(_TRIED_BYTES))
    except OSError as error:
        return (trouble_of(error) or READ_ONLY).code
    return OK


def _of_postgresql(store: Store) -> str:
    engine = create_engine(
        store.engine.url, poolclass=NullPool, hide_parameters=True, connect_args={"connect_timeout": 2}
    )
    with engine.connect() as connection:
        for name, seconds in (("statement_timeout", 2 * LONGEST_S), ("lock_timeout", LONGEST_S)):
            connection.exec_driver_sql(f"SET {name} = {int(seconds * 1000)}")
        if connection.exec_driver_sql("SHOW transaction_read_only").scalar_one() == "on":
            return READ_ONLY.code
        if connection.exec_driver_sql("SELECT version_num FROM alembic_version").scalar() != newest():
            return OTHER_REVISION
        connection.exec_driver_sql(f"SELECT pg_advisory_xact_lock({WRITER_LOCK})")
    return OK
