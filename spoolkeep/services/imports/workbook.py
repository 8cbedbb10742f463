"""Workbooks: the first sheet of an XLSX file as the text sheet that the imports read.

The web calls it, outside every session, and the drafts. It must not know what a column means. Whoever sent the file may
wish us ill: what it unpacks to is bounded before anything of it is built.
Source: ECMA-376 as openpyxl reads it.
"""

import csv
import io
import threading
import warnings
import zipfile
import zlib
from collections.abc import Iterator
from datetime import date, datetime, time
from typing import Any
from xml.parsers import expat

from openpyxl import load_workbook
from openpyxl.utils.exceptions import InvalidFileException

from spoolkeep.domain.errors import BadInput, TooMany

SIGN = b"PK\x03\x04"
MOST_UNPACKED = 100 << 20
MOST_MARKS = 3_000_000
"""Tags of all parts, of opening and of closing: a sheet of 50,000 rows with 12 columns has so many. They are what takes
memory. Source: measured, tests/benchmarks/hostile.py."""
MOST_PARTS, MOST_COLUMNS, MOST_ROWS, MOST_LETTERS = 1_000, 500, 200_000, 64 << 20
"""Files in the package; columns and rows of the sheet, and letters of its cells. Source: our own choice."""
WAIT_S = 10.0
"""How long a workbook waits for the one before it. Source: our own choice; a large one takes about that."""
_PART_SIGN = b"PK\x01\x02"
_STEP = 1 << 16
_DAMAGED = (
    zipfile.BadZipFile,
    zlib.error,
    InvalidFileException,
    SyntaxError,
    expat.ExpatError,
    LookupError,
    ValueError,
    TypeError,
    AttributeError,
    ArithmeticError,
    AssertionError,
    RuntimeError,
    EOFError,
    OSError,
    csv.Error,
)
"""What the libraries raise of files that are not what they say."""
_one_at_a_time = threading.Lock()
# it warns of what no import needs, each cell anew, which would fill the log
warnings.filterwarnings("ignore", module=r"openpyxl\.")


class _HasBegunError(Exception):
    """The first element of a part begins, after which no document type can come."""


def as_text_sheet(data: bytes) -> bytes:
    """Give the active sheet of a workbook as CSV in UTF-8; any other file as it is.

    Dates are written as 2026-03-01, moments as 2026-03-01 14:05:00, whole numbers without a point.
    Errors: BadInput where the workbook cannot be read or unpacks to more than anybody's sheet; TooMany.
    """
    if not data.startswith(SIGN):
        return data
    if not _one_at_a_time.acquire(timeout=WAIT_S):
        raise TooMany("too_many_workbooks", "Other workbooks are being read. Send it again in half a minute.")
    try:
        return _text_of(data)
    except _DAMAGED:
        words = "The workbook cannot be read: it is damaged, locked, or of another kind. Save its sheet as CSV."
        raise BadInput("not_a_workbook", words) from None
    finally:
        _one_at_a_time.release()


def _text_of(data: bytes) -> bytes:
    if data.count(_PART_SIGN) > MOST_PARTS:
        raise _too_large(f"holds more than {MOST_PARTS} parts")
    with zipfile.ZipFile(io.BytesIO(data)) as package:
        _look_through(package, len(data))
    out = io.StringIO(newline="")
    writer = csv.writer(out, lineterminator="\n")
    book = load_workbook(io.BytesIO(data), read_only=True, data_only=True, keep_links=False)
    for row in _rows(book.active):
        writer.writerow([_written(cell) for cell in row])
        if out.tell() > MOST_LETTERS:
            raise _too_large(f"has more than {MOST_LETTERS >> 20} million letters")
    return out.getvalue().encode()


def _rows(sheet: Any) -> Iterator[tuple[Any, ...]]:  # noqa: ANN401 - openpyxl ships no types
    """Give the rows of a sheet up to its last cell, whatever the sheet says of its size. Errors: BadInput."""
    sheet.reset_dimensions()
    for number, row in enumerate(sheet.iter_rows(values_only=True), start=1):
        if number > MOST_ROWS:
            raise _too_large(f"has more than {MOST_ROWS} rows")
        if len(row) > MOST_COLUMNS:
            raise _too_large(f"has more than {MOST_COLUMNS} columns")
        yield row


def _look_through(package: zipfile.ZipFile, size: int) -> None:
    """Refuse a package that unpacks to too much, by what is in it and not by what it says. Errors: BadInput."""
    parts = package.infolist()
    if sum(part.file_size for part in parts) > MOST_UNPACKED:
        raise _too_large(f"unpacks to more than {MOST_UNPACKED >> 20} MB")
    if sum(part.compress_size for part in parts) > size:
        raise zipfile.BadZipFile  # two parts share bytes, as no program writes them
    marks = 0
    for part in parts:
        if part.compress_type not in {zipfile.ZIP_STORED, zipfile.ZIP_DEFLATED}:
            raise zipfile.BadZipFile  # Source: ECMA-376-2, annex B: stored or deflated
        if part.filename.lower().endswith((".xml", ".rels")):
            _refuse_document_types(package, part)
        with package.open(part) as content:
            while piece := content.read(_STEP):
                marks += piece.count(b"<")
        if marks > MOST_MARKS:
            raise _too_large(f"holds more than {MOST_MARKS} marks")


def _refuse_document_types(package: zipfile.ZipFile, part: zipfile.ZipInfo) -> None:
    """Refuse a part that declares a document type, by which entities grow or other files are read.

    Source: ECMA-376-2, 6.2.5: no part of a package has one.
    """

    def began(*_told: object) -> None:
        raise _HasBegunError

    def declares(*_told: object) -> None:
        raise zipfile.BadZipFile

    reader = expat.ParserCreate()
    reader.StartElementHandler, reader.StartDoctypeDeclHandler = began, declares
    with package.open(part) as content:
        try:
            while piece := content.read(_STEP):
                reader.Parse(piece, False)  # noqa: FBT003 - as expat has it
        except _HasBegunError:
            return


def _too_large(why: str) -> BadInput:
    return BadInput("too_large", f"The workbook {why}. Save its sheet as CSV, or send it in parts.")


def _written(cell: Any) -> str:  # noqa: ANN401 - whatever a cell holds
    if cell is None:
        return ""
    if isinstance(cell, datetime):
        midnight = cell.time() == time()
        return cell.date().isoformat() if midnight else cell.isoformat(" ", "seconds")
    if isinstance(cell, date | time):
        return cell.isoformat()
    if isinstance(cell, float):
        return str(int(cell)) if cell.is_integer() else repr(cell)
    return str(cell)
