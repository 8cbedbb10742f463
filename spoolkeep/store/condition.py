"""How a database is, for whoever helps: its settings, sizes, tables and guards, and nothing of what is in the rows.

The diagnosis calls it, also on a database that is broken or of another revision: each question stands alone.
"""

import sqlite3
from collections.abc import Callable, Mapping
from pathlib import Path

from sqlalchemy import create_engine, inspect, text
from sqlalchemy.engine import Connection
from sqlalchemy.pool import NullPool

from spoolkeep.store import guards
from spoolkeep.store.engine import Store, open_store

READ_WAIT_S = 3.0
# of a file itself; what each connection sets for itself is `store.engine`'s
PRAGMAS = (
    "journal_mode",
    "auto_vacuum",
    "page_size",
    "page_count",
    "freelist_count",
    "encoding",
    "application_id",
    "user_version",
)
SHOWN = (
    "server_version",
    "max_connections",
    "superuser_reserved_connections",
    "default_transaction_read_only",
    "default_transaction_isolation",
    "synchronous_commit",
    "fsync",
    "full_page_writes",
    "ssl",
    "TimeZone",
    "server_encoding",
    "tcp_keepalives_idle",
    "idle_in_transaction_session_timeout",
)
SETTINGS = (
    "locale",
    "zone",
    "day_starts_hour",
    "opens_hour",
    "closes_hour",
    "review_days",
    "cover_days",
    "safety_days",
    "lead_days",
    "risk_ppm",
    "busy_months",
    "cost_flow",
    "mail_port",
    "mail_safety",
)
"""Of the workshop's settings those that are neither a name, nor an address, nor money."""


def open_to_read(url: str, file: Path | None) -> Store:
    """Give a store that changes nothing: of a SQLite file opened for reading, made nowhere; of PostgreSQL as ever."""
    if file is None:
        return open_store(url)
    address = f"{file.resolve().as_uri()}?mode=ro"

    def opened() -> sqlite3.Connection:
        return sqlite3.connect(address, uri=True, timeout=READ_WAIT_S, check_same_thread=False)

    return Store(create_engine("sqlite://", creator=opened, poolclass=NullPool, hide_parameters=True))


def questions(store: Store) -> dict[str, Callable[[], object]]:
    """Give what may be asked of a database, each by its name; any of them may raise what the database raises."""
    is_sqlite = store.engine.dialect.name == "sqlite"
    of_its_kind = {"pragmas": _pragmas} if is_sqlite else {"settings_of_the_server": _shown, "size_bytes": _size}
    asked: Mapping[str, Callable[[Connection], object]] = {
        "revision": _revision,
        "guards": _guards,
        "rows_by_table": _rows,
        "settings": _settings,
        **of_its_kind,
    }

    def bound(ask: Callable[[Connection], object]) -> Callable[[], object]:
        def do() -> object:
            with store.engine.connect() as connection:
                return ask(connection)

        return do

    return {name: bound(ask) for name, ask in asked.items()}


def _revision(connection: Connection) -> object:
    return connection.execute(text("SELECT version_num FROM alembic_version")).scalar()


def _guards(connection: Connection) -> object:
    there, wanted = set(guards.installed(connection)), set(guards.expected(connection.dialect.name))
    return {"sound": len(there), "expected": len(wanted), "missing_or_changed": sorted(wanted - there)}


def _rows(connection: Connection) -> object:
    """Give how many rows each table has; None where it cannot be read."""
    found: dict[str, int | None] = {}
    quote = connection.dialect.identifier_preparer.quote
    for name in sorted(inspect(connection).get_table_names()):
        try:
            with connection.begin_nested():
                found[name] = int(connection.execute(text(f"SELECT count(*) FROM {quote(name)}")).scalar_one())  # noqa: S608 - a table's own name
        except Exception:  # noqa: BLE001 - one table that is broken hides no other
            found[name] = None
    return found


def _settings(connection: Connection) -> object:
    row = connection.execute(text("SELECT * FROM workshop")).mappings().one()
    return {name: row[name] for name in SETTINGS if name in row}


def _pragmas(connection: Connection) -> object:
    found = {name: connection.exec_driver_sql(f"PRAGMA {name}").scalar() for name in PRAGMAS}
    return {**found, "quick_check": connection.exec_driver_sql("PRAGMA quick_check(1)").scalar() == "ok"}


def _shown(connection: Connection) -> object:
    query = text("SELECT name, setting FROM pg_settings WHERE name = ANY(:names) ORDER BY name")
    shown = {row.name: row.setting for row in connection.execute(query, {"names": list(SHOWN)})}
    return {**shown, "time": connection.execute(text("SELECT clock_timestamp()")).scalar_one()}


def _size(connection: Connection) -> object:
    return int(connection.execute(text("SELECT pg_database_size(current_database())")).scalar_one())
