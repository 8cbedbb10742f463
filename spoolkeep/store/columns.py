"""Column types, checks and names that every table shares.

The tables use them. They must not know any particular table.
"""

from datetime import UTC, datetime
from enum import StrEnum
from typing import Any

from sqlalchemy import BigInteger, CheckConstraint, ColumnElement, DateTime, Dialect, Index, text
from sqlalchemy.ext.compiler import compiles
from sqlalchemy.sql.compiler import DDLCompiler
from sqlalchemy.types import TypeDecorator
from sqlmodel import Field, SQLModel

NAMING = {
    "ix": "ix_%(table_name)s_%(column_0_N_name)s",
    "uq": "uq_%(table_name)s_%(column_0_N_name)s",
    "ck": "ck_%(table_name)s_%(constraint_name)s",
    "fk": "fk_%(table_name)s_%(column_0_N_name)s",
    "pk": "pk_%(table_name)s",
}
SQLModel.metadata.naming_convention = NAMING


class Moment(TypeDecorator[datetime]):
    """A moment, kept in UTC on every database. A naive time is refused: it could mean any zone."""

    impl = DateTime(timezone=True)
    cache_ok = True

    def process_bind_param(self, value: datetime | None, dialect: Dialect) -> datetime | None:
        """Give UTC; SQLite keeps no zone, so there it goes in without one."""
        if value is None:
            return None
        if value.tzinfo is None:
            raise TypeError(f"a naive time cannot be stored: {value!r}")
        utc = value.astimezone(UTC)
        return utc.replace(tzinfo=None) if dialect.name == "sqlite" else utc

    def process_result_value(self, value: datetime | None, dialect: Dialect) -> datetime | None:
        """Give the moment back in UTC."""
        del dialect
        if value is None:
            return None
        return value.replace(tzinfo=UTC) if value.tzinfo is None else value.astimezone(UTC)


def primary_key() -> Any:  # noqa: ANN401 - a field stands for the type it is declared with
    """Give an integer primary key that the database fills."""
    return Field(default=None, primary_key=True)


def link(target: str, *, index: bool = True) -> Any:  # noqa: ANN401 - as above
    """Give a required foreign key to `table.column`."""
    return Field(foreign_key=target, index=index)


def maybe_link(target: str, *, index: bool = True) -> Any:  # noqa: ANN401 - as above
    """Give an optional foreign key to `table.column`."""
    return Field(default=None, foreign_key=target, index=index)


def moment() -> Any:  # noqa: ANN401 - as above
    """Give a required moment in UTC."""
    return Field(sa_type=Moment)


def maybe_moment() -> Any:  # noqa: ANN401 - as above
    """Give an optional moment in UTC."""
    return Field(default=None, sa_type=Moment)


def whole() -> Any:  # noqa: ANN401 - as above
    """Give a required 64-bit integer: milligrams or minor units."""
    return Field(sa_type=BigInteger)


def maybe_whole() -> Any:  # noqa: ANN401 - as above
    """Give an optional 64-bit integer."""
    return Field(default=None, sa_type=BigInteger)


def live() -> Any:  # noqa: ANN401 - as above
    """Give the mark that a row stands: an undone act's rows stay, and do not count."""
    return Field(default=True, sa_column_kwargs={"server_default": text("true")})


def flag() -> Any:  # noqa: ANN401 - as above
    """Give a mark that is off unless somebody sets it; rows from before it existed have it off."""
    return Field(default=False, sa_column_kwargs={"server_default": text("false")})


def one_of(column: str, words: type[StrEnum]) -> CheckConstraint:
    """Give the check that a column holds one of a closed set of words."""
    listed = ", ".join(f"'{word}'" for word in words)
    return CheckConstraint(f"{column} IN ({listed})", name=f"{column}_is_known")


def holds(name: str, sql: str) -> CheckConstraint:
    """Give a named check."""
    return CheckConstraint(sql, name=name)


class WholeNumber(ColumnElement[bool]):
    """The condition that a column holds an integer, each database asked in its own words."""

    inherit_cache = True

    def __init__(self, column: str) -> None:
        self.column = column


@compiles(WholeNumber, "sqlite")
def _typed_by_value(element: WholeNumber, _compiler: DDLCompiler, **_: object) -> str:
    return f"typeof({element.column}) IN ('integer', 'null')"


@compiles(WholeNumber, "postgresql")
def _typed_by_column(element: WholeNumber, _compiler: DDLCompiler, **_: object) -> str:
    return f"pg_typeof({element.column}) IN ('integer'::regtype, 'bigint'::regtype)"


def integers(*columns: str) -> tuple[CheckConstraint, ...]:
    """Give the checks that no float and no text stands where an integer belongs."""
    return tuple(CheckConstraint(WholeNumber(column), name=f"{column}_is_whole") for column in columns)


def unique_while_live(table: str, *columns: str) -> Index:
    """Give the index by which no two rows that stand share these columns; undone ones are out of the way."""
    name = f"uq_{table}_live_{'_'.join(columns)}"
    return Index(name, *columns, unique=True, sqlite_where=text("live"), postgresql_where=text("live"))


def unique_while_used(table: str, *columns: str) -> Index:
    """Give the index by which no two rows that stand and are not retired share these columns."""
    name, used = f"uq_{table}_used_{'_'.join(columns)}", text("live AND NOT retired")
    return Index(name, *columns, unique=True, sqlite_where=used, postgresql_where=used)
