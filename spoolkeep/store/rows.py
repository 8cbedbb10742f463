"""Rows put in past the session's unit of work: an act makes a handful, and each costs far more there than here.

The rest of the store calls it. It knows no table.
"""

from collections.abc import Sequence
from functools import lru_cache
from typing import TypeVar

from sqlalchemy import Insert, insert
from sqlalchemy.orm import Session, make_transient_to_detached
from sqlmodel import SQLModel

Row = TypeVar("Row", bound=SQLModel)


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


@lru_cache
def _putting(table_name: str) -> tuple[Insert, tuple[str, ...]]:
    table = SQLModel.metadata.tables[table_name]
    names = tuple(column.name for column in table.columns if column.name != "id")
    return insert(table).returning(table.c.id, sort_by_parameter_order=True), names
