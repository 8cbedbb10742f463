"""Rows put in and read past the session's unit of work: an act needs dozens, and each costs far more there than here.

The rest of the store calls it. It knows no table.
"""

from collections.abc import Mapping, Sequence
from functools import lru_cache
from typing import Any, TypeVar

import sqlalchemy
from sqlalchemy import CursorResult, Executable, Insert, insert
from sqlalchemy.orm import Session, make_transient_to_detached
from sqlmodel import SQLModel

Row = TypeVar("Row", bound=SQLModel)
Found = sqlalchemy.Row[*tuple[Any, ...]]
"""What `read` gives: a row by its columns' names."""


def put_in(session: Session, rows: Sequence[Row]) -> Sequence[Row]:
    """Give these new rows of one table with their numbers, inserted in their order and held by the session.

    Errors: SQLAlchemy's IntegrityError where a constraint forbids one.
    """
    if not rows:
        return rows
    session.flush()  # what was changed before must be in place first: a row may take the room that it left
    statement, names = _putting(str(rows[0].__tablename__))
    values = [{name: getattr(row, name) for name in names} for row in rows]
    numbers = session.connection().execute(statement, values).scalars()
    for row, number in zip(rows, numbers, strict=True):
        setattr(row, "id", number)  # noqa: B010 - not every table says it to the type checker
        make_transient_to_detached(row)
        session.add(row)
    return rows


def read(
    session: Session, query: Executable, told: Mapping[str, object] | None = None
) -> CursorResult[*tuple[Any, ...]]:
    """Give what a query finds as plain rows, which nobody can change; what the session has changed is written first."""
    if session.autoflush:
        session.flush()
    return session.connection().execute(query, told or {})


@lru_cache
def _putting(table_name: str) -> tuple[Insert, tuple[str, ...]]:
    table = SQLModel.metadata.tables[table_name]
    names = tuple(column.name for column in table.columns if column.name != "id")
    return insert(table).returning(table.c.id, sort_by_parameter_order=True), names
