"""Bringing a database to the shape that this program needs, and refusing one that has another.

The command line and the app factory call it. It knows no use case.
"""

from datetime import datetime
from pathlib import Path

from alembic import command
from sqlalchemy import text
from sqlalchemy.engine import Connection
from sqlalchemy.orm import Session

from spoolkeep.store import guards
from spoolkeep.store.copying import STAMP, copy_in_use, folder_of
from spoolkeep.store.engine import WRITER_LOCK, Store
from spoolkeep.store.revisions import (
    alembic_config,
    newest,
    refuse_newer,
    require_current,
    revision_in,
    revision_of,
)
from spoolkeep.store.seeds import sow

__all__ = ["alembic_config", "guards_of", "newest", "require_current", "revision_of", "upgrade"]


def upgrade(store: Store, *, now: datetime) -> Path | None:
    """Bring the database forward, copied first where it is a file with something in it; give the copy's path.

    Errors: WrongDatabase where it is newer than this program, or a step fails; then nothing has changed.
    """
    before = revision_of(store)
    refuse_newer(before)
    copied = _copy(store, before, now) if before not in {None, newest()} else None
    with store.engine.begin() as connection:
        _wait_for_others(connection)
        refuse_newer(revision_in(connection))
        command.upgrade(alembic_config(connection), "head")
        with Session(connection) as session:
            sow(session, now=now)
            session.commit()
    return copied


def _wait_for_others(connection: Connection) -> None:
    """Let whoever else writes or upgrades end first; SQLite's transaction has waited when it begins."""
    if connection.dialect.name == "postgresql":
        connection.execute(text("SELECT pg_advisory_xact_lock(:number)"), {"number": WRITER_LOCK})


def guards_of(store: Store) -> list[str]:
    """Give the names of the append-only guards that the database has."""
    with store.reader.connect() as connection:
        return guards.installed(connection)


def _copy(store: Store, before: str | None, now: datetime) -> Path | None:
    if store.file is None:
        return None
    target = folder_of(store.file) / f"before-upgrade-{before}-{now:{STAMP}}.sqlite"
    copied, _ = copy_in_use(store.file, target)
    return copied
