"""Bringing a database to the shape that this program needs, and refusing one that has another.

The command line and the app factory call it. It knows no use case.
"""

import sqlite3
from contextlib import closing
from datetime import datetime
from functools import cache
from pathlib import Path

from alembic import command
from alembic.config import Config
from alembic.runtime.migration import MigrationContext
from alembic.script import ScriptDirectory
from sqlalchemy.engine import Connection
from sqlalchemy.exc import DBAPIError
from sqlalchemy.orm import Session

from spoolkeep.domain.errors import WrongDatabase
from spoolkeep.store import guards
from spoolkeep.store.engine import Store
from spoolkeep.store.seeds import sow

_SCRIPTS = str(Path(__file__).parent / "migrations")


def alembic_config(connection: Connection | None = None) -> Config:
    """Give Alembic's settings, in code: there is no ini file."""
    config = Config()
    config.set_main_option("script_location", _SCRIPTS.replace("%", "%%"))
    config.attributes["connection"] = connection
    return config


@cache
def newest() -> str:
    """Give the revision that this program needs."""
    return str(ScriptDirectory.from_config(alembic_config()).get_current_head())


def revision_of(store: Store) -> str | None:
    """Give the revision of a database; None where it is empty. Errors: WrongDatabase where it cannot be opened."""
    try:
        with store.reader.connect() as connection:
            return MigrationContext.configure(connection).get_current_revision()
    except DBAPIError as error:
        raise WrongDatabase(
            "cannot_open", f"The database at {store.engine.url.render_as_string()} cannot be opened: {error.orig}."
        ) from error


def upgrade(store: Store, *, now: datetime) -> Path | None:
    """Bring the database forward, copied first where it is a file with something in it; give the copy's path.

    Errors: WrongDatabase where it is newer than this program, or a step fails; then nothing has changed.
    """
    before = revision_of(store)
    _refuse_newer(before)
    copied = _copy(store, before, now) if before not in {None, newest()} else None
    with store.engine.begin() as connection:
        command.upgrade(alembic_config(connection), "head")
        with Session(connection) as session:
            sow(session, now=now)
            session.commit()
    return copied


def require_current(store: Store) -> None:
    """Refuse a database of another shape, naming the command that mends it. Errors: WrongDatabase."""
    found = revision_of(store)
    _refuse_newer(found)
    if found is None:
        raise WrongDatabase("no_database", "There is no database here yet. Run 'spoolkeep upgrade' to make one.")
    if found != newest():
        raise WrongDatabase(
            "database_is_older",
            f"The database is at revision {found}, this program needs {newest()}. Run 'spoolkeep upgrade'.",
        )


def guards_of(store: Store) -> list[str]:
    """Give the names of the append-only guards that the database has."""
    with store.reader.connect() as connection:
        return guards.installed(connection)


def _refuse_newer(found: str | None) -> None:
    known = {script.revision for script in ScriptDirectory.from_config(alembic_config()).walk_revisions()}
    if found is not None and found not in known:
        raise WrongDatabase(
            "database_is_newer",
            f"The database is at revision {found}, which this program does not know: a newer one made it. "
            "Install that version (pip install --upgrade), or open a copy from before its upgrade.",
        )


def _copy(store: Store, before: str | None, now: datetime) -> Path | None:
    database = store.engine.url.database
    if store.engine.dialect.name != "sqlite" or not database or database == ":memory:":
        return None
    target = Path(database).parent / "backups" / f"before-upgrade-{before}-{now:%Y%m%d-%H%M%S}.sqlite"
    target.parent.mkdir(parents=True, exist_ok=True)
    with closing(sqlite3.connect(database)) as source, closing(sqlite3.connect(target)) as copy:
        source.backup(copy)
    return target
