"""A folder into which slicing programs write: each motion file that lies there is planned once, and put aside.

The command line watches with it. A file in a folder named as a machine is that machine's.
"""

import hashlib
import time
from collections.abc import Callable, Iterator
from contextlib import AbstractContextManager
from dataclasses import dataclass, replace
from datetime import datetime
from pathlib import Path

from sqlalchemy.exc import SQLAlchemyError
from sqlalchemy.orm import Session

from spoolkeep.domain.errors import Refusal
from spoolkeep.domain.motionfile import TAKEN
from spoolkeep.domain.units import MG_PER_G
from spoolkeep.services import motionfiles, reports
from spoolkeep.services.joblist import g90_governs_e
from spoolkeep.services.motionfiles import FilePlan, FilePlanned
from spoolkeep.store.acts import By, is_known
from spoolkeep.store.troubles import trouble_of

PLANNED, REFUSED = "planned", "refused"
"""The folders beside a file into which it is put."""


@dataclass(frozen=True)
class Store:
    """How the books are reached, and who writes in them."""

    reading: Callable[[], AbstractContextManager[Session]]
    writing: Callable[[], AbstractContextManager[Session]]
    actor_id: int


@dataclass(frozen=True)
class Planned:
    """What a file became, and whether that was done before."""

    planned: FilePlanned
    before: bool


def watch(
    folder: Path,
    *,
    store: Store,
    clock: Callable[[], datetime],
    say: Callable[[str], None],
    machine: str | None = None,
    every_s: float | None = None,
) -> None:
    """Take the files of a folder as they come, looking every so many seconds; or once those that lie there.

    A file is taken when it is as large as at the last look. One that cannot be read, moved or booked now is tried again
    at the next; nothing is lost.
    """
    before: dict[Path, int] = {}
    while True:
        found = {path: size for path in sorted(_files(folder)) if (size := _size(path))}
        for path in [path for path, size in found.items() if every_s is None or before.get(path) == size]:
            say(_take(path, folder, store=store, now=clock(), machine=machine))
        if every_s is None:
            return
        before = found
        time.sleep(every_s)


def _files(folder: Path) -> Iterator[Path]:
    for path in folder.iterdir():
        if path.is_file() and path.name.lower().endswith(TAKEN) and not path.name.startswith("."):
            yield path
        elif path.is_dir() and path.name not in {PLANNED, REFUSED}:
            yield from (one for one in path.iterdir() if one.is_file() and one.name.lower().endswith(TAKEN))


def _size(path: Path) -> int:
    """Give a file's size, or nought where it has gone since."""
    try:
        return path.stat().st_size
    except OSError:
        return 0


def _take(path: Path, folder: Path, *, store: Store, now: datetime, machine: str | None) -> str:
    """Plan one file and put it aside, planned or refused with the reason beside it; say what became of it.

    A file that is put there again is planned again; one that could not be put aside in time is not.
    """
    named = machine if path.parent == folder else path.parent.name
    try:
        lies = f"{path.resolve()} {path.stat().st_mtime_ns} "
        planned = plan(path, store=store, now=now, told=FilePlan(), machine=named, apart=lies)
        _put_aside(path, PLANNED)
    except Refusal as refusal:
        kept = _put_aside(path, REFUSED)
        kept.with_name(f"{kept.name}.txt").write_text(f"{refusal.words}\n", encoding="utf-8")
        return f"{path.name}: {refusal.words}"
    except OSError as error:
        return f"{path.name}: it cannot be read or moved now ({error.strerror}). It is tried again."
    except SQLAlchemyError as error:
        trouble = trouble_of(error)
        if trouble is None:
            raise
        return f"{path.name}: {trouble.what} It is tried again."
    return in_words(path.name, planned)


def _put_aside(path: Path, where: str) -> Path:
    folder = path.parent / where
    folder.mkdir(exist_ok=True)
    kept, number = folder / path.name, 1
    while kept.exists():
        number += 1
        kept = folder / f"{path.stem}-{number}{path.suffix}"
    return path.rename(kept)


def plan(
    path: Path, *, store: Store, now: datetime, told: FilePlan, machine: str | None = None, apart: str = ""
) -> Planned:
    """Plan a file, once: the same file in the same way is known again, unless `apart` tells them apart.

    Errors: BadInput, NotFound, Conflict.
    """
    with store.reading() as session:
        machine_id = reports.machine_named(session, machine) if machine else None
        governs = g90_governs_e(session=session, machine_id=machine_id)
    with path.open("rb") as stream:
        file = motionfiles.read(stream, name=path.name, g90_governs_e=governs)
    told = replace(told, machine_id=machine_id)
    key = hashlib.sha256(f"{apart}{file.sha256} {told}".encode()).hexdigest()[:40]
    with store.writing() as session:
        by = By(actor_id=store.actor_id, key=f"file {key}")
        before = is_known(session, by)
        return Planned(motionfiles.plan_file(session=session, now=now, by=by, file=file, plan=told), before)


def in_words(name: str, told: Planned) -> str:
    """Give what a file became in words."""
    planned = told.planned
    if told.before:
        return f"{name} was planned so before. Plan it --again if it is to be printed once more."
    jobs_words = "one job" if len(planned.job_ids) == 1 else f"{len(planned.job_ids)} jobs"
    lines = [f"{name} is planned as {jobs_words}: {planned.needs_mg / MG_PER_G:.1f} g."]
    return "\n".join([*lines, *(f"Note: {note}" for note in planned.notes)])
