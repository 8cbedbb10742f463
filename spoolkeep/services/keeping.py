"""Keeping copies of a workshop's SQLite database: one when a person asks, one a day by itself, and how they stand.

The command line, the server's look each minute and the pages call it. `services/restoring` puts one back.
"""

import os
from collections.abc import Callable
from contextlib import suppress
from dataclasses import dataclass
from datetime import UTC, date, datetime, timedelta
from pathlib import Path

from sqlalchemy import select
from sqlalchemy.orm import Session
from sqlmodel import col

from spoolkeep.domain import rotation
from spoolkeep.domain.errors import BadInput, Conflict, Refusal
from spoolkeep.services.shop import load_shop
from spoolkeep.store.copying import DIFFERS, PART, STAMP, copy_in_use, folder_of, remove
from spoolkeep.store.engine import Store
from spoolkeep.store.holding import Hold, hold
from spoolkeep.store.revisions import address_of
from spoolkeep.store.tables import Act

DAILY, BY_HAND = "daily-", "by-hand-"
FAILED = "failed.txt"
"""Says why the last daily copy could not be made; it goes with the next that is made."""
MAKING = "making"
"""The file that whoever makes the daily copy holds."""
AGAIN_AFTER = timedelta(hours=1)
OLD = timedelta(days=2)
"""A newest copy that is older needs a person, and books that are older and have none: a day was missed. Source: our
own choice."""
_UNWRITTEN: dict[Path, tuple[datetime, str]] = {}
"""When the last daily copy failed in a folder in which it could not be written down, and why."""
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
    books_days_old: int
    """How long ago the first act was booked; 0 where none was."""
    bytes: int
    count: int
    failed: str
    """Why the last daily copy could not be made; empty where it could."""
    days_old: int

    @property
    def needs(self) -> bool:
        """Say whether a person should see to it."""
        return bool(self.failed) or (self.days_old if self.newest_at else self.books_days_old) >= OLD.days


def backup(store: Store, *, now: datetime, to: Path | None = None) -> Kept:
    """Give a proved copy of a database in use: in the instance's own folder, in another one, or under a name.

    Errors: Conflict where the name is taken, the disk is too full, or the database is PostgreSQL's, which its own
    programs copy; WrongDatabase where the copy is not sound; BadInput for a place that is not there.
    """
    name = f"{BY_HAND}{now:{STAMP}}.sqlite"
    if to is None:
        return _copy(store, folder_of(_file(store)) / name)
    if to.is_dir():
        return _copy(store, to / name)
    if to.suffix != ".sqlite" or not to.parent.is_dir():
        words = f"There is no folder {to}. Make it, or see that its disk is there; or name a file that ends in .sqlite."
        raise BadInput("no_folder", words)
    return _copy(store, to)


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
    if _failed_lately(folder, now):
        return None
    try:
        return _look(store, folder, clock.day_of, now=now, apart=apart)
    except Exception as fault:
        unforeseen = f"{type(fault).__name__}; the server's log says more."
        _write_down(folder, fault.words if isinstance(fault, Refusal) else unforeseen, now)
        raise


def _look(store: Store, folder: Path, day_of: Clock, *, now: datetime, apart: bool) -> Kept | None:
    making = None if _day_is_kept(folder, day_of, now) else _making(folder)
    if making is None:
        return None
    try:
        _remove_parts(folder, now)
        kept = _copy(store, folder / f"{DAILY}{now:{STAMP}}.sqlite", apart=apart)
        rotate(folder, day_of)
    finally:
        making.let_go()
    _UNWRITTEN.pop(folder, None)
    if kept.difference:
        _write_down(folder, f"the books of the newest copy differ: {kept.difference}", now)
    else:
        (folder / FAILED).unlink(missing_ok=True)
    return kept


def _making(folder: Path) -> Hold | None:
    try:
        return hold(folder / MAKING, alone=True)
    except OSError as fault:
        words = f"{folder} cannot be used: {fault.strerror}. Let the user that serves the workshop own it."
        raise Conflict("no_copy", words) from None


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


def standing(session: Session, file: Path | None, *, now: datetime) -> Standing | None:
    """Give how the copies of a database file stand; None where the database is no file."""
    if file is None:
        return None
    folder = folder_of(file)
    began_at = session.scalars(select(col(Act.recorded_at)).order_by(col(Act.id)).limit(1)).first()
    copies = sorted(_stamped(folder, DAILY) + _stamped(folder, BY_HAND))
    at, newest = copies[-1] if copies else (None, None)
    return Standing(
        folder=folder,
        newest_at=at,
        books_days_old=(now - began_at).days if began_at else 0,
        bytes=newest.stat().st_size if newest else 0,
        count=len(copies),
        failed=_failed(folder)[1],
        days_old=(now - at).days if at else 0,
    )


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
    at, _ = _failed(folder)
    return at is not None and now - at < AGAIN_AFTER


def _failed(folder: Path) -> tuple[datetime | None, str]:
    """Give when the last daily copy failed and why; None and nothing where it did not."""
    failed = folder / FAILED
    if folder not in _UNWRITTEN:
        with suppress(OSError):
            words = failed.read_text(encoding="utf-8").strip()
            return datetime.fromtimestamp(failed.stat().st_mtime, UTC), words
    return _UNWRITTEN.get(folder, (None, ""))


def _write_down(folder: Path, words: str, now: datetime) -> None:
    try:
        (folder / FAILED).write_text(f"{words}\n", encoding="utf-8")
        _UNWRITTEN.pop(folder, None)
    except OSError:
        _UNWRITTEN[folder] = now, words


def _stamped(folder: Path, prefix: str) -> list[tuple[datetime, Path]]:
    """Give the copies of a kind with the moments in their names, the oldest first; other names are nobody's."""
    found: list[tuple[datetime, Path]] = []
    if not os.access(folder, os.X_OK):
        return found
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
