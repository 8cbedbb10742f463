"""Copies of a SQLite database that is in use: taken through SQLite, proved as databases of their own, then named.

The services that keep copies call it, and `store.upgrade` before it changes anything. Nothing here knows PostgreSQL.
"""

import multiprocessing
import os
import secrets
import shutil
import sqlite3
import sys
import time
from collections.abc import Callable, Iterator
from contextlib import closing, contextmanager
from dataclasses import dataclass
from multiprocessing.connection import Connection
from pathlib import Path

from sqlalchemy.exc import DBAPIError

from spoolkeep.domain.errors import Conflict, WrongDatabase
from spoolkeep.store.engine import Store, open_still
from spoolkeep.store.proof import differences
from spoolkeep.store.revisions import newest, refuse_newer, revision_of

STEP_PAGES = 2048
"""As many pages at a time: 8 MiB, a few thousandths of a second in which a writer waits."""
BEGUN_AGAIN = 30
"""After so many changes by others in mid-copy, it is copied in one go, and writers wait that long."""
LONGEST_WAIT_SECONDS = 6.0
"""Writers are refused after ten (`engine.BUSY_SECONDS`); a copy that takes longer is given up."""
IN_MEMORY_BYTES = 256 << 20
"""So much fits any machine; more goes through memory where half of what is free holds it. Source: our own choice."""
BUSY_SECONDS = 60.0
PAUSE_SECONDS = 0.002
SPARE_BYTES = 16 << 20
"""Room that a copy leaves on the disk beyond a tenth of itself, for the database in use may lie there too."""
PART = ".part"
FOLDER = "backups"
"""Beside the database, where its copies lie."""
STAMP = "%Y%m%d-%H%M%S"
"""The moment in a copy's name, in UTC."""
DIFFERS = "differs-"
"""Begins the name of a copy whose books differ."""


@dataclass(frozen=True)
class Proof:
    """What a copy was found to be, opened as a database of its own."""

    revision: str
    difference: str | None
    """The first place where its books differ from the ledger; None where they do not, or where it is older."""
    older: bool
    """Whether it is of an older program, whose books cannot be held against the ledger before an upgrade."""


class _Changed(Exception):  # noqa: N818 - no error, but news
    """Others changed the database too often in mid-copy."""


def copy_in_use(source: Path, target: Path, *, apart: bool = False) -> tuple[Path, Proof]:
    """Give where a proved copy of a database in use lies, and what it was found to be.

    A copy that is no sound database is removed. One whose books differ is kept as `differs-…`: it is better than none.

    `apart` proves it in a process of its own: a server's pages wait for none of it.
    Nothing is written over, and what stands under a name is whole and on the disk.
    Errors: Conflict where the target is there already, the disk is too full or the database is held too long;
    WrongDatabase where the copy is not sound.
    """
    with part_beside(target) as part:
        copy_pages(source, part)
        proof = proved_apart(part) if apart else proved(part)
        named = target if proof.difference is None else target.with_name(DIFFERS + target.name)
        _refuse_taken(named)
        put_in_place(part, named)
    return named, proof


@contextmanager
def part_beside(target: Path) -> Iterator[Path]:
    """Give the name under which a file is made before it gets its own; whatever is left of it goes at the end.

    Errors: Conflict where the target is there already or its folder cannot be written.
    """
    _refuse_taken(target)
    part = target.with_name(f".{target.name}.{secrets.token_hex(4)}{PART}")
    try:
        target.parent.mkdir(parents=True, exist_ok=True)
        os.close(os.open(part, os.O_WRONLY | os.O_CREAT | os.O_EXCL, 0o600))
        yield part
    except OSError as fault:
        raise Conflict(
            "no_copy", f"{target} cannot be written: {fault.strerror or fault}. Name another place."
        ) from None
    finally:
        remove(part)


def _refuse_taken(target: Path) -> None:
    if target.exists():
        raise Conflict("copy_exists", f"{target} is there already, and no copy is written over. Name another place.")


def folder_of(file: Path) -> Path:
    """Give the folder in which the copies of a database file lie."""
    return file.parent / FOLDER


def remove(database: Path) -> None:
    """Remove a database file with what SQLite keeps beside it; what is not there is no fault."""
    remove_beside(database)
    database.unlink(missing_ok=True)


def remove_beside(database: Path) -> None:
    """Remove what SQLite keeps beside a file, which would be taken for that of another file of the same name.

    Source: SQLite, "How To Corrupt An SQLite Database File", sections 1.3 and 1.4.
    """
    for suffix in ("-journal", "-wal", "-shm"):
        Path(f"{database}{suffix}").unlink(missing_ok=True)


def put_in_place(part: Path, target: Path) -> None:
    """Give a finished file its name, on the disk before and after. Errors: OSError."""
    on_disk(part)
    part.replace(target)
    on_disk(target.parent)


def on_disk(path: Path) -> None:
    """Have the system write a file, or a folder's names, to the disk. Source: fsync(2)."""
    if path.is_dir() and sys.platform == "win32":
        return  # there a folder cannot be opened, and its names need no asking
    handle = os.open(path, os.O_RDONLY if path.is_dir() else os.O_RDWR)
    try:
        os.fsync(handle)
    finally:
        os.close(handle)


def copy_pages(source: Path, part: Path) -> None:
    """Copy a database page by page through SQLite, so that the copy is of one moment, whoever writes meanwhile.

    With a write-ahead log nobody waits. With a rollback journal a write by another connection begins the copy again:
    after some of those it is taken in one go, during which writers wait, and given up before they would be refused.
    Errors: Conflict where the disk is too full, or the database is held or too busy; WrongDatabase where it cannot be
    read. Source: SQLite, "Using the SQLite Online Backup API" and "sqlite3_backup_step".
    """
    address = f"{source.resolve().as_uri()}?mode=rw"
    try:
        with closing(sqlite3.connect(address, uri=True, timeout=BUSY_SECONDS / 4, isolation_level=None)) as live:
            size = _refuse_full_disk(live, part.parent)
            _copy(live, part, size)
        with closing(sqlite3.connect(part)) as copy:
            copy.execute("PRAGMA journal_mode=DELETE")  # one file, whatever the database in use keeps beside it
    except sqlite3.Error as fault:
        if "locked" in str(fault):
            raise _held() from None
        if "disk is full" in str(fault):
            raise Conflict("disk_full", f"The disk of {part.parent} is full. Nothing was removed. Make room.") from None
        raise WrongDatabase("cannot_copy", f"{source} cannot be copied: {fault}.") from None


def _copy(live: sqlite3.Connection, part: Path, size: int) -> None:
    if live.execute("PRAGMA journal_mode").fetchone()[0] == "wal":
        with _plain(part) as copy:
            live.backup(copy, pages=-1, progress=_Watch(None), sleep=PAUSE_SECONDS)
        return
    live.execute("PRAGMA busy_timeout=0")  # SQLite's own waits grow to a tenth of a second, in which others write again
    try:
        with _plain(part) as copy:
            live.backup(copy, pages=STEP_PAGES, progress=_Watch(BEGUN_AGAIN), sleep=PAUSE_SECONDS)
    except _Changed:
        os.truncate(part, 0)  # what broke off is no database to copy into
        _in_one_go(live, part, size)


def _in_one_go(live: sqlite3.Connection, part: Path, size: int) -> None:
    """Copy while writers wait: where it is small into memory, which is soonest done, and from there to the disk."""
    small = size <= max(IN_MEMORY_BYTES, _free_memory() // 2)
    with closing(sqlite3.connect(":memory:")) as room, _plain(part) as copy:
        live.execute(f"PRAGMA mmap_size={size}")
        with _read_locked(live):
            live.backup(room if small else copy, pages=STEP_PAGES, progress=_not_too_long())
        if small:
            room.backup(copy)


def _free_memory() -> int:
    """Give the bytes of memory that nothing uses; 0 where the system does not tell. Source: sysconf(3)."""
    names = getattr(os, "sysconf_names", {})
    return os.sysconf("SC_AVPHYS_PAGES") * os.sysconf("SC_PAGE_SIZE") if "SC_AVPHYS_PAGES" in names else 0


@contextmanager
def _plain(part: Path) -> Iterator[sqlite3.Connection]:
    """Open a part with no care for power cuts: one that breaks off is thrown away whole, and a whole one is synced."""
    with closing(sqlite3.connect(part)) as copy:
        for pragma in ("journal_mode=OFF", "synchronous=OFF"):
            copy.execute(f"PRAGMA {pragma}")
        yield copy


@contextmanager
def _read_locked(live: sqlite3.Connection) -> Iterator[None]:
    """Let nobody write until the block ends. Errors: Conflict where somebody else holds the database too long."""
    watch = _Watch(None)
    live.execute("BEGIN")
    try:
        while True:
            try:
                live.execute("SELECT count(*) FROM sqlite_master").fetchone()
                break
            except sqlite3.OperationalError as fault:
                if fault.sqlite_errorcode & 0xFF != sqlite3.SQLITE_BUSY:
                    raise
                watch(sqlite3.SQLITE_BUSY, 0, 0)
                time.sleep(PAUSE_SECONDS)
        yield
    finally:
        live.execute("ROLLBACK")


def _not_too_long() -> Callable[[int, int, int], None]:
    """Give what ends a copy in one go before those who wait for it would be refused. Errors: Conflict."""
    until = time.monotonic() + LONGEST_WAIT_SECONDS

    def watch(_status: int, remaining: int, _total: int) -> None:
        if remaining and time.monotonic() > until:
            words = "The database is written to all the time, and a copy in one go would hold writers up too long."
            raise Conflict("too_busy", f"{words} Nothing was copied. Try again when fewer people work.")

    return watch


class _Watch:
    """Sees how a copy goes on: how often it began again, and how long somebody else has held the database."""

    def __init__(self, patience: int | None) -> None:
        self._patience, self._before = patience, sys.maxsize
        self._until = time.monotonic() + BUSY_SECONDS

    def __call__(self, status: int, remaining: int, total: int) -> None:
        """Note a step. Errors: _Changed, Conflict."""
        del total
        if status in {sqlite3.SQLITE_BUSY, sqlite3.SQLITE_LOCKED}:
            if time.monotonic() > self._until:
                raise _held()
            return
        self._until = time.monotonic() + BUSY_SECONDS
        if self._patience is not None:
            self._patience -= remaining >= self._before
            if self._patience < 0:
                raise _Changed
        self._before = remaining


def _refuse_full_disk(live: sqlite3.Connection, folder: Path) -> int:
    """Give a database's size in bytes. Errors: Conflict where its copy does not fit."""
    pages, size = (live.execute(f"PRAGMA {asked}").fetchone()[0] for asked in ("page_count", "page_size"))
    needs, free = pages * size * 11 // 10 + SPARE_BYTES, shutil.disk_usage(folder).free
    if free < needs:
        words = f"A copy needs {needs / 1e6:,.0f} MB, and {folder} has {free / 1e6:,.0f} MB free. Nothing was removed."
        raise Conflict("disk_full", f"{words} Make room, or name another place.")
    return int(pages * size)


def proved(path: Path) -> Proof:
    """Give what a file that nobody writes is found to be, opened as a database of its own; it is not changed.

    Errors: WrongDatabase where it is no sound database of ours, or a newer program's.
    """
    with closing(open_still(path)) as store:
        try:
            return _proved(store, path)
        except DBAPIError as fault:
            raise _unsound(path, str(fault.orig)) from None


def proved_apart(path: Path) -> Proof:
    """Give what `proved` gives, found by a process of its own, which lets others go first. Errors: as there."""
    apart = multiprocessing.get_context("spawn")  # a process that forks would take open databases along
    ours, theirs = apart.Pipe(duplex=False)
    process = apart.Process(target=_tell, args=(path, theirs), daemon=True)
    process.start()
    theirs.close()
    try:
        told = ours.recv()
    except EOFError:
        raise WrongDatabase("unproved", "The copy could not be proved: the process that did so was ended.") from None
    finally:
        process.join()
        ours.close()
    if isinstance(told, Proof):
        return told
    raise WrongDatabase(*told)


def _tell(path: Path, to: "Connection[object, object]") -> None:
    """Tell what a file is found to be, or why it is not sound."""
    if hasattr(os, "nice"):
        os.nice(10)
    try:
        to.send(proved(path))
    except WrongDatabase as refusal:
        to.send((refusal.code, refusal.words))


def _proved(store: Store, path: Path) -> Proof:
    with store.reader.connect() as connection:
        said = connection.exec_driver_sql("PRAGMA integrity_check(1)").scalars().all()
        tables = connection.exec_driver_sql("SELECT name FROM sqlite_master WHERE type = 'table'").scalars().all()
    if said != ["ok"]:
        raise _unsound(path, str(said[0]) if said else "it says nothing of itself")
    revision = revision_of(store)
    if revision is None or not {"workshop", "act", "spool"} <= set(tables):
        raise WrongDatabase("not_ours", f"{path} is not a workshop's database. Name a copy that Spoolkeep made.")
    refuse_newer(revision)
    if revision != newest():
        return Proof(revision, None, older=True)
    with store.read() as session:
        return Proof(revision, next(differences(session), None), older=False)


def _held() -> Conflict:
    return Conflict("database_held", "Another program holds the database. Nothing was copied. Try again in a minute.")


def _unsound(path: Path, why: str) -> WrongDatabase:
    return WrongDatabase("unsound", f"{path.name.split(PART)[0]} is not a sound database: {why}.")
