"""The two doors to the database: one for writes, one for reads, the same on SQLite and PostgreSQL.

The web and the command line open them, once a request. Nothing here may know a table.
"""

import sqlite3
import threading
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from functools import cached_property
from pathlib import Path
from typing import Any

from sqlalchemy import Engine, QueuePool, create_engine, event, text
from sqlalchemy.engine import Connection, make_url
from sqlalchemy.exc import ArgumentError
from sqlalchemy.orm import Session

__all__ = ["Session", "Store", "open_store", "safe_journal_mode"]

from spoolkeep.domain.errors import BadInput

BUSY_SECONDS = 10
WRITER_LOCK = 5_007_001
"""The number of PostgreSQL's advisory lock that lets one writer in at a time, as SQLite does by itself."""

WAL_IS_SOUND = ((3, 44, 6), (3, 50, 7), (3, 51, 3))
"""The first releases of their lines whose WAL mode cannot corrupt under two writers. Source: SQLite release notes."""


def safe_journal_mode(version: tuple[int, int, int]) -> str:
    """Give WAL where this SQLite's WAL is sound, else TRUNCATE."""
    (_, low, low_patch), (_, mid, mid_patch), newest = WAL_IS_SOUND
    major, minor, patch = version
    sound = version >= newest or (major == newest[0] and (minor, patch) >= (low, low_patch) and minor == low)
    return "WAL" if sound or (minor == mid and patch >= mid_patch) else "TRUNCATE"


@dataclass(frozen=True)
class Store:
    """A database with its two doors. Make it with `open_store`."""

    engine: Engine
    _one_writer: threading.Lock = field(default_factory=threading.Lock, repr=False)

    @contextmanager
    def write(self) -> Iterator[Session]:
        """Open a session that writes: one at a time, committed at the end, undone whole by any error."""
        with self._one_writer, Session(self.engine, expire_on_commit=False) as session, session.begin():
            if self.engine.dialect.name == "postgresql":
                session.execute(text("SELECT pg_advisory_xact_lock(:number)"), {"number": WRITER_LOCK})
            yield session

    @contextmanager
    def read(self) -> Iterator[Session]:
        """Open a session that reads one moment's picture and cannot write."""
        with Session(self.reader, expire_on_commit=False, autoflush=False) as session:
            yield session

    @cached_property
    def reader(self) -> Engine:
        """Give the engine whose connections only read: where SQLite keeps a file, others than those that write."""
        engine = self.engine
        if engine.dialect.name != "sqlite":
            return engine.execution_options(isolation_level="REPEATABLE READ", postgresql_readonly=True)
        if isinstance(engine.pool, QueuePool):
            engine = Engine(engine.pool.recreate(), engine.dialect, engine.url, hide_parameters=True)
            event.listen(engine, "begin", _begin_sqlite)
        return engine.execution_options(spoolkeep_begin="DEFERRED")

    def about(self) -> str:
        """Give the database's name, version and way of keeping a journal, in words."""
        with self.reader.connect() as connection:
            if self.engine.dialect.name == "sqlite":
                mode = connection.exec_driver_sql("PRAGMA journal_mode").scalar_one()
                return f"SQLite {sqlite3.sqlite_version}, journal {str(mode).upper()}"
            return f"PostgreSQL {connection.exec_driver_sql('SHOW server_version').scalar_one()}"

    def close(self) -> None:
        """Let go of every connection."""
        self.reader.dispose()
        self.engine.dispose()


def open_store(url: str) -> Store:
    """Give the store at a database address such as `sqlite:///path` or `postgresql+psycopg://user@host/name`.

    Errors: BadInput where the address is neither.
    """
    try:
        kind = make_url(url).get_backend_name()
    except ArgumentError:
        kind = ""
    if kind == "sqlite":
        return Store(_sqlite(url))
    if kind == "postgresql":
        return Store(_postgresql(url))
    raise BadInput(
        "unknown_database",
        "The database address must begin with sqlite:/// or postgresql://. Mend SPOOLKEEP_DATABASE or leave it out.",
    )


def _postgresql(url: str) -> Engine:
    address = make_url(url).set(drivername="postgresql+psycopg")
    return create_engine(address, pool_pre_ping=True, hide_parameters=True)


def _sqlite(url: str) -> Engine:
    database = make_url(url).database
    if database and database != ":memory:":
        Path(database).parent.mkdir(parents=True, exist_ok=True)
    # what is written stays out of every error's words, and so out of the log
    engine = create_engine(
        url, hide_parameters=True, connect_args={"timeout": BUSY_SECONDS, "check_same_thread": False}
    )
    event.listen(engine, "connect", _prepare_sqlite)
    event.listen(engine, "begin", _begin_sqlite)
    return engine


def _prepare_sqlite(connection: sqlite3.Connection, _record: Any) -> None:  # noqa: ANN401 - SQLAlchemy's own
    """Make every connection keep foreign keys, survive a power cut and fire triggers on a replace.

    What is deleted is written over: else a removed name stays in the file until its place is used again.
    """
    connection.isolation_level = None
    for pragma in (
        f"busy_timeout={BUSY_SECONDS * 1000}",
        "foreign_keys=ON",
        "recursive_triggers=ON",
        "secure_delete=ON",
        f"journal_mode={safe_journal_mode(sqlite3.sqlite_version_info[:3])}",
        "synchronous=FULL",
    ):
        connection.execute(f"PRAGMA {pragma}")


def _begin_sqlite(connection: Connection) -> None:
    """Begin. Whether a connection only reads it is told once, for by that SQLite forgets how each query is done."""
    mode = connection.get_execution_options().get("spoolkeep_begin", "IMMEDIATE")
    only_reads = mode == "DEFERRED"
    if connection.info.get("only_reads") is not only_reads:
        connection.exec_driver_sql(f"PRAGMA query_only={'ON' if only_reads else 'OFF'}")
        connection.info["only_reads"] = only_reads
    connection.exec_driver_sql(f"BEGIN {mode}")
