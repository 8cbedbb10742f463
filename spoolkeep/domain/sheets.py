"""Sheets in and out: CSV bytes to checked rows, rows to bytes that a spreadsheet opens safely, and a row's lasting key.

Every import and every export calls it. It must not know what a column means: that is for each journey.
"""

import csv
import hashlib
import io
import json
import re
import unicodedata
from collections import Counter
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass

from spoolkeep.domain.errors import BadInput

DELIMITERS = (",", ";", "\t")
DEFAULT_ID_COLUMN = "id"
MOST_LINES, MOST_COLUMNS = 300_000, 500
"""Of a sheet; each row is held in memory while it is read. Source: our own choice; a large year of jobs is 50,000."""

MOST_CELLS = 3_000_000
"""Of a sheet that may have anything above its heading. Source: our own choice, as above."""
_LINES_ASKED = 40
_UTF8_BOM = b"\xef\xbb\xbf"
_UTF16_BOMS = (b"\xff\xfe", b"\xfe\xff")
_NOT_TEXT = (b"PK\x03\x04", b"\xd0\xcf\x11\xe0", b"\x1f\x8b", b"%PDF", b"\x89PNG", b"\xff\xd8\xff")
"""How spreadsheet workbooks (zip and the older kind), gzip, PDF and pictures begin."""

_RUNS = frozenset("=+-@\t\r\n＝＋－＠")  # noqa: RUF001 - the wide forms are meant: some spreadsheets run those too
_PLAIN_NUMBER = re.compile(r"[+-]\d+(?:[.,]\d+)?", re.ASCII)
_MARK = "'"


@dataclass(frozen=True)
class SheetRow:
    """One row: the line of the file on which it starts, and its text by folded name of the known columns.

    Every known column is there; an empty cell, or one of a column that the sheet lacks, is "".
    """

    line: int
    cells: Mapping[str, str]


@dataclass(frozen=True)
class RowProblem:
    """What is wrong with one row: its line, the column where one is to blame, words, and a stable code."""

    line: int
    column: str | None
    words: str
    code: str = "bad_cell"


@dataclass(frozen=True)
class Sheet:
    """A sheet as it was read. Rows that could not be read are not among `rows` but among `problems`."""

    columns: tuple[str, ...]
    """Folded names of the known columns that it has, in its order."""
    rows: tuple[SheetRow, ...]
    delimiter: str
    encoding: str
    unknown_columns: tuple[str, ...]
    """Names that nobody asked for, as they are written; their cells are left out."""
    problems: tuple[RowProblem, ...] = ()


def fold(name: str) -> str:
    """Give a column's name as it is compared: small letters, and one _ for each run of spaces."""
    return "_".join(unicodedata.normalize("NFC", name).lower().split())


def read_sheet(data: bytes, *, needs: Sequence[str], knows: Sequence[str]) -> Sheet:
    """Give the rows of a CSV file whose first filled line names its columns.

    `needs` are the folded names that must be there, `knows` those that may. UTF-8 with or without a mark, UTF-16 with
    one, else Windows-1252; comma, semicolon or tab, whichever the header has most of. Empty rows are left out; a row
    may have fewer cells than the header, and more only where they are empty. The apostrophe that `write_sheet` puts
    before a would-be formula is taken away again.
    Errors: BadInput where the file as a whole cannot be read; what is wrong with one row is among `problems`.
    Source: RFC 4180, section 2, for quotes and line ends.
    """
    text, encoding = _decoded(data)
    delimiter = _delimiter_of(text)
    records = _records(text, delimiter)
    _, header = next(records, (0, []))
    if not header:
        raise BadInput("empty_sheet", "The file is empty. Its first line must name the columns.")
    names = _names(header, needs)
    may = dict.fromkeys((*needs, *knows), "")
    known = {name: at for at, name in enumerate(names) if name in may}
    rows, problems = _rows(records, known, empty=may, width=len(names))
    return Sheet(
        columns=tuple(known),
        rows=rows,
        delimiter=delimiter,
        encoding=encoding,
        unknown_columns=tuple(header[at].strip() for at, name in enumerate(names) if name not in known),
        problems=problems,
    )


@dataclass(frozen=True)
class Record:
    """One filled row of a sheet, whatever it holds: the line on which it starts, and its cells as they are written."""

    line: int
    cells: tuple[str, ...]


def records_of(data: bytes) -> tuple[Record, ...]:
    """Give every filled row of a sheet that may have anything above its heading. Errors: BadInput as `read_sheet`."""
    text, _ = _decoded(data)
    records, count = [], 0
    for line, cells in _records(text, _usual_delimiter(text)):
        count += len(cells)
        if len(cells) > MOST_COLUMNS:
            words = f"Line {line} has more than {MOST_COLUMNS} columns. Remove those unneeded."
            raise BadInput("too_many_columns", words)
        if count > MOST_CELLS:
            raise BadInput("too_many_cells", f"The sheet has more than {MOST_CELLS} cells. Send it in parts.")
        records.append(Record(line, tuple(cells)))
    return tuple(records)


def rewritten(header: Sequence[tuple[int, str]], records: Iterable[Record], *, header_line: int) -> bytes:
    """Give a CSV file that has some columns of these rows, each row on the line on which it was.

    `header` has the place of each column, from 0, and its name. `read_sheet` reads it.
    """
    out = io.StringIO(newline="")
    writer = csv.writer(out, lineterminator="\n")
    at = 1
    head = Record(header_line, tuple(name for _, name in header))
    for record in (head, *records):
        out.write("\n" * (record.line - at))
        cells = record.cells if record is head else [_cell(record, column) for column, _ in header]
        writer.writerow([guarded(cell.replace("\r\n", "\n").replace("\r", "\n")) for cell in cells])
        at = record.line + 1 + sum(cell.count("\n") for cell in cells)
    return out.getvalue().encode(errors="replace")


def _cell(record: Record, at: int) -> str:
    return record.cells[at] if at < len(record.cells) else ""


def _usual_delimiter(text: str) -> str:
    """Ask the first lines together: a title above the heading may have none, or another."""
    lines = [line for line in text.splitlines()[:_LINES_ASKED] if line.strip()]

    def weight(delimiter: str) -> tuple[int, int]:
        often = Counter(filter(None, (_outside_quotes(line, delimiter) for line in lines))).most_common(1)
        return (often[0][1], often[0][0]) if often else (0, 0)

    first = _delimiter_of(text)
    best = max(DELIMITERS, key=lambda one: (*weight(one), one == first))
    return best if any(weight(best)) else first


def _outside_quotes(line: str, letter: str) -> int:
    return sum(part.count(letter) for part in line.split('"')[::2])


def _decoded(data: bytes) -> tuple[str, str]:
    if data.startswith(_NOT_TEXT):
        words = "This is a workbook, picture or archive, not a text sheet. Open it and save it as CSV (UTF-8)."
        raise BadInput("not_a_text_sheet", words)
    for encoding in _encodings(data):
        try:
            text = data.decode(encoding)
        except UnicodeDecodeError:
            continue
        if "\0" in text:
            continue
        if max(text.count("\n"), text.count("\r")) > MOST_LINES:
            raise BadInput("too_many_lines", f"The sheet has more than {MOST_LINES} lines. Send it in parts.")
        return text, encoding
    raise BadInput("not_a_text_sheet", "The file's letters cannot be read. Save it as CSV (UTF-8) and send it again.")


def _encodings(data: bytes) -> tuple[str, ...]:
    if data.startswith(_UTF8_BOM):
        return ("utf-8-sig",)
    if data.startswith(_UTF16_BOMS):
        return ("utf-16",)
    return ("utf-8", "cp1252")


def _delimiter_of(text: str) -> str:
    """Ask the header only: a cell below it may hold any number of commas."""
    counts: Counter[str] = Counter()
    quoted = False
    for letter in text.lstrip():
        if letter == '"':
            quoted = not quoted
        elif not quoted and letter in "\r\n":
            break
        elif not quoted:
            counts[letter] += 1
    return max(DELIMITERS, key=lambda delimiter: counts[delimiter])


def _records(text: str, delimiter: str) -> Iterator[tuple[int, list[str]]]:
    """Give each record that is not blank, and the line on which it starts."""
    reader = csv.reader(io.StringIO(text, newline=""), delimiter=delimiter, strict=True)
    while True:
        line = reader.line_num + 1
        try:
            cells = next(reader, None)
        except csv.Error:
            words = f"From line {line} on, a quotation mark is out of place or never closed. Correct that line."
            raise BadInput("bad_quotes", words) from None
        if cells is None:
            return
        filled = [unguarded(cell) for cell in cells]
        if any(cell.strip() for cell in filled):
            yield line, filled


def _names(header: Sequence[str], needs: Sequence[str]) -> list[str]:
    names = [fold(name) for name in header]
    while not names[-1]:
        names.pop()
    if "" in names:
        raise BadInput("unnamed_column", f"Column {names.index('') + 1} has no name. Name it in the first line.")
    twice = [name for name, times in Counter(names).items() if times > 1]
    if twice:
        raise BadInput("column_twice", f"More than one column is called “{twice[0]}”. Rename or remove one.")
    missing = [name for name in needs if name not in names]
    if missing:
        words = f"The sheet lacks the column {_listed(missing)}. Its first line has {_listed(names)}."
        raise BadInput("missing_column", words)
    return names


def _listed(names: Iterable[str]) -> str:
    return ", ".join(f"“{name}”" for name in names)


def _rows(
    records: Iterable[tuple[int, list[str]]], known: Mapping[str, int], *, empty: dict[str, str], width: int
) -> tuple[tuple[SheetRow, ...], tuple[RowProblem, ...]]:
    rows, problems = [], []
    for line, cells in records:
        # empty cells beyond the header are what spreadsheets leave behind
        if any(cell.strip() for cell in cells[width:]):
            words = f"The row has {len(cells)} cells and the first line {width} names. Put quotes around the delimiter."
            problems.append(RowProblem(line, None, words, "too_many_cells"))
            continue
        filled = {name: cells[at] for name, at in known.items() if at < len(cells)}
        rows.append(SheetRow(line, empty | filled))
    return tuple(rows), tuple(problems)


def _canonical(cell: str) -> str:
    lines = cell.replace("\r\n", "\n").replace("\r", "\n")
    return unicodedata.normalize("NFC", lines).strip()


def row_digest(cells: Mapping[str, str]) -> str:
    """Give the SHA-256 of what a row says, in hexadecimal.

    The order of the columns, empty cells, spaces around a cell and the kind of line end make no difference.
    """
    says = sorted((name, _canonical(cell)) for name, cell in cells.items() if _canonical(cell))
    return hashlib.sha256(json.dumps(says, ensure_ascii=True).encode()).hexdigest()


def row_key(cells: Mapping[str, str], id_column: str = DEFAULT_ID_COLUMN, *, nth: int = 1) -> str:
    """Give the key by which a row is known again in a later file.

    Its own id where that is filled ("id:..."), else its content and its `nth` occurrence ("row:<digest>:<nth>").
    """
    own = _canonical(cells.get(id_column, ""))
    return f"id:{own}" if own else f"row:{row_digest(cells)}:{nth}"


def row_keys(sheet: Sheet, id_column: str = DEFAULT_ID_COLUMN) -> list[str]:
    """Give each row's key, in the order of the rows: the same file gives the same keys.

    Two rows have one key only where they have one id; `key_problems` reports those.
    """
    seen: Counter[str] = Counter()
    keys = []
    for row in sheet.rows:
        digest = row_digest(row.cells)
        seen[digest] += 1
        keys.append(row_key(row.cells, id_column, nth=seen[digest]))
    return keys


def key_problems(sheet: Sheet, id_column: str = DEFAULT_ID_COLUMN) -> tuple[RowProblem, ...]:
    """Give a problem for each row whose own id stands on an earlier row already."""
    first: dict[str, SheetRow] = {}
    problems = []
    for row, key in zip(sheet.rows, row_keys(sheet, id_column), strict=True):
        earlier = first.setdefault(key, row)
        if earlier is not row:
            problems.append(_repeated(row, earlier, id_column))
    return tuple(problems)


def _repeated(row: SheetRow, earlier: SheetRow, id_column: str) -> RowProblem:
    own = _canonical(row.cells[id_column])
    if row_digest(row.cells) == row_digest(earlier.cells):
        words = f"The row with the id “{own}” stands on line {earlier.line} already. Remove one of the two."
        return RowProblem(row.line, id_column, words, "row_twice")
    words = f"The id “{own}” stands on line {earlier.line} with other content. Give each row an id of its own."
    return RowProblem(row.line, id_column, words, "id_twice")


def guarded(cell: str) -> str:
    """Give a cell that no spreadsheet runs: a would-be formula gets an apostrophe before it.

    Plain numbers such as -12.5 stay as they are, so that they can be added up. A text that looks guarded already gets
    one more, so that `unguarded` always gives back what was written.
    Source: OWASP, CSV Injection (owasp.org/www-community/attacks/CSV_Injection), its list of first characters.
    """
    runs = cell.lstrip(_MARK + " ")[:1] in _RUNS
    return _MARK + cell if runs and not _PLAIN_NUMBER.fullmatch(cell) else cell


def unguarded(cell: str) -> str:
    """Give the cell as it was before `guarded`; any other cell stays as it is."""
    if cell.startswith(_MARK) and cell.lstrip(_MARK + " ")[:1] in _RUNS:
        return cell[len(_MARK) :]
    return cell


def write_sheet(header: Sequence[str], rows: Iterable[Sequence[str]]) -> bytes:
    """Give a CSV file: commas, quotes where needed, CRLF, UTF-8 with a mark at its beginning.

    The mark is there because spreadsheets take a file without one for the machine's old code page, and so spoil
    accents (common practice). Would-be formulas are made safe by `guarded`; NUL characters, which no sheet can hold,
    are left out. `read_sheet` reads the same cells back.
    Source: RFC 4180, section 2.
    """
    out = io.StringIO(newline="")
    writer = csv.writer(out, lineterminator="\r\n")
    for cells in (header, *rows):
        writer.writerow([guarded(cell.replace("\0", "")) for cell in cells])
    return _UTF8_BOM + out.getvalue().encode(errors="replace")
