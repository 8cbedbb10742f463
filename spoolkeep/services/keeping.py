"""Keeping copies of a workshop's SQLite database: one when a person asks, one a day by itself, and how they stand.

The command line, the server's look each minute and the pages call it. `services/restoring` puts one back.
"""

import logging
import threading
from collections.abc import Callable
from dataclasses import dataclass
from datetime import UTC, date, datetime, timedelta
from pathlib import Path

from sqlalchemy import make_url

from spoolkeep.domain import rotation
from spoolkeep.domain.errors import Conflict, Refusal
from spoolkeep.services.shop import load_shop
from spoolkeep.store.copying import PART, copy_in_use, remove
from spoolkeep.store.engine import Store
from spoolkeep.store.holding import hold

FOLDER = "backups"
DAILY, BY_HAND, DIFFERS = "daily-", "by-hand-", "differs-"
FAILED = "failed.txt"
"""Says why the last daily copy could not be made; it goes with the next that is made."""
MAKING = "making"
"""The file that whoever makes the daily copy holds."""
STAMP = "%Y%m%d-%H%M%S"
AGAIN_AFTER = timedelta(hours=1)
OLD = timedelta(days=2)
"""A newest copy that is older needs a person: a day was missed. Source: our own choice."""
_log = logging.getLogger(__name__)

Clock = Callable[[datetime], date]
"""Gives the shop day of a moment."""


@dataclass(frozen=True)
class Kept:
    """A copy that was made and proved."""

    path: Path
    bytes: int
    revision: str
    difference: str | None
    """Where its books differ; such a copy is kept under a name that says so."""


@dataclass(frozen=True)
class Standing:
    """How a workshop's copies stand in its own folder."""

    folder: Path
    newest_at: datetime | None
    """None where there is no proved copy."""
    bytes: int
    count: int
    failed: str
    """Why the last daily copy could not be made; empty where it could."""
    days_old: int

    @property
    def needs(self) -> bool:
        """Say whether a person should see to it."""
        return bool(self.failed) or (self.newest_at is not None and self.days_old >= OLD.days)


def backup(store: Store, *, now: datetime, to: Path | None = None) -> Kept:
    """Give a proved copy of a database in use: in the instance's own folder, in another one, or under a name.

    Errors: Conflict where the name is taken, the disk is too full, or the database is PostgreSQL's, which its own
    programs copy; WrongDatabase where the copy is not sound.
    """
    name = f"{BY_HAND}{now:{STAMP}}.sqlite"
    folder = folder_of(_file(store))
    return _copy(store, to / name if to and to.is_dir() else to or folder / name)


def look(store: Store, *, now: datetime, apart: bool = False) -> Kept | None:
    """Give the copy of this shop day, made on the first look after the day has begun, else None; then old ones go.

    One process makes it, whoever looks; `apart` proves it in another one. What failed is written down and tried again
    an hour later.
    Errors: those of `backup`.
    """
    if store.file is None:
        return None
    folder = folder_of(store.file)
    with store.read() as session:
        clock = load_shop(session).clock
    if _day_is_kept(folder, clock.day_of, now) or _failed_lately(folder, now):
        return None
    making = hold(folder / MAKING, alone=True)
    if making is None:
        return None
    try:
        _remove_parts(folder, now)
        kept = _copy(store, folder / f"{DAILY}{now:{STAMP}}.sqlite", apart=apart)
        rotate(folder, clock.day_of)
    except Exception as fault:
        unforeseen = f"{type(fault).__name__}; the server's log says more."
        _write_down(folder, fault.words if isinstance(fault, Refusal) else unforeseen)
        raise
    finally:
        making.let_go()
    if kept.difference:
        _write_down(folder, f"the books of the newest copy differ: {kept.difference}")
    else:
        (folder / FAILED).unlink(missing_ok=True)
    return kept


class Keeper:
    """Looks for the daily copy in a thread of its own, so that a slow disk holds no other look up."""

    def __init__(self, store: Store) -> None:
        self._store = store
        self._thread: threading.Thread | None = None

    def look(self, now: datetime) -> None:
        """Look, unless the last look still copies."""
        if self._thread is None or not self._thread.is_alive():
            self._thread = threading.Thread(target=self._look, args=(now,), name="keeping", daemon=True)
            self._thread.start()

    def _look(self, now: datetime) -> None:
        try:
            look(self._store, now=now, apart=True)
        except Exception:  # noqa: BLE001 - the next look comes all the same
            _log.exception("The daily copy could not be made; it is tried again.")


def rotate(folder: Path, day_of: Clock) -> list[Path]:
    """Remove the daily copies that the rule lets go, and all but the newest whose books differ; give their paths.

    What a person made and what was copied before an upgrade or a restore stays.
    """
    by_day: dict[date, list[Path]] = {}
    for at, path in _stamped(folder, DAILY):
        by_day.setdefault(day_of(at), []).append(path)
    stays = {by_day[day][-1] for day in rotation.kept(by_day)}
    goes = [path for paths in by_day.values() for path in paths if path not in stays]
    goes += [path for _, path in _stamped(folder, DIFFERS + DAILY)[:-1]]
    for path in goes:
        remove(path)
    return goes


def standing(file: Path | None, *, now: datetime) -> Standing | None:
    """Give how the copies of a database file stand; None where the database is no file."""
    if file is None:
        return None
    folder = folder_of(file)
    copies = sorted(_stamped(folder, DAILY) + _stamped(folder, BY_HAND))
    at, newest = copies[-1] if copies else (None, None)
    failed = folder / FAILED
    return Standing(
        folder=folder,
        newest_at=at,
        bytes=newest.stat().st_size if newest else 0,
        count=len(copies),
        failed=failed.read_text(encoding="utf-8").strip() if failed.exists() else "",
        days_old=(now - at).days if at else 0,
    )


def folder_of(file: Path) -> Path:
    """Give the folder in which the copies of a database file lie."""
    return file.parent / FOLDER


def address_of(store: Store) -> str:
    """Give a PostgreSQL database's address as its own programs take it, without a password."""
    url = make_url(store.engine.url)._replace(drivername="postgresql", password=None)
    return url.difference_update_query(["password"]).render_as_string(hide_password=True)


def _file(store: Store) -> Path:
    if store.file is None:
        words = (
            "PostgreSQL is copied by its own program, while it is in use:\n"
            f'  pg_dump --format=custom --no-owner --file=spoolkeep.dump "{address_of(store)}"\n'
            "How it is put back stands in the README, under Keeping copies."
        )
        raise Conflict("not_a_file", words)
    return store.file


def _copy(store: Store, target: Path, *, apart: bool = False) -> Kept:
    path, proof = copy_in_use(_file(store), target, apart=apart)
    return Kept(path, path.stat().st_size, proof.revision, proof.difference)


def _day_is_kept(folder: Path, day_of: Clock, now: datetime) -> bool:
    return any(day_of(at) == day_of(now) for at, _ in _stamped(folder, DAILY))


def _failed_lately(folder: Path, now: datetime) -> bool:
    failed = folder / FAILED
    return failed.exists() and now - datetime.fromtimestamp(failed.stat().st_mtime, UTC) < AGAIN_AFTER


def _write_down(folder: Path, words: str) -> None:
    try:
        (folder / FAILED).write_text(f"{words}\n", encoding="utf-8")
    except OSError:
        _log.exception("Why the daily copy failed could not be written down: %s", words)


def _stamped(folder: Path, prefix: str) -> list[tuple[datetime, Path]]:
    """Give the copies of a kind with the moments in their names, the oldest first; other names are nobody's."""
    found = []
    for path in folder.glob(f"{prefix}*.sqlite"):
        try:
            at = datetime.strptime(path.stem.removeprefix(prefix), STAMP).replace(tzinfo=UTC)
        except ValueError:
            continue
        found.append((at, path))
    return sorted(found)


def _remove_parts(folder: Path, now: datetime) -> None:
    """Remove what a process that was killed in mid-copy left a day ago."""
    for path in folder.glob(f".*{PART}"):
        if now - datetime.fromtimestamp(path.stat().st_mtime, UTC) > timedelta(days=1):
            remove(path)
