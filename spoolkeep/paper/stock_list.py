"""The stock list of a day: every spool by item, with room to write what a person counts, and to sign.

Services hand it over. It must not know the books; every word and figure on it is a parameter.
"""

import io
from collections.abc import Iterator
from dataclasses import dataclass

from reportlab.lib.pagesizes import A4
from reportlab.lib.units import mm
from reportlab.pdfgen.canvas import Canvas

from spoolkeep.paper.document import begun
from spoolkeep.paper.letters import Face, broken, draw, draw_right, fit

_LEFT, _RIGHT = 18 * mm, A4[0] - 15 * mm
_TOP, _FLOOR = A4[1] - 16 * mm, 20 * mm
_WHOLE = _RIGHT - _LEFT
_TITLE, _BODY, _SMALL = 16.0, 9.0, 7.5
_STEP, _GROUP, _GAP = 6.2 * mm, 8.5 * mm, 2 * mm
_SIGNATURES = 34 * mm
_EDGES = tuple(_LEFT + _WHOLE * share for share in (0.0, 0.22, 0.44, 0.58, 0.73, 0.86, 1.0))
_FIGURES = (False, False, False, True, True, True)


@dataclass(frozen=True)
class CountedSpool:
    """One spool: its code, place and lot, its grams by the books and its value, as they are written."""

    code: str
    place: str
    lot: str
    grams: str
    value: str


@dataclass(frozen=True)
class CountedItem:
    """One item with its spools, and its sums."""

    name: str
    grams: str
    value: str
    spools: tuple[CountedSpool, ...]


@dataclass(frozen=True)
class StockSheet:
    """A stock list."""

    workshop: str
    title: str
    about: str
    """How it is valued."""
    items: tuple[CountedItem, ...]
    grams: str
    value: str
    caution: str
    stamp: str
    """The moment in the file's own dates, like 20260304173000."""


@dataclass(frozen=True)
class _Row:
    cells: tuple[str, ...]
    is_head: bool

    @property
    def height(self) -> float:
        return float(_GROUP if self.is_head else _STEP)


def stock_list(sheet: StockSheet) -> bytes:
    """Give the PDF, A4; the same input gives the same bytes."""
    out = io.BytesIO()
    canvas = begun(out, A4, title=sheet.title, stamp=sheet.stamp, author=sheet.workshop)
    pages = list(_paged(sheet))
    for number, rows in enumerate(pages, 1):
        y = _head(canvas, sheet) if number == 1 else _TOP
        y = _columns(canvas, y)
        for row in rows:
            y = _row(canvas, row, y)
        if number == len(pages):
            _end(canvas, sheet, y)
        foot = f"{sheet.title}, page {number} of {len(pages)}"
        draw(canvas, fit(sheet.workshop, Face.TEXT, _SMALL, width=_WHOLE / 2), _LEFT, _FLOOR - 8 * mm)
        draw_right(canvas, fit(foot, Face.TEXT, _SMALL, width=_WHOLE / 2), _RIGHT, _FLOOR - 8 * mm)
        canvas.showPage()
    canvas.save()
    return out.getvalue()


def _rows(sheet: StockSheet) -> Iterator[_Row]:
    for item in sheet.items:
        yield _Row((item.name, "", "", item.grams, "", item.value), is_head=True)
        for one in item.spools:
            yield _Row((one.code, one.place, one.lot, one.grams, "", one.value), is_head=False)


def _paged(sheet: StockSheet) -> Iterator[list[_Row]]:
    """Give the rows page by page: a heading never stands alone at a page's foot, and the end has its room."""
    room = _TOP - _FLOOR - _head_height(sheet) - _STEP
    rows, page = list(_rows(sheet)), list[_Row]()
    for at, row in enumerate(rows):
        needs = row.height + (_STEP if row.is_head and at + 1 < len(rows) else 0)
        if page and room < needs:
            yield page
            page, room = [], _TOP - _FLOOR - _STEP
        page.append(row)
        room -= row.height
    if room < _SIGNATURES:
        yield page
        page = []
    yield page


def _head_height(sheet: StockSheet) -> float:
    return float(_TITLE + _SMALL * 1.8 + 3 * mm + len(_about(sheet)) * _BODY * 1.35 + 3 * mm)


def _about(sheet: StockSheet) -> list[str]:
    return broken(sheet.about, Face.TEXT, _BODY, width=_WHOLE)


def _head(canvas: Canvas, sheet: StockSheet) -> float:
    y = _TOP - _TITLE
    draw(canvas, fit(sheet.title, Face.STRONG, _TITLE, width=_WHOLE), _LEFT, y)
    y -= _SMALL * 1.8
    draw(canvas, fit(sheet.workshop, Face.TEXT, _SMALL, width=_WHOLE), _LEFT, y)
    y -= 3 * mm
    for words in _about(sheet):
        y -= _BODY * 1.35
        draw(canvas, fit(words, Face.TEXT, _BODY, width=_WHOLE), _LEFT, y)
    return float(y - 3 * mm)


def _columns(canvas: Canvas, y: float) -> float:
    titles = ("Spool", "Place today", "Lot", "By the books", "Counted", "Value")
    _cells(canvas, titles, y - _STEP + _GAP, size=_SMALL, face=Face.TEXT)
    _rule(canvas, y - _STEP, width=0.9)
    return float(y - _STEP)


def _row(canvas: Canvas, row: _Row, y: float) -> float:
    foot = y - row.height
    face = Face.STRONG if row.is_head else Face.TEXT
    if row.is_head:
        name, *others = row.cells
        draw(canvas, fit(name, face, _BODY, width=_EDGES[3] - _LEFT - _GAP), _LEFT, foot + _GAP)
        _cells(canvas, ("", *others), foot + _GAP, size=_BODY, face=face)
        _rule(canvas, foot, width=0.6)
    else:
        _cells(canvas, row.cells, foot + _GAP, size=_BODY, face=face)
        canvas.setLineWidth(0.4)
        canvas.setStrokeGray(0)
        canvas.line(_EDGES[4] + _GAP, foot + _GAP - 1, _EDGES[5], foot + _GAP - 1)
        _rule(canvas, foot, width=0.2)
    return foot


def _cells(canvas: Canvas, cells: tuple[str, ...], y: float, *, size: float, face: Face) -> None:
    for at, (text, is_figure) in enumerate(zip(cells, _FIGURES, strict=True)):
        line = fit(text, face, size, width=_EDGES[at + 1] - _EDGES[at] - _GAP)
        if is_figure:
            draw_right(canvas, line, _EDGES[at + 1], y)
        else:
            draw(canvas, line, _EDGES[at], y)


def _end(canvas: Canvas, sheet: StockSheet, y: float) -> None:
    """Draw the sums, and the lines to sign on."""
    _cells(canvas, ("All of it", "", "", sheet.grams, "", sheet.value), y - 6 * mm, size=_BODY, face=Face.STRONG)
    _rule(canvas, y - 8 * mm, width=0.9)
    y -= 21 * mm
    for at, words in enumerate(("Counted by", "On", "Signature")):
        left = _LEFT + _WHOLE * at / 3
        canvas.setLineWidth(0.5)
        canvas.setStrokeGray(0)
        canvas.line(left, y, left + _WHOLE / 3 - 6 * mm, y)
        draw(canvas, fit(words, Face.TEXT, _SMALL, width=_WHOLE / 3), left, y - _SMALL * 1.3)
    y -= 5 * mm
    for words in broken(sheet.caution, Face.TEXT, _SMALL, width=_WHOLE):
        y -= _SMALL * 1.35
        draw(canvas, fit(words, Face.TEXT, _SMALL, width=_WHOLE), _LEFT, y)


def _rule(canvas: Canvas, y: float, *, width: float) -> None:
    canvas.setStrokeGray(0 if width > 0.5 else 0.6)  # noqa: PLR2004 - a thin one is grey
    canvas.setLineWidth(width)
    canvas.line(_LEFT, y, _RIGHT, y)
