"""Putting a copy in the place of a workshop's database, after a copy of what is there.

The command line calls it. Nobody else may have the workshop open meanwhile, and nothing is lost by it.
"""

import os
import shutil
import sqlite3
import sys
from contextlib import ExitStack, closing, suppress
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path

from spoolkeep.domain.errors import Conflict, WrongDatabase
from spoolkeep.services.instance import IN_USE, Instance, in_use
from spoolkeep.store.copying import (
    STAMP,
    Proof,
    copy_pages,
    folder_of,
    on_disk,
    part_beside,
    proved,
    put_in_place,
    remove_beside,
)
from spoolkeep.store.engine import open_store
from spoolkeep.store.holding import Hold, hold
from spoolkeep.store.revisions import address_of

BEFORE = "before-restore-"
DAMAGED = "damaged-"
OWN_SECONDS = 2.0
MAGIC = b"SQLite format 3\x00"
"""Source: SQLite, "Database File Format", 1.3.1."""


@dataclass(frozen=True)
class Restored:
    """What was put in place, and where what was there before lies now."""

    database: Path
    proof: Proof
    before: Path | None
    """None where there was nothing."""
    before_is_sound: bool
    paused: int
    """To how many addressees of notices nothing goes until somebody lets them go on."""


def restore(instance: Instance, copy: Path, *, now: datetime, although_it_differs: bool = False) -> Restored:
    """Put a copy in the place of an instance's database, whole or not at all; the secret and other files stay.

    Errors: Conflict where somebody has the instance open, or the books of the copy differ and that is not meant, or
    the database is PostgreSQL's; WrongDatabase where the copy is not sound, not ours, or a newer program's.
    """
    database = _database(instance)
    if not copy.is_file():
        raise WrongDatabase("no_copy", f"{copy} is not there. Name a copy that 'spoolkeep backup' made.")
    held = _alone(database.parent)
    try:
        with part_beside(database.with_name(f"{database.name}.new")) as part, ExitStack() as until_replaced:
            copy_pages(copy, part)
            proof = _fit(part, copy, although_it_differs=although_it_differs)
            paused = _pause_notices(part)
            before, sound = _kept_before(database, now, until_replaced) if database.exists() else (None, True)
            _as_it_was_owned(part, database)
            if sys.platform == "win32":
                until_replaced.close()  # there an open file is not replaced, and nobody else's may be open either
            remove_beside(database)
            put_in_place(part, database)
    finally:
        held.let_go()
    return Restored(database, proof, before, sound, paused)


def _database(instance: Instance) -> Path:
    with closing(open_store(instance.database)) as store:
        if store.file is None:
            words = (
                "PostgreSQL is put back by its own programs, into a new, empty database:\n"
                "  createdb NEW\n"
                "  pg_restore --no-owner --exit-on-error --single-transaction --dbname=NEW spoolkeep.dump\n"
                f"where NEW is an address like {address_of(store)} with another name at its end.\n"
                "Then name it in SPOOLKEEP_DATABASE, and run 'spoolkeep upgrade' and 'spoolkeep check'."
            )
            raise Conflict("not_a_file", words)
        return store.file


def _alone(folder: Path) -> Hold:
    try:
        held = hold(folder / IN_USE, alone=True)
    except OSError as fault:
        raise Conflict("cannot_hold", f"{folder} cannot be held: {fault.strerror}. Nothing was changed.") from None
    if held is None:
        raise in_use(folder, "restore")
    return held


def _fit(part: Path, copy: Path, *, although_it_differs: bool) -> Proof:
    try:
        proof = proved(part)
    except WrongDatabase as refusal:
        words = refusal.words.replace(str(part), str(copy))
        raise WrongDatabase(refusal.code, f"{words} Nothing was changed.") from None
    if proof.difference and not although_it_differs:
        words = f"The books of {copy} differ: {proof.difference} Nothing was changed. Name another one, or --differing."
        raise Conflict("copy_differs", words)
    return proof


def _pause_notices(part: Path) -> int:
    """Let nothing go out from a copy by itself: what waited in it was sent since, and it may be put back for a trial.

    It is asked in SQL, because a copy of an older program may know no notices. Gives how many addressees are paused.
    """
    with closing(sqlite3.connect(part)) as copy, copy:
        if not copy.execute("SELECT 1 FROM sqlite_master WHERE name = 'addressee'").fetchone():
            return 0
        waits = "FROM notice WHERE next_try_at IS NOT NULL"
        copy.execute(f"DELETE FROM notice_matter WHERE notice_id IN (SELECT id {waits})")  # noqa: S608 - our own words
        copy.execute(f"DELETE {waits}")
        copy.execute("UPDATE addressee SET paused = 1 WHERE removed_at IS NULL")
        return int(copy.execute("SELECT count(*) FROM addressee WHERE removed_at IS NULL").fetchone()[0])


def _kept_before(database: Path, now: datetime, until_replaced: ExitStack) -> tuple[Path, bool]:
    """Give the copy of what is there, and whether it is sound; what cannot be read is kept as it lies, file by file.

    Afterwards nothing of it waits in a journal or a log that could be taken for the new database's, and nobody writes
    it any more until it is replaced.
    """
    folder = folder_of(database)
    folder.mkdir(parents=True, exist_ok=True)
    target = _free(folder / f"{BEFORE}{now:{STAMP}}.sqlite")
    try:
        _settle(database, until_replaced)
        with part_beside(target) as part:
            copy_pages(database, part)
            _refuse_unsound(part)
            put_in_place(part, target)
    except WrongDatabase:
        return _as_it_lies(database, target.with_name(DAMAGED + target.name)), False
    return target, True


def _refuse_unsound(part: Path) -> None:
    """Refuse what is no sound database. One of a newer program, or of another, is kept like one of ours."""
    try:
        proved(part)
    except WrongDatabase as found:
        if found.code not in {"database_is_newer", "not_ours"}:
            raise


def _free(target: Path) -> Path:
    """Give a name that nothing has: two restores in one second keep two copies."""
    number, wanted = 1, target
    while target.exists() or target.with_name(DAMAGED + target.name).exists():
        number += 1
        target = wanted.with_stem(f"{wanted.stem}-{number}")
    return target


def _settle(database: Path, until_replaced: ExitStack) -> None:
    """Have SQLite finish what a journal or log still holds, and find whether any program is in the midst of something.

    From then on others read, but nobody writes.

    Errors: Conflict where one is; WrongDatabase where the file cannot be read.
    Source: SQLite, "PRAGMA journal_mode": a log is left only by whoever is alone.
    """
    with database.open("rb") as file:
        if file.read(len(MAGIC)) != MAGIC:
            raise WrongDatabase("unsound", "it does not begin as a database does")  # opening it could remove its log
    try:
        alone = sqlite3.connect(database, timeout=OWN_SECONDS, isolation_level=None)
        until_replaced.callback(alone.close)
        alone.execute("PRAGMA journal_mode=DELETE")
        alone.execute("BEGIN EXCLUSIVE")
        alone.execute("ROLLBACK")
        alone.execute("BEGIN IMMEDIATE")
    except sqlite3.OperationalError as fault:
        if "locked" in str(fault):
            raise in_use(database.parent, "restore") from None
        raise WrongDatabase("unsound", str(fault)) from None
    except sqlite3.DatabaseError as fault:
        raise WrongDatabase("unsound", str(fault)) from None


def _as_it_lies(database: Path, target: Path) -> Path:
    for suffix in ("-journal", "-wal", ""):
        lying = Path(f"{database}{suffix}")
        if lying.exists():
            there = Path(f"{target}{suffix}")
            shutil.copyfile(lying, there)
            on_disk(there)
    on_disk(target.parent)
    return target


def _as_it_was_owned(part: Path, database: Path) -> None:
    """Let the new file be read by whoever could read the old one: a server may run as another user."""
    if database.exists():
        shutil.copymode(database, part)
        if hasattr(os, "chown"):  # Windows has none
            with suppress(OSError):
                os.chown(part, database.stat().st_uid, database.stat().st_gid)
    else:
        part.chmod(0o666 & ~_mask())


def _mask() -> int:
    mask = os.umask(0)
    os.umask(mask)
    return mask
