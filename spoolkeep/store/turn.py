"""Whose turn it is, of all processes that serve one database: what is done by itself is done by one of them at a time.

The looks of a served workshop ask it. It must not know what they look for.
"""

import threading

from sqlalchemy import text
from sqlalchemy.engine import Connection
from sqlalchemy.exc import SQLAlchemyError

from spoolkeep.store.engine import Store

CLOSE_WITHIN_S = 1.0
TURN_LOCK = 5_007_002
"""The number of PostgreSQL's advisory lock whose holder's turn it is; it ends with the holder's connection."""


class Turn:
    """A process' place among those that serve one database. On SQLite, which one process serves, it is its turn."""

    def __init__(self, store: Store) -> None:
        self._store = store
        self._lock = threading.Lock()
        self._held: Connection | None = None

    def is_ours(self) -> bool:
        """Give whether it is our turn; once taken it stays ours until this is closed or the connection breaks.

        Errors: a database's own where it cannot be reached.
        """
        if self._store.engine.dialect.name != "postgresql":
            return True
        with self._lock:
            if self._held is not None and not self._still_there(self._held):
                self._held = None
            if self._held is None:
                self._held = self._taken()
            return self._held is not None

    def close(self) -> None:
        """Give the turn up; where a database that hangs is being asked, it ends with the process instead."""
        if not self._lock.acquire(timeout=CLOSE_WITHIN_S):
            return
        try:
            if self._held is not None:
                self._held.invalidate()  # closing what a pool would keep open lets the lock go
                self._held.close()
                self._held = None
        finally:
            self._lock.release()

    @staticmethod
    def _still_there(connection: Connection) -> bool:
        try:
            connection.execute(text("SELECT 1"))
        except SQLAlchemyError:
            connection.invalidate()
            connection.close()
            return False
        return True

    def _taken(self) -> Connection | None:
        connection = self._store.engine.connect().execution_options(isolation_level="AUTOCOMMIT")
        is_taken = False
        try:
            asked = connection.execute(text("SELECT pg_try_advisory_lock(:number)"), {"number": TURN_LOCK})
            is_taken = bool(asked.scalar())
        finally:
            if not is_taken:
                connection.close()
        return connection if is_taken else None
