"""The imports' engine: reads a sheet, knows again what was imported before, and books the rest in one act.

The package's front gives it to the web and the command line. What a sheet books is for the sheet's own module.
"""

from collections import Counter
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from dataclasses import asdict, dataclass, replace
from datetime import datetime
from hashlib import sha256
from typing import Any

from sqlalchemy import select
from sqlalchemy.orm import Session
from sqlmodel import col

from spoolkeep.domain.errors import BadInput, NotFound
from spoolkeep.domain.measures import bare, day_first_in, weights
from spoolkeep.domain.sheets import (
    DEFAULT_ID_COLUMN,
    RowProblem,
    Sheet,
    SheetRow,
    key_problems,
    read_sheet,
    row_digest,
    row_keys,
)
from spoolkeep.domain.units import decimal_mark_in
from spoolkeep.services.imports import jobs, onhand, spools, takings, things, trade
from spoolkeep.services.imports.cells import Booked, Booker, Column, Reading, Shown, is_date, is_number
from spoolkeep.services.imports.manner import Manner
from spoolkeep.services.shop import load_shop
from spoolkeep.store.acts import By, is_known, once
from spoolkeep.store.journal import batched, change, create_all
from spoolkeep.store.tables import Act, ImportRow

_MOST_LETTERS = 200


Tell = Callable[[int, int], None]
_TELL_EVERY = 500


class _Heard(list[SheetRow]):
    """Rows that say how far they were read, when they are first walked through."""

    def __init__(self, rows: Iterable[SheetRow], tell: Tell | None) -> None:
        super().__init__(rows)
        self._tell = tell

    def __iter__(self) -> Iterator[SheetRow]:
        tell, self._tell = self._tell, None
        for number, row in enumerate(super().__iter__(), start=1):
            if tell and (number % _TELL_EVERY == 0 or number == len(self)):
                tell(number, len(self))
            yield row


@dataclass(frozen=True)
class SheetKind:
    """A sheet that can be imported: its columns, and what reads its rows."""

    columns: tuple[Column, ...]
    read: Callable[[Reading, Sequence[SheetRow]], Booker]
    one_of: tuple[tuple[tuple[str, ...], ...], ...] = ()
    """Groups of columns of which the sheet must have one each, where it may say the same in several ways."""
    known_by: tuple[str, ...] = ()
    """Columns by which a row is known again that may say something else in a later file; else its own id."""


SHEETS: Mapping[str, SheetKind] = {
    "machines": SheetKind(things.MACHINES, things.read_machines),
    "places": SheetKind(things.PLACES, things.read_places),
    "articles": SheetKind(things.ARTICLES, things.read_articles),
    "suppliers": SheetKind(trade.SUPPLIERS, trade.read_suppliers),
    "offers": SheetKind(trade.OFFERS, trade.read_offers),
    "products": SheetKind(things.PRODUCTS, things.read_products),
    "spools": SheetKind(spools.COLUMNS, spools.read, spools.ONE_OF),
    "jobs": SheetKind(jobs.COLUMNS, jobs.read),
    "takings": SheetKind(takings.COLUMNS, takings.read),
    "orders": SheetKind(onhand.COLUMNS, onhand.read, known_by=onhand.KNOWN_BY),
}
"""By the word that people type, in the order in which a new workshop imports them."""


COLUMNS: Mapping[str, tuple[Column, ...]] = {word: kind.columns for word, kind in SHEETS.items()}
"""What each sheet has, for those who write one."""


@dataclass(frozen=True)
class VanishedRow:
    """A row that was imported from this source before, and is not in the file any more. It stays in the books."""

    line: int
    """Where it stood in the earlier file."""
    key: str


@dataclass(frozen=True)
class ImportReport:
    """What a sheet says, and what of it was booked, or would be. With any problem nothing is."""

    sheet: str
    source: str
    rows: int
    new: int
    known: int
    vanished: tuple[VanishedRow, ...] = ()
    problems: tuple[RowProblem, ...] = ()
    notes: tuple[str, ...] = ()
    act_id: int | None = None
    codes: tuple[str, ...] = ()
    """Of the spools that were made, in the order of their rows, for their labels."""

    def as_json(self) -> dict[str, Any]:
        """Give it as values that JSON knows."""
        return asdict(self)


@dataclass(frozen=True)
class _Fresh:
    """A row that is not in the books."""

    row: SheetRow
    key: str
    digest: str


@dataclass(frozen=True)
class _Checked:
    """A sheet that was read whole, and what would book it."""

    report: ImportReport
    fresh: tuple[_Fresh, ...]
    book: Booker
    shows: tuple[Shown, ...]
    again: int
    """How many rows another source brought in before, word for word."""


@dataclass(frozen=True)
class LookedAt:
    """What an import would do, and row by row what it would book, where the sheet can show it."""

    report: ImportReport
    shows: tuple[Shown, ...]


def look(
    *, session: Session, now: datetime, sheet: str, source: str, data: bytes, manner: Manner | None = None
) -> LookedAt:
    """Give what an import would do, row by row, and book nothing.

    `sheet` is one of SHEETS, `source` the name of the file, `data` its bytes, `manner` how its words are meant.
    Errors: BadInput where the file cannot be read as that sheet; NotFound where there is no such sheet.
    """
    checked = _check(session, _Asked(now, sheet, source, data, manner or Manner()))
    return LookedAt(checked.report, checked.shows)


def preview(*, session: Session, now: datetime, sheet: str, source: str, data: bytes) -> ImportReport:
    """Give what an import would do, and book nothing. Errors: as `look`."""
    return look(session=session, now=now, sheet=sheet, source=source, data=data).report


def import_sheet(
    *,
    session: Session,
    now: datetime,
    by: By,
    sheet: str,
    source: str,
    data: bytes,
    manner: Manner | None = None,
    tell: Tell | None = None,
) -> ImportReport:
    """Book the rows of a sheet that are new, all of them in one act, or none where any row has a problem.

    `tell` hears how many of how many rows were read, now and then.
    Errors: as `preview`; Conflict where the key was used for something else.
    """
    asked = _Asked(now, sheet, source, data, manner or Manner())
    checked = None
    if not is_known(session, by):
        checked = _check(session, asked, tell=tell)
        if checked.report.problems or not checked.fresh:
            return checked.report

    def do(act: Act) -> ImportReport:
        return _book(session, act, checked or _check(session, asked), now=now)

    request = {"sheet": sheet, "source": source, "sha256": sha256(data).hexdigest()}
    if manner:
        request["manner"] = manner.as_text(lasting=True)
    return once(session, f"import {sheet}", by=by, now=now, request=request, answers=ImportReport, about=source, do=do)


def sheet_kind(sheet: str) -> SheetKind:
    """Give a sheet by its word. Errors: NotFound, naming those that there are."""
    found = SHEETS.get(sheet)
    if found is None:
        raise NotFound("no_such_sheet", f"There is no sheet “{sheet}”. Choose one of: {', '.join(SHEETS)}.")
    return found


@dataclass(frozen=True)
class _Asked:
    """What an import is asked for."""

    now: datetime
    sheet: str
    source: str
    data: bytes
    manner: Manner


def _read(asked: _Asked, kind: SheetKind) -> Sheet:
    needs = [column.name for column in kind.columns if column.needed]
    read = read_sheet(asked.data, needs=needs, knows=[column.name for column in kind.columns])
    for ways in kind.one_of:
        if not any(set(way) <= set(read.columns) for way in ways):
            wanted = ", or ".join(" and ".join(f"“{name}”" for name in way) for way in ways)
            raise BadInput("missing_column", f"The sheet lacks {wanted}. Say which of its columns that is.")
    return _with_ids(read, kind)


def _reading(session: Session, asked: _Asked, read: Sheet) -> Reading:
    texts = [(name, text) for row in read.rows for name, text in row.cells.items() if text]
    numbers = (bare(one) for name, text in texts if is_number(name) for one in (weights(text) or (text,)))
    said = asked.manner.day_first
    return Reading(
        session,
        asked.now,
        load_shop(session),
        asked.source.strip(),
        asked.manner,
        read.columns,
        mark=decimal_mark_in(numbers),
        day_first=day_first_in(text for name, text in texts if is_date(name)) if said is None else said,
    )


def _check(session: Session, asked: _Asked, *, tell: Tell | None = None) -> _Checked:
    kind, sheet, source = sheet_kind(asked.sheet), asked.sheet, asked.source.strip()
    if not 0 < len(source) <= _MOST_LETTERS:
        raise BadInput("no_source", f"Name the file that the rows come from, in 1 to {_MOST_LETTERS} characters.")
    read = _read(asked, kind)
    before, elsewhere = _imported(session, sheet, source)
    reading = _reading(session, asked, read)
    reading.notes += _about(read)
    keyed = _keyed(read)
    otherwise = {one.key for one in keyed if one.key in before and one.digest != before[one.key].digest}
    may_change = otherwise if kind.known_by else set()
    fresh = tuple(one for one in keyed if one.key not in before or one.key in may_change)
    changed = [_changed(one, before[one.key]) for one in keyed if one.key in otherwise - may_change]
    book = kind.read(reading, _Heard((one.row for one in fresh), tell))
    twice = key_problems(read) if DEFAULT_ID_COLUMN in read.columns else ()
    again = (
        [] if kind.known_by else [elsewhere[one.key, one.digest] for one in fresh if (one.key, one.digest) in elsewhere]
    )
    problems = [*read.problems, *twice, *changed, *reading.problems]
    report = ImportReport(
        sheet=sheet,
        source=source,
        rows=len(read.rows) + len(read.problems),
        new=len(fresh),
        known=len(read.rows) - len(fresh),
        vanished=_vanished(before.values(), {one.key for one in keyed}),
        problems=tuple(sorted(problems, key=lambda one: one.line)),
        notes=(*reading.all_notes(), *_from_elsewhere(again)),
    )
    return _Checked(report, fresh, book, tuple(reading.shows), len(again))


def _with_ids(read: Sheet, kind: SheetKind) -> Sheet:
    """Give the sheet with an id on each row, made of the columns by which it is known again, where it has such."""
    if not kind.known_by:
        return read
    ids = [", ".join(filter(None, (row.cells[name].strip() for name in kind.known_by))) for row in read.rows]
    rows = [SheetRow(row.line, {**row.cells, DEFAULT_ID_COLUMN: own}) for row, own in zip(read.rows, ids, strict=True)]
    return replace(read, rows=tuple(rows), columns=(*read.columns, DEFAULT_ID_COLUMN))


def _keyed(read: Sheet) -> list[_Fresh]:
    return [_Fresh(row, key, _digest(row, key)) for row, key in zip(read.rows, row_keys(read), strict=True)]


def _digest(row: SheetRow, key: str) -> str:
    """Give what the row says as a digest; a key that is no id holds it already."""
    kind, _, rest = key.partition(":")
    return row_digest(row.cells) if kind == "id" else rest.partition(":")[0]


def _about(read: Sheet) -> list[str]:
    if not read.unknown_columns:
        return []
    names = ", ".join(f"“{name}”" for name in read.unknown_columns)
    return [f"These columns are not known here and were left out: {names}."]


@dataclass(frozen=True)
class _Earlier:
    """A row that was imported before and stands."""

    key: str
    digest: str
    source: str
    line: int
    act_id: int


def _imported(session: Session, sheet: str, source: str) -> tuple[dict[str, _Earlier], dict[tuple[str, str], _Earlier]]:
    """Give the rows of this source by key; those of other sources by key and digest, the first of each.

    Two files may well number their rows alike, or hold a row that says the same of two things, so that another source's
    row is never taken for this one's.
    """
    query = select(
        col(ImportRow.key), col(ImportRow.digest), col(ImportRow.source), col(ImportRow.line), col(ImportRow.act_id)
    ).where(col(ImportRow.sheet) == sheet, col(ImportRow.live))
    own: dict[str, _Earlier] = {}
    elsewhere: dict[tuple[str, str], _Earlier] = {}
    for row in session.execute(query.order_by(col(ImportRow.id))):
        one = _Earlier(*row)
        if one.source == source:
            own[one.key] = one
        else:
            elsewhere.setdefault((one.key, one.digest), one)
    return own, elsewhere


def _from_elsewhere(again: Iterable[_Earlier]) -> list[str]:
    """Give a note for each earlier import that brought in the very rows which are new in this file."""
    counts = Counter((one.source, one.act_id) for one in again)
    return [
        f"New rows that were imported before from “{source}” (act {act_id}), word for word: {rows}. "
        f"If this is the same file under another name, import it as “{source}” instead."
        for (source, act_id), rows in counts.items()
    ]


def _changed(one: _Fresh, earlier: _Earlier) -> RowProblem:
    """Give the problem of a row with an id of its own that says something else than when it was imported."""
    words = (
        f"The row with the {one.key.replace(':', ' ', 1)} was imported before with other figures. "
        f"Undo act {earlier.act_id} first, or give the row a new id."
    )
    return RowProblem(one.row.line, DEFAULT_ID_COLUMN, words, "imported_otherwise")


def _vanished(before: Iterable[_Earlier], keys: set[str]) -> tuple[VanishedRow, ...]:
    gone = (one for one in before if one.key not in keys)
    return tuple(VanishedRow(one.line, one.key) for one in sorted(gone, key=lambda one: (one.line, one.key)))


def _book(session: Session, act: Act, checked: _Checked, *, now: datetime) -> ImportReport:
    booked: Booked = checked.book(act)
    report = checked.report
    known = _say_otherwise(session, act, checked)
    rows = [
        {
            "act_id": act.id,
            "sheet": report.sheet,
            "source": report.source,
            "key": one.key,
            "digest": one.digest,
            "line": one.row.line,
            "booked_at": now,
        }
        for one in checked.fresh
        if one.key not in known
    ]
    create_all(session, act, ImportRow, rows)
    again = (f"Rows that were imported before count twice now. If that is wrong, undo act {act.id}.",)
    notes = (*report.notes, *(again if checked.again else ()), *booked.notes)
    return replace(report, notes=notes, act_id=act.id, codes=booked.codes)


def _say_otherwise(session: Session, act: Act, checked: _Checked) -> set[str]:
    """Note that rows which were imported before say something else now; give their keys."""
    found: set[str] = set()
    fresh = {one.key: one for one in checked.fresh}
    own = col(ImportRow.sheet) == checked.report.sheet, col(ImportRow.source) == checked.report.source
    for some in batched(list(fresh)) if sheet_kind(checked.report.sheet).known_by else ():
        query = select(ImportRow).where(*own, col(ImportRow.live), col(ImportRow.key).in_(some))
        for row in session.scalars(query):
            change(session, act, row, digest=fresh[row.key].digest, line=fresh[row.key].row.line)
            found.add(row.key)
    return found
