"""Every table as a CSV, and back into an unused database: what is carried, and how it is written out.

The service that carries a workshop calls it; `store.taking_in` reads it back. New tables come by themselves.
"""

import csv
import hashlib
import json
from collections.abc import Iterator
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path
from typing import Any

from sqlalchemy import Column, ForeignKey, Table, collate, select
from sqlalchemy.orm import Session
from sqlmodel import SQLModel

import spoolkeep.store.tables  # noqa: F401 - the metadata is whole only once every table is known
from spoolkeep.store.cells import RULES, kind_of, writer_of
from spoolkeep.store.copying import on_disk

ABOUT = "about.json"
LEFT_OUT = {
    "token": "secrets by which browsers, stations and programs are known; make new ones",
    "one_time_link": "secrets that let somebody in once",
    "known_device": "secrets by which a browser is known",
    "visit": "what happened at the door of this one server",
    "at_station": "who says that they are at a station, until the shop day ends",
    "half_scan": "a scan that waits a minute for its other half",
    "import_draft": "sheets that were sent and not booked; send them again",
}
"""Tables that are not carried, and why. A column that points at one of them is left out with it."""
SECRET_COLUMNS = {
    "person.password_hash": "what is kept of a password; owners choose one anew with 'spoolkeep owner NAME'"
}
AT_ONCE = 2_000


@dataclass(frozen=True)
class Carried:
    """A table that is carried, and its columns in their order."""

    table: Table
    columns: tuple[Column[Any], ...]

    @property
    def file(self) -> str:
        """Give the name of its file."""
        return f"{self.table.name}.csv"


@dataclass(frozen=True)
class Written:
    """A table's file as it was written."""

    rows: int
    sha256: str


def carried() -> list[Carried]:
    """Give what is carried, each table after those that it points at."""
    tables = [table for table in SQLModel.metadata.sorted_tables if table.name not in LEFT_OUT]
    return [Carried(table, tuple(column for column in table.columns if not _left_out(column))) for table in tables]


def left_out() -> dict[str, str]:
    """Give what is left out, tables and columns, each with its reason."""
    columns = {
        f"{one.table.name}.{column.name}": f"points at {_target(key)}, which is left out"
        for one in carried()
        for column in one.table.columns
        for key in column.foreign_keys
        if _target(key) in LEFT_OUT
    }
    return {**LEFT_OUT, **SECRET_COLUMNS, **columns}


def _left_out(column: Column[Any]) -> bool:
    return str(column) in SECRET_COLUMNS or any(_target(key) in LEFT_OUT for key in column.foreign_keys)


def _target(key: ForeignKey) -> str:
    return key.column.table.name


def write_out(session: Session, folder: Path, *, revision: str, version: str, now: datetime) -> dict[str, Written]:
    """Write every table into an empty folder, row by row, and last the file that says what is there.

    Gives rows and hash of each file by its table. Errors: OSError.
    """
    written = {one.table.name: _write(session, one, folder / one.file) for one in carried()}
    about = {
        "what": "A workshop's books as Spoolkeep's tables. 'spoolkeep load' reads them into a new instance.",
        "version": version,
        "revision": revision,
        "written_at": now.isoformat(),
        "rules": RULES,
        "left_out": left_out(),
        "tables": {
            one.table.name: {
                "file": one.file,
                "rows": written[one.table.name].rows,
                "sha256": written[one.table.name].sha256,
                "columns": {column.name: kind_of(column) for column in one.columns},
            }
            for one in carried()
        },
    }
    path = folder / ABOUT
    path.write_text(json.dumps(about, indent=2, ensure_ascii=False) + "\n", encoding="utf-8")
    on_disk(path)
    on_disk(folder)
    return written


def _write(session: Session, one: Carried, path: Path) -> Written:
    rows = 0
    with path.open("w", encoding="utf-8", newline="") as file:
        out = csv.writer(file, lineterminator="\r\n")
        out.writerow([column.name for column in one.columns])
        for some in _rows(session, one):
            out.writerows(some)
            rows += len(some)
    on_disk(path)
    return Written(rows, sha256_of(path))


def _rows(session: Session, one: Carried) -> Iterator[list[list[str]]]:
    """Give a table's cells some rows at a time, in the order of its key, the same on every database."""
    binary = "C" if session.get_bind().dialect.name == "postgresql" else "BINARY"
    keys = [
        collate(column, binary) if kind_of(column) == "text" else column for column in one.table.primary_key.columns
    ]
    query = select(*one.columns).order_by(*keys).execution_options(yield_per=AT_ONCE)
    writers = [writer_of(column) for column in one.columns]
    for some in session.connection().execute(query).partitions():
        yield [[write(value) for write, value in zip(writers, row, strict=True)] for row in some]


def sha256_of(path: Path) -> str:
    """Give a file's SHA-256 in hexadecimal. Errors: OSError."""
    with path.open("rb") as file:
        return hashlib.file_digest(file, "sha256").hexdigest()
