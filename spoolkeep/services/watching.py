"""A folder into which slicing programs write: each motion file that lies there is planned once, and put aside.

The command line watches with it. A file in a folder named as a machine is that machine's.
"""

import hashlib
from collections.abc import Callable, Iterator
from contextlib import AbstractContextManager
from dataclasses import dataclass, replace
from datetime import datetime
from pathlib import Path

from sqlalchemy.orm import Session

from spoolkeep.domain.errors import Refusal
from spoolkeep.services import motionfiles, reports
from spoolkeep.services.joblist import g90_governs_e
from spoolkeep.services.motionfiles import FilePlan, FilePlanned
from spoolkeep.store.acts import By

PLANNED, REFUSED = "planned", "refused"
"""The folders beside a file into which it is put."""
ENDINGS = (".gcode", ".gco", ".gc", ".g", ".nc", ".ngc", ".gz", ".bgcode", ".3mf", ".x3g", ".s3g")
Sizes = dict[Path, int]


@dataclass(frozen=True)
class Store:
    """How the books are reached, and who writes in them."""

    reading: Callable[[], AbstractContextManager[Session]]
    writing: Callable[[], AbstractContextManager[Session]]
    actor_id: int


@dataclass(frozen=True)
class Taken:
    """What became of one file: where it was put, and what was planned or why not."""

    path: Path
    words: str
    planned: FilePlanned | None


def waiting(folder: Path, before: Sizes) -> tuple[list[Path], Sizes]:
    """Give the files that are whole, as large as at the last look, and the sizes of all as they are now."""
    found = {path: path.stat().st_size for path in sorted(_files(folder))}
    return [path for path, size in found.items() if size and before.get(path) == size], found


def _files(folder: Path) -> Iterator[Path]:
    for path in folder.iterdir():
        if path.is_file() and path.name.lower().endswith(ENDINGS) and not path.name.startswith("."):
            yield path
        elif path.is_dir() and path.name not in {PLANNED, REFUSED}:
            yield from (one for one in path.iterdir() if one.is_file() and one.name.lower().endswith(ENDINGS))


def take(path: Path, folder: Path, *, store: Store, now: datetime, machine: str | None = None) -> Taken:
    """Plan one file, and put it aside: planned, or refused with the reason written beside it. Nothing is lost."""
    named = machine if path.parent == folder else path.parent.name
    try:
        planned = plan(path, store=store, now=now, told=FilePlan(), machine=named)
    except Refusal as refusal:
        kept = _put_aside(path, REFUSED)
        kept.with_name(f"{kept.name}.txt").write_text(f"{refusal.words}\n", encoding="utf-8")
        return Taken(kept, refusal.words, None)
    return Taken(_put_aside(path, PLANNED), "", planned)


def _put_aside(path: Path, where: str) -> Path:
    folder = path.parent / where
    folder.mkdir(exist_ok=True)
    kept, number = folder / path.name, 1
    while kept.exists():
        number += 1
        kept = folder / f"{path.stem}-{number}{path.suffix}"
    return path.rename(kept)


def plan(
    path: Path, *, store: Store, now: datetime, told: FilePlan, machine: str | None = None, again: bool = False
) -> FilePlanned:
    """Plan a file, once: the same file for the same machine is known again, unless it is to be planned once more.

    Errors: BadInput, NotFound, Conflict.
    """
    with store.reading() as session:
        machine_id = reports.machine_named(session, machine) if machine else None
        governs = g90_governs_e(session=session, machine_id=machine_id)
    with path.open("rb") as stream:
        file = motionfiles.read(stream, name=path.name, g90_governs_e=governs)
    told = replace(told, machine_id=machine_id)
    once = f"{now.isoformat()} " if again else ""
    key = hashlib.sha256(f"{once}{file.sha256} {told}".encode()).hexdigest()[:40]
    with store.writing() as session:
        by = By(actor_id=store.actor_id, key=f"file {key}")
        return motionfiles.plan_file(session=session, now=now, by=by, file=file, plan=told)
