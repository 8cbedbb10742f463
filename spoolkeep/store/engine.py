"""The two doors to the database: one for writes, one for reads, the same on SQLite and PostgreSQL.

The web and the command line open them, once a request. Nothing here may know a table.
"""

import sqlite3
import threading
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from dataclasses import dataclass, field
from functools import cached_property
from pathlib import Path
from typing import Any

from sqlalchemy import Engine, QueuePool, create_engine, event, text
from sqlalchemy.engine import Connection, make_url
from sqlalchemy.exc import ArgumentError, OperationalError
from sqlalchemy.exc import TimeoutError as NoneFree
from sqlalchemy.orm import Session

__all__ = ["Session", "Store", "open_still", "open_store", "safe_journal_mode"]

from spoolkeep.domain.errors import BadInput
from spoolkeep.store.holding import Hold

BUSY_SECONDS = 10
TURN_SECONDS = 60
"""Longer than the longest import holds the books."""
STUCK_SECONDS = 600
"""After so long PostgreSQL ends a booking that asks nothing: its process was stopped, and all others wait for it."""
WRITER_LOCK = 5_007_001
"""The number of PostgreSQL's advisory lock that lets one writer in at a time, as SQLite does by itself."""

HELD_OPEN, MOST_OPEN = 6, 24
"""How many connections one process keeps open, and has at most: its 16 threads, its looks, and some beside."""
GONE_AFTER = {"keepalives_idle": 30, "keepalives_interval": 10, "keepalives_count": 3}
"""When PostgreSQL and we take each other for gone, in seconds: a machine that lost its power, or a line that was cut,
holds up the writer of all others no longer than this, where the systems' own defaults say two hours."""
NO_ANSWER_MS = 60_000
"""How long what was sent to PostgreSQL may stay unconfirmed on a line that was cut."""

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
    held: Hold | None = field(default=None, repr=False)
    """Keeps others from putting another database in this one's place while it is open."""
    _one_writer: threading.Lock = field(default_factory=threading.Lock, repr=False)

    @contextmanager
    def write(self) -> Iterator[Session]:
        """Open a session that writes: one at a time, committed at the end, undone whole by any error.

        SQLite keeps a file that it had to open for reading so: once that is seen, no open line is used again.
        """
        with self._turn(), Session(self.engine, expire_on_commit=False) as session:
            try:
                with session.begin():
                    if self.engine.dialect.name == "postgresql":
                        session.execute(text("SELECT pg_advisory_xact_lock(:number)"), {"number": WRITER_LOCK})
                    yield session
            except OperationalError as error:
                if "readonly" in str(error.orig):
                    self.engine.dispose()
                raise

    @contextmanager
    def _turn(self) -> Iterator[None]:
        """Wait for the one writer before; not for ever, where a program outside holds them all up."""
        if not self._one_writer.acquire(timeout=TURN_SECONDS):
            raise NoneFree(f"No turn to write came within {TURN_SECONDS} s.")
        try:
            yield
        finally:
            self._one_writer.release()

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

    @property
    def file(self) -> Path | None:
        """Give the file that the database lies in; None where it is no file."""
        database = self.engine.url.database
        if self.engine.dialect.name != "sqlite" or not database or database == ":memory:":
            return None
        return Path(database)

    def about(self) -> str:
        """Give the database's name, version and way of keeping a journal, in words."""
        with self.reader.connect() as connection:
            if self.engine.dialect.name == "sqlite":
                mode = connection.exec_driver_sql("PRAGMA journal_mode").scalar_one()
                return f"SQLite {sqlite3.sqlite_version}, journal {str(mode).upper()}"
            return f"PostgreSQL {connection.exec_driver_sql('SHOW server_version').scalar_one()}"

    def most_connections(self) -> int:
        """Give how many connections PostgreSQL gives to all who are not its keeper; SQLite counts none."""
        with self.reader.connect() as connection:
            if self.engine.dialect.name == "sqlite":
                return MOST_OPEN
            most, kept = (
                int(connection.exec_driver_sql(f"SHOW {name}").scalar_one())
                for name in ("max_connections", "superuser_reserved_connections")
            )
            return most - kept

    def close(self) -> None:
        """Let go of every connection, and of the instance."""
        self.reader.dispose()
        self.engine.dispose()
        if self.held:
            self.held.let_go()


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


def open_still(path: Path) -> Store:
    """Give the store of a SQLite file that nobody writes: nothing is locked, nothing changes in it or beside it.

    Source: SQLite, "Uniform Resource Identifiers", the parameter immutable.
    """
    address = f"{path.resolve().as_uri()}?mode=ro&immutable=1"
    return Store(create_engine("sqlite://", creator=lambda: sqlite3.connect(address, uri=True), hide_parameters=True))


def _postgresql(url: str) -> Engine:
    address = make_url(url).set(drivername="postgresql+psycopg")
    of_ours = {"connect_timeout": BUSY_SECONDS, "tcp_user_timeout": NO_ANSWER_MS, **GONE_AFTER}
    connect = {name: value for name, value in of_ours.items() if name not in address.query}
    engine = create_engine(address, pool_pre_ping=True, hide_parameters=True, connect_args=connect, **_POOL)
    event.listen(engine, "connect", _prepare_postgresql)
    return engine


_POOL: dict[str, Any] = {"pool_size": HELD_OPEN, "max_overflow": MOST_OPEN - HELD_OPEN}


def _prepare_postgresql(connection: Any, _record: Any) -> None:  # noqa: ANN401 - the driver's own
    """Let nobody be waited for without end, and the server find out soon that we are gone.

    On a socket of one machine the latter do nothing.
    """
    before, connection.autocommit = connection.autocommit, True
    connection.execute(f"SET lock_timeout = '{TURN_SECONDS}s'")
    connection.execute(f"SET idle_in_transaction_session_timeout = '{STUCK_SECONDS}s'")
    for name, value in GONE_AFTER.items():
        connection.execute(f"SET tcp_{name} = {value}")
    connection.autocommit = before


def _sqlite(url: str) -> Engine:
    database = make_url(url).database
    if database and database != ":memory:":
        Path(database).parent.mkdir(parents=True, exist_ok=True)
    # what is written stays out of every error's words, and so out of the log
    engine = create_engine(
        url,
        hide_parameters=True,
        connect_args={"timeout": BUSY_SECONDS, "check_same_thread": False},
        **({} if database in {None, "", ":memory:"} else _POOL),
    )
    event.listen(engine, "connect", _prepare_sqlite)
    event.listen(engine, "connect", lambda _line, _record: _for_its_owner_alone(Path(database or "")))
    event.listen(engine, "begin", _begin_sqlite)
    return engine


def _for_its_owner_alone(path: Path) -> None:
    """Let a new file be read by nobody else: it holds names, and what is kept of passwords.

    Its journal gets the same rights from SQLite.
    """
    with suppress(OSError):
        if path.stat().st_size == 0:
            path.chmod(0o600)


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
