"""An instance: the folder that holds one workshop's database, secret and backups; one setting names another database.

The command line calls it. It must not know the web.
"""

import errno
import os
import secrets
from contextlib import closing
from dataclasses import dataclass, replace
from datetime import datetime
from pathlib import Path

from spoolkeep.domain.errors import BadInput, Conflict, WrongDatabase
from spoolkeep.services.benchwords import FILE as WORDS
from spoolkeep.store.engine import Store, open_store
from spoolkeep.store.holding import Hold, hold
from spoolkeep.store.upgrade import newest, require_current, revision_of, upgrade

SETTING = "SPOOLKEEP_DATABASE"
FILE = "spoolkeep.sqlite"
IN_USE = "in-use"
"""The file that whoever has the instance open holds. What it says does not matter, and it may stay."""
_NO_HOLD = {errno.ENOLCK, errno.ENOTSUP, errno.EOPNOTSUPP, errno.ENOSYS, errno.EROFS}
"""A file system that knows no locks, or on which nobody can put another database either."""


@dataclass(frozen=True)
class Instance:
    """One workshop's folder."""

    folder: Path

    @property
    def database(self) -> str:
        """Give the database's address: the setting's, else a SQLite file in the folder."""
        return os.environ.get(SETTING) or f"sqlite:///{(self.folder / FILE).resolve()}"

    @property
    def log(self) -> Path:
        """Give the folder of the log."""
        return self.folder / "log"

    @property
    def words(self) -> Path:
        """Give the file of the workshop's own words for the Bench."""
        return self.folder / WORDS

    def open(self) -> Store:
        """Give the store, which must have the right shape. Errors: WrongDatabase, naming the mending command."""
        if not os.environ.get(SETTING) and not (self.folder / FILE).exists():
            words = (
                f"There is no workshop in {self.folder} yet. Run 'spoolkeep upgrade' to make one, or name its folder."
            )
            raise WrongDatabase("no_database", words)
        return _current(self._store())

    def open_or_make(self, *, now: datetime) -> Store:
        """Give the store, made where there is none yet. Errors: WrongDatabase where it is older or newer."""
        store = self._store()
        if revision_of(store) is None:
            upgrade(store, now=now)
        return _current(store)

    def upgrade(self, *, now: datetime) -> Path | None:
        """Bring the database forward; give the path of the copy made before.

        Errors: WrongDatabase; Conflict where the file is older and somebody has it open.
        """
        with closing(self._store()) as store:
            if revision_of(store) in {None, newest()}:
                return upgrade(store, now=now)
        with closing(self._store(alone=True)) as store:
            return upgrade(store, now=now)

    def secret(self) -> bytes:
        """Give the secret that signs cookies, made on first use and readable by its owner alone."""
        path = self.folder / "secret"
        if not path.exists():
            self.folder.mkdir(parents=True, exist_ok=True)
            handle = os.open(path, os.O_WRONLY | os.O_CREAT | os.O_EXCL, 0o600)
            with os.fdopen(handle, "wb") as file:
                file.write(secrets.token_bytes(32))
        return path.read_bytes()

    def _store(self, *, alone: bool = False) -> Store:
        if self.folder.exists() and not self.folder.is_dir():
            raise BadInput("no_folder", f"{self.folder} is a file. Name a folder for the instance.")
        store = open_store(self.database)
        if store.file is None:
            return store
        return replace(store, held=_held(store.file.parent, alone=alone))


def _held(folder: Path, *, alone: bool) -> Hold | None:
    """Give the instance's hold; None where there is none to be had, and whoever restores there is refused instead.

    Errors: Conflict where another database is just put in its place, where it is to be held alone and somebody has
    it open, or where this user may not hold it.
    """
    try:
        held = hold(folder / IN_USE, alone=alone)
    except OSError as fault:
        if fault.errno in _NO_HOLD:
            return None
        words = (
            f"{folder / IN_USE} cannot be opened: {fault.strerror}. "
            "Whoever opens the workshop must be able to write its folder: let that user own it."
        )
        raise Conflict("cannot_hold", words) from None
    if held is None and alone:
        raise in_use(folder, "upgrade")
    if held is None:
        words = f"Another database is just put in its place in {folder}. Wait a moment, then try again."
        raise Conflict("being_restored", words)
    return held


def in_use(folder: Path, wanted: str) -> Conflict:
    """Give the refusal of what needs a workshop that nobody has open."""
    words = f"A server or another command has the workshop in {folder} open. Stop it, then {wanted}."
    return Conflict("in_use", f"{words} Nothing was changed.")


def _current(store: Store) -> Store:
    try:
        require_current(store)
    except WrongDatabase:
        store.close()
        raise
    return store
