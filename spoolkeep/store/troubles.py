"""Why the books cannot be reached or written just now: held, full, read-only, away or damaged, told from any error.

The web, the command line and whoever watches a server ask it. It must not know a table.
"""

import errno
import sqlite3
from dataclasses import dataclass

from sqlalchemy.exc import DBAPIError
from sqlalchemy.exc import TimeoutError as NoneFree


@dataclass(frozen=True)
class Trouble:
    """Why the books cannot be reached or written just now, through no fault of what was sent."""

    code: str
    what: str
    then: str
    """What a person does about it at a page."""

    @property
    def words(self) -> str:
        """Give what a page says."""
        return f"{self.what} {self.then}"


BUSY = Trouble(
    "busy",
    "Something else holds the database. Nothing was booked.",
    "Wait a moment, go back and send it again.",
)
FULL = Trouble(
    "disk_full",
    "The disk on which the books lie is full. Nothing was booked.",
    "Make room on it, then go back and send it again.",
)
READ_ONLY = Trouble(
    "read_only",
    "The books cannot be written: their disk or file is read-only. Nothing was booked.",
    "Let Spoolkeep write there again, then go back and send it again.",
)
AWAY = Trouble(
    "database_away",
    "The database cannot be reached. What was sent just now may be booked or not.",
    "Once it is back, send it again from the same page: it is booked once.",
)
DISK = Trouble(
    "disk_fault",
    "The disk on which the books lie refused to read or to write.",
    "See to its room, its quota and who may write there, and run 'spoolkeep check'; then send it again.",
)
DAMAGED = Trouble(
    "damaged",
    "The database's file is damaged, or is none.",
    "Stop Spoolkeep, keep the file as it is, and bring back the last backup.",
)

_BY_STATE = {
    "53100": FULL,  # disk_full
    "25006": READ_ONLY,  # read_only_sql_transaction
    "53300": BUSY,  # too_many_connections
    "55P03": BUSY,  # lock_not_available
    "57014": BUSY,  # query_canceled: it took too long
    "40001": BUSY,  # serialization_failure
    "40P01": BUSY,  # deadlock_detected
    "58030": DISK,  # io_error
    "XX001": DAMAGED,  # data_corrupted
    "XX002": DAMAGED,  # index_corrupted
}
"""Source: the PostgreSQL manual, appendix A, on the codes of its errors."""
_PRIMARY = 0xFF
"""The bits of SQLite's codes that say the kind."""
_AWAY_CLASSES = ("08", "57P")
_BY_CODE = {
    sqlite3.SQLITE_BUSY: BUSY,
    sqlite3.SQLITE_LOCKED: BUSY,
    sqlite3.SQLITE_FULL: FULL,
    sqlite3.SQLITE_READONLY: READ_ONLY,
    sqlite3.SQLITE_CANTOPEN: AWAY,
    sqlite3.SQLITE_IOERR: DISK,
    sqlite3.SQLITE_CORRUPT: DAMAGED,
    sqlite3.SQLITE_NOTADB: DAMAGED,
}
"""Source: SQLite, Result and Error Codes."""
_BY_ERRNO = {errno.ENOSPC: FULL, getattr(errno, "EDQUOT", errno.ENOSPC): FULL, errno.EROFS: READ_ONLY}


def trouble_of(error: BaseException) -> Trouble | None:
    """Give why the books could not be reached or written; None where an error has another reason."""
    cause = error.orig if isinstance(error, DBAPIError) else error
    if isinstance(cause, NoneFree):
        return BUSY
    if isinstance(cause, OSError):
        return _BY_ERRNO.get(cause.errno or 0)
    if isinstance(cause, sqlite3.Error):
        return _BY_CODE.get(getattr(cause, "sqlite_errorcode", 0) & _PRIMARY)
    return _of_postgresql(error) if isinstance(error, DBAPIError) else None


def _of_postgresql(error: DBAPIError) -> Trouble | None:
    state = getattr(error.orig, "sqlstate", None)
    if state:
        return _BY_STATE.get(state) or (AWAY if state.startswith(_AWAY_CLASSES) else None)
    return AWAY if error.connection_invalidated or _never_connected(error) else None


def _never_connected(error: DBAPIError) -> bool:
    """Give whether PostgreSQL's driver had no line to the server: it then says so in words alone."""
    return type(error.orig).__module__.startswith("psycopg") and type(error.orig).__name__ == "OperationalError"
