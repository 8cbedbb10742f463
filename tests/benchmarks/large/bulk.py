"""Rows by the hundred thousand, kept a table at a time: written by executemany on SQLite, by COPY on PostgreSQL.

The large workshop's books use it. It must not know what any row means.
"""

from collections import Counter
from collections.abc import Callable, Iterator, Sequence
from contextlib import ExitStack, contextmanager
from functools import lru_cache
from typing import Any

from sqlalchemy import Date, Dialect, create_engine, func, select, text
from sqlalchemy.engine import Connection
from sqlalchemy.types import TypeEngine
from sqlmodel import SQLModel

from spoolkeep.store import guards
from spoolkeep.store.columns import Moment
from spoolkeep.store.engine import Store
from spoolkeep.store.guards import lifted

FLUSH_AT, REMEMBERED = 20_000, 30_000
_INDEXES = {
    "sqlite": "SELECT name, sql FROM sqlite_master WHERE type = 'index' AND name LIKE 'ix!_%' ESCAPE '!'",
    "postgresql": "SELECT indexname, indexdef FROM pg_indexes"
    " WHERE schemaname = current_schema() AND indexname LIKE 'ix!_%' ESCAPE '!'",
}


class Bulk:
    """Rows on their way into the tables of one database, numbered by us."""

    def __init__(self, connection: Connection, columns: dict[type[SQLModel], tuple[str, ...]]) -> None:
        """Take the columns whose values each row brings, by table; all others get their defaults."""
        self.connection = connection
        self.rows: Counter[str] = Counter()
        self._turns: dict[str, Callable[[Any], object]] = {}
        self._numbers: Counter[type[SQLModel]] = Counter()
        self._waiting: dict[type[SQLModel], list[tuple[object, ...]]] = {model: [] for model in columns}
        self._columns = {model: (*given, *_others(model, given)) for model, given in columns.items()}
        self._defaults = {model: tuple(_others(model, given).values()) for model, given in columns.items()}
        for model in columns:
            number = SQLModel.metadata.tables[str(model.__tablename__)].c.get("id")
            if number is not None:
                self._numbers[model] = connection.execute(select(func.max(number))).scalar() or 0

    def number(self, model: type[SQLModel]) -> int:
        """Give the next number of a table."""
        self._numbers[model] += 1
        return self._numbers[model]

    def add(self, model: type[SQLModel], *values: object) -> None:
        """Take a row, its values in the order of the table's columns."""
        waiting = self._waiting[model]
        waiting.append(values + self._defaults[model])
        if len(waiting) >= FLUSH_AT:
            self._flush(model)

    def flush(self) -> None:
        """Write every row that waits, and set the counters by which PostgreSQL numbers rows to come."""
        for model in self._waiting:
            self._flush(model)
        if self.connection.dialect.name == "postgresql":
            for model, last in self._numbers.items():
                reset = text("SELECT setval(pg_get_serial_sequence(:name, 'id'), :last)")
                if last:
                    self.connection.execute(reset, {"name": f'"{model.__tablename__}"', "last": last})

    def _flush(self, model: type[SQLModel]) -> None:
        rows, self._waiting[model] = self._waiting[model], []
        if not rows:
            return
        self.rows[str(model.__tablename__)] += len(rows)
        if self.connection.dialect.name == "postgresql":
            self._copy(model, rows)
        else:
            self._many(model, rows)

    def _many(self, model: type[SQLModel], rows: Sequence[tuple[object, ...]]) -> None:
        """Write rows past the statement's dictionaries, each value turned by its column's own type."""
        columns = SQLModel.metadata.tables[str(model.__tablename__)].c
        names, dialect = self._columns[model], self.connection.dialect
        kinds = [(at, columns[name].type) for at, name in enumerate(names)]
        turned = [(at, self._turn(kind, dialect)) for at, kind in kinds if isinstance(kind, Moment | Date)]
        listed, marks = ", ".join(f'"{name}"' for name in names), ", ".join("?" for _ in names)
        statement = f'INSERT INTO "{model.__tablename__}" ({listed}) VALUES ({marks})'  # noqa: S608 - names are ours
        self.connection.exec_driver_sql(statement, [_turned(row, turned) for row in rows])

    def _turn(self, kind: TypeEngine[Any], dialect: Dialect) -> Callable[[Any], object]:
        """Give what turns a value of a type into the database's own; most moments and days come many times over."""
        name = type(kind).__name__
        if name not in self._turns:
            turn = kind.dialect_impl(dialect).bind_processor(dialect)
            self._turns[name] = lru_cache(REMEMBERED)(turn) if turn else lambda value: value
        return self._turns[name]

    def _copy(self, model: type[SQLModel], rows: Sequence[tuple[object, ...]]) -> None:
        names = ", ".join(f'"{name}"' for name in self._columns[model])
        driver: Any = self.connection.connection.driver_connection
        with driver.cursor() as cursor, cursor.copy(f'COPY "{model.__tablename__}" ({names}) FROM STDIN') as copy:
            for row in rows:
                copy.write_row(row)


def _others(model: type[SQLModel], given: tuple[str, ...]) -> dict[str, object]:
    """Give the default of each column that rows do not bring."""
    unknown = set(given) - set(model.model_fields)
    if unknown:
        raise LookupError(f"{model.__tablename__} has no {', '.join(sorted(unknown))}")
    left_out = {name: field for name, field in model.model_fields.items() if name not in given and name != "id"}
    return {name: field.default for name, field in left_out.items()}


def _turned(row: tuple[object, ...], turned: Sequence[tuple[int, Callable[[Any], object]]]) -> tuple[object, ...]:
    values = list(row)
    for at, turn in turned:
        values[at] = turn(values[at])
    return tuple(values)


@contextmanager
def loading(store: Store) -> Iterator[Connection]:
    """Open a connection for one great load: no foreign keys, guards or indexes until the end, when all are back."""
    engine = store.engine
    own = create_engine(engine.url) if engine.dialect.name == "sqlite" else engine
    with own.connect() as connection:
        for statement in _hasty(engine.dialect.name):
            connection.exec_driver_sql(statement)
        indexes = list(connection.execute(text(_INDEXES[engine.dialect.name])))
        for name, _ in indexes:
            connection.exec_driver_sql(f'DROP INDEX "{name}"')
        with ExitStack() as stack:
            for table in guards.APPEND_ONLY:
                stack.enter_context(lifted(connection, table))
            yield connection
        for _, statement in indexes:
            connection.exec_driver_sql(statement)
        connection.commit()
    if own is not engine:
        own.dispose()


def _hasty(dialect: str) -> tuple[str, ...]:
    if dialect == "sqlite":
        return ("PRAGMA journal_mode=MEMORY", "PRAGMA synchronous=OFF", "PRAGMA cache_size=-200000")
    return ("SET LOCAL session_replication_role = replica", "SET LOCAL maintenance_work_mem = '256MB'")
