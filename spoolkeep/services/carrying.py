"""Carrying a workshop: all of its books as open CSV files, and such files back into an unused instance.

The command line calls it. It works from either database to either.
"""

import tempfile
from collections.abc import Iterator
from contextlib import closing, contextmanager
from datetime import datetime
from itertools import islice
from pathlib import Path

import spoolkeep
from spoolkeep.domain.errors import BadInput, WrongDatabase
from spoolkeep.store import taking_in
from spoolkeep.store.carrying import Written, write_out
from spoolkeep.store.copying import copy_pages
from spoolkeep.store.engine import Store, open_still
from spoolkeep.store.proof import differences
from spoolkeep.store.revisions import newest

SHOWN = 20


def export(store: Store, folder: Path, *, now: datetime) -> dict[str, Written]:
    """Write everything into an empty folder, of one moment, while others write; give rows and hash by table.

    Errors: BadInput where the folder is not empty or cannot be written; then nothing is left in it.
    """
    try:
        folder.mkdir(parents=True, exist_ok=True)
        if any(folder.iterdir()):
            raise BadInput("not_empty", f"{folder} is not empty. Name a new folder.")
    except OSError as fault:
        raise BadInput("no_folder", f"{folder} cannot be used: {fault.strerror}. Name another folder.") from None
    try:
        with _of_one_moment(store, folder) as still, still.read() as session:
            return write_out(session, folder, revision=newest(), version=spoolkeep.__version__, now=now)
    except BaseException as fault:
        for path in folder.iterdir():
            path.unlink()
        if isinstance(fault, OSError):
            raise BadInput(
                "no_folder", f"{folder} cannot be written: {fault.strerror}. Nothing is left there."
            ) from None
        raise


@contextmanager
def _of_one_moment(store: Store, folder: Path) -> Iterator[Store]:
    """Give a store in which nothing moves: a copy, where a long read of the file in use would hold writers up."""
    if store.file is None:
        yield store
        return
    with tempfile.TemporaryDirectory(prefix=".spoolkeep-", dir=folder) as room:
        part = Path(room) / "still.sqlite"
        copy_pages(store.file, part)
        with closing(open_still(part)) as still:
            yield still


def load(store: Store, folder: Path, *, changed: bool = False) -> dict[str, int]:
    """Read an export into a store that is not in use, whole or not at all; give rows by table.

    `changed` says that edits are meant: then the constraints and `check` decide.
    Errors: Conflict where the store is in use; WrongDatabase where the export is of another revision; BadInput where
    a file was changed, a line is bad or the books would differ.
    """
    said = taking_in.about(folder)
    if said.revision != newest():
        words = (
            f"{folder} was written at revision {said.revision}, by version {said.version}; this program needs "
            f"{newest()}. Load it with version {said.version}, then run 'spoolkeep upgrade' with this one."
        )
        raise WrongDatabase("other_revision", words)
    taking_in.refuse_other_files(folder, said, changed=changed)
    with store.write() as session:
        taking_in.refuse_used(session)
        rows = taking_in.take_in(session, folder)
        if found := list(islice(differences(session), SHOWN)):
            last = "Nothing was taken in. Put right what was changed, and load again."
            raise BadInput("books_differ", "\n".join(["The books would differ:", *found, last]))
    return rows
