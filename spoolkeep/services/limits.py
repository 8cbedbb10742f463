"""What a database cannot do: keep numbers past its columns' range, or write while it is held, full, locked or away.

The web calls it. It must not know a use case.
"""

import errno
import sqlite3
from dataclasses import dataclass

from sqlalchemy.exc import DataError, DBAPIError, StatementError
from sqlalchemy.exc import TimeoutError as NoneFree

MOST_WHOLE = 2**31 - 1
"""The largest whole number that every database keeps in a plain integer column: ids, counts, days."""


def out_of_range(error: Exception) -> bool:
    """Give whether SQLite's driver, the calendar or PostgreSQL raised this for a value that lies past its range."""
    cause = error.orig if isinstance(error, StatementError) and not isinstance(error, DataError) else error
    return isinstance(cause, OverflowError | DataError)


def without_values(error: Exception) -> str:
    """Give an error for a log: a database's own words may say what was written, so the statement stands for them."""
    if isinstance(error, StatementError):
        return f"{type(error).__name__} ({type(error.orig).__name__}) in: {error.statement}"
    return f"{type(error).__name__}: {error}"


def kind_of(error: BaseException) -> str:
    """Give what kind of error it is and none of its words; of a database's the statement, whose values stand apart."""
    return without_values(error) if isinstance(error, StatementError) else type(error).__name__


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
DAMAGED = Trouble(
    "disk_fault",
    "The disk failed, or the database's file is damaged.",
    "Stop Spoolkeep, keep the file as it is, and bring back the last backup.",
)

_BY_STATE = {"53100": FULL, "25006": READ_ONLY, "53300": BUSY, "55P03": BUSY, "40001": BUSY, "40P01": BUSY}
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
    sqlite3.SQLITE_IOERR: DAMAGED,
    sqlite3.SQLITE_CORRUPT: DAMAGED,
    sqlite3.SQLITE_NOTADB: DAMAGED,
}
"""Source: SQLite, Result and Error Codes."""
_BY_ERRNO = {errno.ENOSPC: FULL, getattr(errno, "EDQUOT", errno.ENOSPC): FULL, errno.EROFS: READ_ONLY}


def trouble_of(error: BaseException) -> Trouble | None:
    """Give why the books could not be reached or written; None where an error has another reason."""
    if isinstance(error, NoneFree):
        return BUSY
    if isinstance(error, OSError):
        return _BY_ERRNO.get(error.errno or 0)
    if not isinstance(error, DBAPIError):
        return None
    state = getattr(error.orig, "sqlstate", None)
    if state:
        return _BY_STATE.get(state) or (AWAY if state.startswith(_AWAY_CLASSES) else None)
    found = _BY_CODE.get(getattr(error.orig, "sqlite_errorcode", 0) & _PRIMARY)
    return found or (AWAY if error.connection_invalidated or _never_connected(error) else None)


def _never_connected(error: DBAPIError) -> bool:
    """Give whether PostgreSQL's driver had no line to the server: it then says so in words alone."""
    return type(error.orig).__module__.startswith("psycopg") and type(error.orig).__name__ == "OperationalError"
