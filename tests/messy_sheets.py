"""A spreadsheet as a workshop keeps one: nobody cleaned it for us. Invented; what it says is told beside it."""

import csv
import io
from collections.abc import Sequence
from datetime import date

from openpyxl import Workbook

Cell = str | int | float | date | None

TITLE: tuple[tuple[Cell, ...], ...] = (
    ("Plastic on our shelves, spring count",),
    (),
    (None, "kept by the bench", None, None, "please keep the order"),
    (),
)
HEAD: tuple[tuple[Cell, ...], ...] = (
    ("Filament", None, "Weight", None, "Qty", "Price", "Bought", "Where", None, "Notes"),
    (None, None, "now", "full", None, None, None, None, None, None),
)
ROWS: tuple[tuple[Cell, ...], ...] = (
    ("PLA Chalk", None, "850 g", "1 kg", None, "19,90 €", date(2026, 1, 12), "Shelf A", None, "opened"),
    ("PLA chalk white", None, "0,85 kg", "1 kg", 1, "EUR 19.90", "13.1.26", "Shelf A", None, None),
    (),
    ("Chalk-White PLA", None, "1 kg", "1 kg", "3 x", "19,90 €", "14 Jan 2026", "shelf a", None, "sealed"),
    ("PLA Chalk", None, 640, 1000, 1, "19,90", "2026-01-20", "Shelf B", None, None),
    ("PETG Signal red", None, "500 g", "750 g", 1, "22,50 €", "25/1/2026", "Dry box", None, None),
    ("PETG signal  red", None, "750 g", "750 g", 2, "22,50 €", "3/2/2026", "Dry box", None, "for the lamps"),
    ("TPU Black", None, "210", "500 g", None, "€ 28,00", "5. 2. 2026", "Dry box", None, None),
)
TOTALS: tuple[tuple[Cell, ...], ...] = ((), ("Total", None, "7,1 kg", None, 10, "213,40 €"))
SPOOLS = 10
"""1 + 1 + 3 + 1 of chalk, 1 + 2 of red, 1 of black."""
LEFT_G = 850 + 850 + 3 * 1000 + 640 + 500 + 2 * 750 + 210


def rows(more: Sequence[Sequence[Cell]] = ()) -> tuple[tuple[Cell, ...], ...]:
    """Give the whole sheet; `more` rows stand before the total."""
    return (*TITLE, *HEAD, *ROWS, *(tuple(row) for row in more), *TOTALS)


def as_csv(more: Sequence[Sequence[Cell]] = ()) -> bytes:
    """Give it as a spreadsheet of that habit saves it: semicolons and the old code page."""
    out = io.StringIO(newline="")
    width = max(map(len, rows(more)))
    for row in rows(more):
        written = ["" if cell is None else str(cell) for cell in row]
        csv.writer(out, delimiter=";").writerow([*written, *[""] * (width - len(written))])
    return out.getvalue().encode("cp1252")


def as_workbook(more: Sequence[Sequence[Cell]] = ()) -> bytes:
    """Give it as a workbook, its title and its double heading merged as people do."""
    book, out = Workbook(), io.BytesIO()
    for row in rows(more):
        book.active.append(row)
    for merged in ("A1:J1", "A5:A6", "C5:D5", "E5:E6"):
        book.active.merge_cells(merged)
    book.save(out)
    return out.getvalue()
