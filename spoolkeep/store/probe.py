"""Whether the database would take a booking just now: reached, of the right shape, and writable; bounded in time.

Whoever watches a server asks it, by the web. It writes nothing, and must not know a table.
"""

import errno
import shutil
import sqlite3
import tempfile
from contextlib import closing
from enum import StrEnum
from pathlib import Path

from sqlalchemy import create_engine
from sqlalchemy.exc import DBAPIError
from sqlalchemy.pool import NullPool

from spoolkeep.store.engine import WRITER_LOCK, Store
from spoolkeep.store.upgrade import newest

LONGEST_S = 1.0
"""How long the writer's lock is waited for."""
LEAST_FREE_BYTES = 32 * 1024 * 1024
"""Below it a disk counts as full: a journal as long as a larger act's must still fit."""
_TRIED_BYTES = 64 * 1024


class State(StrEnum):
    """How the database stands."""

    OK = "ok"
    UNREACHABLE = "unreachable"
    OTHER_REVISION = "other_revision"
    BUSY = "busy"
    """Another program, or a long booking, holds the writer's lock."""
    READ_ONLY = "read_only"
    DISK_FULL = "disk_full"


def state_of(store: Store) -> State:
    """Give how the database stands, within about two seconds."""
    if store.engine.dialect.name == "sqlite":
        return _of_sqlite(store)
    return _of_postgresql(store)


def _of_sqlite(store: Store) -> State:
    path = Path(store.engine.url.database or "")
    if not path.is_file():
        return State.UNREACHABLE
    try:
        with closing(sqlite3.connect(f"{path.resolve().as_uri()}?mode=rw", timeout=LONGEST_S, uri=True)) as connection:
            connection.isolation_level = None
            found = connection.execute("SELECT version_num FROM alembic_version").fetchone()
            if found is None or found[0] != newest():
                return State.OTHER_REVISION
            connection.execute("BEGIN IMMEDIATE")
            connection.execute("ROLLBACK")
    except sqlite3.Error as error:
        return _of_code(getattr(error, "sqlite_errorcode", 0) & 0xFF)
    return _of_folder(path.parent)


def _of_code(code: int) -> State:
    """Give what SQLite's code says. Source: SQLite, Result and Error Codes."""
    return {
        sqlite3.SQLITE_BUSY: State.BUSY,
        sqlite3.SQLITE_READONLY: State.READ_ONLY,
        sqlite3.SQLITE_FULL: State.DISK_FULL,
        sqlite3.SQLITE_ERROR: State.OTHER_REVISION,  # there is no such table
    }.get(code, State.UNREACHABLE)


def _of_folder(folder: Path) -> State:
    """Give whether a journal could be written beside the database."""
    try:
        if shutil.disk_usage(folder).free < LEAST_FREE_BYTES:
            return State.DISK_FULL
        with tempfile.TemporaryFile(dir=folder, buffering=0) as file:
            file.write(bytes(_TRIED_BYTES))
    except OSError as error:
        return State.DISK_FULL if error.errno in {errno.ENOSPC, errno.EDQUOT} else State.READ_ONLY
    return State.OK


def _of_postgresql(store: Store) -> State:
    given = {
        "connect_timeout": 2,
        "options": f"-c statement_timeout={_ms(2 * LONGEST_S)} -c lock_timeout={_ms(LONGEST_S)}",
    }
    engine = create_engine(store.engine.url, poolclass=NullPool, hide_parameters=True, connect_args=given)
    try:
        with engine.connect() as connection:
            if connection.exec_driver_sql("SHOW transaction_read_only").scalar_one() == "on":
                return State.READ_ONLY
            if connection.exec_driver_sql("SELECT version_num FROM alembic_version").scalar() != newest():
                return State.OTHER_REVISION
            connection.exec_driver_sql(f"SELECT pg_advisory_xact_lock({WRITER_LOCK})")
    except DBAPIError as error:
        return _of_class(getattr(error.orig, "sqlstate", None) or "")
    return State.OK


def _of_class(sqlstate: str) -> State:
    """Give what PostgreSQL's code says. Source: PostgreSQL, Appendix A, Error Codes."""
    return {
        "55P03": State.BUSY,  # lock_not_available
        "57014": State.BUSY,  # query_canceled: it took too long
        "42P01": State.OTHER_REVISION,  # undefined_table
        "53100": State.DISK_FULL,
    }.get(sqlstate, State.UNREACHABLE)


def _ms(seconds: float) -> int:
    return int(seconds * 1000)
