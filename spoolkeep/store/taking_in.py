"""The CSV files of a workshop, read into a database that is not in use: whole, or not at all.

The service that carries a workshop calls it, inside one write. It books nothing: rows come in as they were.
"""

import csv
import json
import sys
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from sqlalchemy import delete, exists, func, insert, select, text, update
from sqlalchemy.engine import Connection
from sqlalchemy.exc import DBAPIError
from sqlalchemy.orm import Session
from sqlmodel import SQLModel

from spoolkeep.domain.errors import BadInput, Conflict
from spoolkeep.store.carrying import ABOUT, Carried, carried, sha256_of
from spoolkeep.store.cells import reader_of
from spoolkeep.store.tables import Act, Person

AT_ONCE = 1_000
LONGEST_SHOWN = 40
NAMED = 50
"""So many bad lines are named; the rest is a number."""


@dataclass(frozen=True)
class About:
    """What a folder says of itself."""

    revision: str
    version: str
    sha256: dict[str, str]


@dataclass
class _Bad:
    """Lines that cannot be taken in."""

    words: list[str] = field(default_factory=list)
    more: int = 0

    def add(self, one: Carried, line: int, words: str) -> None:
        if len(self.words) < NAMED:
            self.words.append(f"{one.file}, line {line}: {words}")
        else:
            self.more += 1

    def refuse(self) -> None:
        if self.words:
            more = [f"and {self.more} more."] if self.more else []
            last = "Nothing was taken in. Mend these lines, and load again with --changed."
            raise BadInput("bad_lines", "\n".join([*self.words, *more, last]))


def about(folder: Path) -> About:
    """Give what a folder says of itself. Errors: BadInput where it says nothing that can be read."""
    try:
        said = json.loads((folder / ABOUT).read_text(encoding="utf-8-sig"))
        hashes = {str(name): str(table["sha256"]) for name, table in said["tables"].items()}
        return About(str(said["revision"]), str(said["version"]), hashes)
    except OSError as fault:
        words = f"{folder / ABOUT} cannot be read: {fault.strerror}. Name a folder that 'spoolkeep export' wrote."
        raise BadInput("no_about", words) from None
    except (ValueError, LookupError, TypeError, AttributeError):
        words = f"{folder / ABOUT} is not as 'spoolkeep export' writes it. Take it from the export again."
        raise BadInput("no_about", words) from None


def refuse_other_files(folder: Path, said: About, *, changed: bool) -> None:
    """Refuse a folder that lacks a file, has one of no table, or, unless that is meant, one that was changed.

    Errors: BadInput, naming every such file.
    """
    wanted = {one.file: one.table.name for one in carried()}
    there = {path.name for path in folder.glob("*.csv")}
    words = [f"{name} is missing." for name in sorted(set(wanted) - there)]
    words += [f"{name} belongs to no table." for name in sorted(there - set(wanted))]
    if not changed:
        words += [
            f"{file} was changed since it was written."
            for file, name in sorted(wanted.items())
            if file in there and sha256_of(folder / file) != said.sha256.get(name)
        ]
    if words:
        last = "Nothing was taken in. Take the files from the export again; if the changes are meant, say --changed."
        raise BadInput("other_files", "\n".join([*words, last]))


def refuse_used(session: Session) -> None:
    """Refuse a database in which anything was done or anybody may sign in. Errors: Conflict."""
    used = any(session.scalars(select(exists(select(model)))).one() for model in (Act, Person))
    if used:
        words = "There is a workshop here already, and nothing is loaded over it. Name a new folder with --instance."
        raise Conflict("in_use", words)


def take_in(session: Session, folder: Path) -> dict[str, int]:
    """Put the rows of every file in the place of what a new database begins with; give rows by table.

    Every cell that cannot be read is named, and every line of the first file whose rows the database refuses.
    Errors: BadInput, naming them; then the caller's write must be undone.
    """
    connection = session.connection()
    for table in reversed(SQLModel.metadata.sorted_tables):
        connection.execute(delete(table))
    bad, rows = _Bad(), {}
    for one in carried():
        rows[one.table.name] = _take_in(connection, one, folder / one.file, bad)
    bad.refuse()
    if connection.dialect.name == "postgresql":
        _set_counters_on(connection)
    return rows


def _take_in(connection: Connection, one: Carried, path: Path, bad: _Bad) -> int:
    taken, waiting, ahead = 0, list[tuple[int, dict[str, Any]]](), list[tuple[int, dict[str, Any]]]()
    sound = not bad.words  # once a line is bad nothing goes in any more, and what follows is only read
    for line, row in _read(one, path, bad):
        if row.get(_AHEAD) is not None:
            ahead.append((line, row))
            row = {**row, _AHEAD: None}  # noqa: PLW2901 - it names a row that may not be there yet
        waiting.append((line, row))
        if len(waiting) == AT_ONCE:
            taken += _put_in(connection, one, waiting, bad) if sound else 0
            waiting = []
    taken += _put_in(connection, one, waiting, bad) if sound else 0
    if not bad.words:
        _name_ahead(connection, one, ahead, bad)
    return taken


_AHEAD = "now_id"
"""The column by which a row names one of its own table that may have come later."""


def _name_ahead(connection: Connection, one: Carried, rows: list[tuple[int, dict[str, Any]]], bad: _Bad) -> None:
    """Let rows name the rows of their own table that they mean, once all are there."""
    for line, row in rows:
        try:
            with connection.begin_nested():
                named = update(one.table).where(one.table.c.id == row["id"])
                connection.execute(named.values({_AHEAD: row[_AHEAD]}))
        except DBAPIError as fault:
            bad.add(one, line, _why(connection, one, row, fault))


def _read(one: Carried, path: Path, bad: _Bad) -> Iterator[tuple[int, dict[str, Any]]]:
    """Give each row that can be read, with the line on which it begins."""
    csv.field_size_limit(min(sys.maxsize, 2**31 - 1))  # an answer or a course may be long
    names = [column.name for column in one.columns]
    readers = [(column.name, reader_of(column)) for column in one.columns]
    last = 0
    with path.open(encoding="utf-8-sig", newline="") as file:
        lines = csv.reader(file, strict=True)
        try:
            head = next(lines, [])
            if head != names:
                bad.add(one, 1, f"the columns must be {','.join(names)}. Write them so.")
                return
            last = lines.line_num
            for cells in lines:
                line, last = last + 1, lines.line_num
                try:
                    yield line, _row(cells, readers)
                except ValueError as fault:
                    bad.add(one, line, str(fault))
        except UnicodeDecodeError:
            bad.add(one, _first_not_utf_8(path), "is not UTF-8. Save the file as UTF-8.")
        except csv.Error as fault:
            bad.add(one, last + 1, f"cannot be read as CSV ({fault}). Mind its quotes.")


def _first_not_utf_8(path: Path) -> int:
    with path.open(encoding="utf-8", errors="surrogateescape", newline="") as file:
        return next(number for number, line in enumerate(file, 1) if any("\udc80" <= one <= "\udcff" for one in line))


def _row(cells: list[str], readers: list[tuple[str, Callable[[str], Any]]]) -> dict[str, Any]:
    if len(cells) != len(readers):
        raise ValueError(f"has {len(cells)} cells, and there are {len(readers)} columns. Give each column its cell.")
    row = {}
    for cell, (name, read) in zip(cells, readers, strict=True):
        try:
            row[name] = read(cell)
        except ValueError as fault:
            shown = cell if len(cell) <= LONGEST_SHOWN else f"{cell[:LONGEST_SHOWN]}…"
            raise ValueError(f"{name} “{shown}” {fault}.") from None
    return row


def _put_in(connection: Connection, one: Carried, rows: list[tuple[int, dict[str, Any]]], bad: _Bad) -> int:
    """Put rows in together; where the database refuses them, one by one, to name those that it refuses."""
    if not rows:
        return 0
    try:
        with connection.begin_nested():
            connection.execute(insert(one.table), [row for _, row in rows])
    except (DBAPIError, ValueError, OverflowError):
        for line, row in rows:
            try:
                with connection.begin_nested():
                    connection.execute(insert(one.table), row)
            except (DBAPIError, ValueError, OverflowError) as fault:
                bad.add(one, line, _why(connection, one, row, fault))
    return len(rows)


def _why(connection: Connection, one: Carried, row: dict[str, Any], fault: Exception) -> str:
    """Give, in words, why the database refuses a row."""
    for column in one.columns:
        for key in column.foreign_keys:
            value = row[column.name]
            if value is not None and not connection.execute(select(exists().where(key.column == value))).scalar_one():
                target = key.column.table.name
                return f"{column.name} {value} stands in no line of {target}.csv. Add it there, or name another."
    said = str(fault.orig if isinstance(fault, DBAPIError) else fault).strip().replace("\n", "; ")
    return f"the database refuses it: {said}. Mend the line."


def _set_counters_on(connection: Connection) -> None:
    """Have the next row of each table get a number beyond those that came in. Source: PostgreSQL, 9.17."""
    quote = connection.dialect.identifier_preparer.quote
    for one in carried():
        for column in one.table.primary_key.columns:
            asked = {"name": quote(one.table.name), "part": column.name}
            counter = connection.execute(text("SELECT pg_get_serial_sequence(:name, :part)"), asked).scalar_one()
            highest = connection.execute(select(func.max(column))).scalar_one() if counter else None
            if highest is not None:
                connection.execute(text("SELECT setval(:counter, :highest)"), {"counter": counter, "highest": highest})
