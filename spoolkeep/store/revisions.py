"""Which revision a database has, which one this program needs, and the words where the two do not fit.

`store.upgrade` and `store.copying` call it. It changes nothing and knows no use case.
"""

from functools import cache
from pathlib import Path

from alembic.config import Config
from alembic.runtime.migration import MigrationContext
from alembic.script import ScriptDirectory
from sqlalchemy.engine import Connection
from sqlalchemy.exc import DBAPIError

from spoolkeep.domain.errors import WrongDatabase
from spoolkeep.store.engine import Store

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


def address_of(store: Store) -> str:
    """Give a database's address without any password: PostgreSQL's as its own programs take it."""
    url = store.engine.url
    plain = url._replace(drivername=url.get_backend_name(), password=None)
    return plain.difference_update_query(["password", "sslpassword"]).render_as_string()


def revision_in(connection: Connection) -> str | None:
    """Give the revision that a connection sees; None where the database is empty."""
    return MigrationContext.configure(connection).get_current_revision()


def revision_of(store: Store) -> str | None:
    """Give the revision of a database; None where it is empty. Errors: WrongDatabase where it cannot be opened."""
    try:
        with store.reader.connect() as connection:
            return revision_in(connection)
    except DBAPIError as error:
        raise WrongDatabase(
            "cannot_open", f"The database at {address_of(store)} cannot be opened: {error.orig}."
        ) from error


def require_current(store: Store) -> None:
    """Refuse a database of another shape, naming the command that mends it. Errors: WrongDatabase."""
    found = revision_of(store)
    refuse_newer(found)
    if found is None:
        raise WrongDatabase("no_database", "There is no database here yet. Run 'spoolkeep upgrade' to make one.")
    if found != newest():
        raise WrongDatabase(
            "database_is_older",
            f"The database is at revision {found}, this program needs {newest()}. Run 'spoolkeep upgrade'.",
        )


def refuse_newer(found: str | None) -> None:
    """Refuse a revision that this program does not know. Errors: WrongDatabase."""
    known = {script.revision for script in ScriptDirectory.from_config(alembic_config()).walk_revisions()}
    if found is not None and found not in known:
        raise WrongDatabase(
            "database_is_newer",
            f"The database is at revision {found}, which this program does not know: a newer one made it. "
            "Install that version (pip install --upgrade), or open a copy from before its upgrade.",
        )
