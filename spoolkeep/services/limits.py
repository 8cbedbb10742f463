"""What a database cannot do: keep numbers past its columns' range; and what a log may say of its errors.

The web calls it. It must not know a use case.
"""

from sqlalchemy.exc import DataError, StatementError

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
