"""Workbooks: the first sheet of an XLSX file as the text sheet that the imports read.

The drafts call it. It must not know what a column means.
Source: ECMA-376 as openpyxl reads it.
"""

import csv
import io
import zipfile
from datetime import date, datetime, time
from typing import Any

from openpyxl import load_workbook
from openpyxl.utils.exceptions import InvalidFileException

from spoolkeep.domain.errors import BadInput

SIGN = b"PK\x03\x04"
_MOST_UNPACKED = 400 << 20
_DAMAGED = (
    zipfile.BadZipFile,
    InvalidFileException,
    KeyError,
    ValueError,
    TypeError,
    AttributeError,
    EOFError,
    OSError,
)


def as_text_sheet(data: bytes) -> bytes:
    """Give the active sheet of a workbook as CSV in UTF-8; any other file as it is.

    Dates are written as 2026-03-01, moments as 2026-03-01 14:05:00, whole numbers without a point.
    Errors: BadInput where the workbook cannot be read or unpacks to more than anybody's sheet.
    """
    if not data.startswith(SIGN):
        return data
    try:
        with zipfile.ZipFile(io.BytesIO(data)) as package:
            if sum(one.file_size for one in package.infolist()) > _MOST_UNPACKED:
                raise BadInput("too_large", "The workbook unpacks to more than 400 MB. Save its sheet as CSV.")
        book = load_workbook(io.BytesIO(data), read_only=True, data_only=True)
        out = io.StringIO(newline="")
        writer = csv.writer(out, lineterminator="\n")
        for row in book.active.iter_rows(values_only=True):
            writer.writerow([_written(cell) for cell in row])
    except _DAMAGED:
        words = "The workbook cannot be read: it is damaged, locked, or of another kind. Save its sheet as CSV."
        raise BadInput("not_a_workbook", words) from None
    return out.getvalue().encode()


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
