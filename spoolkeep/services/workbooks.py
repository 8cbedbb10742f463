"""Tables that a spreadsheet opens, as CSV or as workbook: a header row that stays in sight, and cells of true types.

Whoever hands out tables calls it. It must not know what a column means.
Source: ECMA-376 as openpyxl writes it.
"""

import io
import re
import zipfile
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import UTC, date, datetime
from decimal import Decimal

from openpyxl import Workbook
from openpyxl.cell.cell import ILLEGAL_CHARACTERS_RE
from openpyxl.styles import Font
from openpyxl.utils import get_column_letter

from spoolkeep.domain.sheets import write_sheet

Cell = str | int | Decimal | date | None
_NO_SHEET_NAME = re.compile(r"[\\/*?:\[\]]")
_MOST_NAME = 31
_LEAST_WIDTH, _MOST_WIDTH = 8, 48
_FIRST_DATE = (1980, 1, 1, 0, 0, 0)
"""The earliest that a ZIP file can say: the same table gives the same bytes."""


@dataclass(frozen=True)
class Table:
    """A table that a spreadsheet reads; a day with an hour in it is the shop's wall clock."""

    name: str
    header: tuple[str, ...]
    rows: tuple[tuple[Cell, ...], ...]
    made_on: date

    def as_csv(self) -> bytes:
        """Give it as CSV; would-be formulas are made safe."""
        return write_sheet(self.header, [["" if cell is None else str(cell) for cell in row] for row in self.rows])

    def as_workbook(self) -> bytes:
        """Give it as XLSX; what looks like a formula is a text."""
        return write_workbook(self.name, self.header, self.rows, made_on=self.made_on)


def write_workbook(name: str, header: Sequence[str], rows: Iterable[Sequence[Cell]], *, made_on: date) -> bytes:
    """Give an XLSX file. Texts are texts whatever they begin with, so that nothing is run; numbers and days are such.

    The same input gives the same bytes.
    """
    book = Workbook()
    book.properties.creator = "Spoolkeep"
    book.properties.created = book.properties.modified = datetime.combine(made_on, datetime.min.time(), tzinfo=UTC)
    sheet = book.active
    sheet.title = _NO_SHEET_NAME.sub("-", name)[:_MOST_NAME] or "Sheet"
    widths = [len(title) for title in header]
    for at, cells in enumerate((header, *rows), start=1):
        for column, value in enumerate(cells, start=1):
            cell = sheet.cell(at, column)
            cell.value = ILLEGAL_CHARACTERS_RE.sub("", value) if isinstance(value, str) else value
            if isinstance(value, str):
                cell.data_type = "s"
            if isinstance(value, Decimal):
                cell.number_format = "0" + ("." + "0" * places if (places := _decimals(value)) else "")
            widths[column - 1] = max(widths[column - 1], len(str(value or "")))
    for column, width in enumerate(widths, start=1):
        sheet.cell(1, column).font = Font(bold=True)
        sheet.column_dimensions[get_column_letter(column)].width = min(max(width + 2, _LEAST_WIDTH), _MOST_WIDTH)
    sheet.freeze_panes = "A2"
    out = io.BytesIO()
    book.save(out)
    return _without_moments(out.getvalue(), made_on)


def _decimals(value: Decimal) -> int:
    exponent = value.as_tuple().exponent
    return -exponent if isinstance(exponent, int) and exponent < 0 else 0


def _without_moments(data: bytes, made_on: date) -> bytes:
    """Give the same archive without the moments at which its parts were written."""
    out = io.BytesIO()
    changed = f"{made_on.isoformat()}T00:00:00Z".encode()
    with zipfile.ZipFile(io.BytesIO(data)) as old, zipfile.ZipFile(out, "w", zipfile.ZIP_DEFLATED) as new:
        for part in old.infolist():
            content = old.read(part)
            if part.filename == "docProps/core.xml":
                content = re.sub(rb"(<dcterms:modified[^>]*>)[^<]*", rb"\g<1>" + changed, content)
            new.writestr(zipfile.ZipInfo(part.filename, _FIRST_DATE), content, zipfile.ZIP_DEFLATED)
    return out.getvalue()
