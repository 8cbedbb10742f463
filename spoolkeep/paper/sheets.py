"""The sheet that orders more from a supplier: A4 pages to the bytes of a PDF, and the same as rows for a spreadsheet.

Services call it. It must not know the books; the day on the sheet is a parameter.
"""

import io
from collections.abc import Sequence
from dataclasses import dataclass, replace
from datetime import date
from decimal import Decimal

from reportlab.lib.pagesizes import A4
from reportlab.lib.units import mm
from reportlab.pdfgen.canvas import Canvas

from spoolkeep.domain.codes import Code
from spoolkeep.domain.errors import BadInput
from spoolkeep.domain.formats import Formats, currency_decimals
from spoolkeep.paper.barcode import QUIET_X, Symbol, bars_of, modules_of
from spoolkeep.paper.document import begun
from spoolkeep.paper.ink import Ink
from spoolkeep.paper.letters import ELLIPSIS, Face, broken, draw, draw_right, face_for, fit, printable
from spoolkeep.paper.stocks import Grid

_LEFT, _RIGHT = 18 * mm, A4[0] - 18 * mm
_TOP, _FOOT = A4[1] - 18 * mm, 14 * mm
_FLOOR = 22 * mm
"""Below this only the number of the page is written."""
_WHOLE = _RIGHT - _LEFT
_HALF = _WHOLE / 2 - 5 * mm
_BODY, _SMALL, _NAME, _TITLE = 9.0, 8.0, 11.0, 20.0
_LEADING = 1.35
_HEAD, _PAD = 8 * mm, 2 * mm
_SUM = 5.5 * mm
_FRAME = 3 * mm
_GUTTER = 1.5 * mm
_INK, _RULE = 0.0, 0.65
_OFFICE = Grid(600)
"""The dots on which an order's code is drawn: office printers have 600 an inch, or a multiple."""
_X_DOTS = 9
_LEAST_FIGURE = 0.4
"""A figure is made smaller rather than cut."""
_MOST_ADDRESS_LINES, _MOST_LINES = 8, 24
"""Beyond these a sheet would run off its page: no name that an import takes comes near."""


@dataclass(frozen=True)
class ReorderLine:
    """One article of an order: the plastic on a spool, spools in a pack and in all, and the price of one spool."""

    article: str
    their_number: str
    spool_mg: int
    pack: int
    spools: int
    price_minor: int
    total_minor: int


@dataclass(frozen=True)
class ReorderSheet:
    """An order to one supplier. Amounts are in minor units of `currency`."""

    order_code: Code | None
    reference: str
    """By which we know the order; empty while it is planned only."""
    supplier: str
    workshop: str
    address: str
    drawn_on: date
    needed_by: date | None
    lines: tuple[ReorderLine, ...]
    notes: str
    currency: str
    supplier_address: str = ""
    freight_minor: int = 0
    """What the parcel costs."""
    terms: tuple[str, ...] = ()
    """Sentences about what bears on the price."""

    @property
    def goods_minor(self) -> int:
        """Give the sum of all lines."""
        return sum(line.total_minor for line in self.lines)

    @property
    def total_minor(self) -> int:
        """Give the sum of all lines and the parcel."""
        return self.goods_minor + self.freight_minor

    @property
    def shown_reference(self) -> str:
        """Give the reference for the eye: an order's code in groups."""
        code = self.order_code
        return code.grouped if code and code.text == self.reference else self.reference


@dataclass(frozen=True)
class _Column:
    title: str
    left: float
    right: float
    is_figure: bool

    @property
    def room(self) -> float:
        return float(self.right - self.left - _GUTTER)


def _columns(*parts: tuple[str, float, bool]) -> tuple[_Column, ...]:
    """Lay columns side by side; their widths are shares of the room between the margins."""
    found, left, whole = [], _LEFT, sum(share for _, share, _ in parts)
    for title, share, is_figure in parts:
        right = left + _WHOLE * share / whole
        found.append(_Column(title, left, right, is_figure))
        left = right
    return tuple(found)


_COLUMNS = _columns(
    ("Article", 56, False),
    ("Your number", 33, False),
    ("A spool", 19, True),
    ("Pack", 12, True),
    ("Spools", 15, True),
    ("Price a spool", 25, True),
    ("Total", 24, True),
)
_SPOOLS = _COLUMNS[4]


@dataclass(frozen=True)
class _Row:
    """A line of the table: its words broken to the columns, and how many sums stand under it before the total."""

    cells: tuple[Sequence[str], ...]
    is_last: bool
    sums: int = 0

    @property
    def foot(self) -> float:
        return float(_HEAD + self.sums * _SUM) if self.is_last else 0.0

    @property
    def height(self) -> float:
        deep = max(1, *map(len, self.cells))
        return float(deep * _BODY * _LEADING + _PAD + self.foot)


@dataclass(frozen=True)
class _Note:
    """A line of the terms or the notes; the first one has their heading above it."""

    text: str
    heading: str

    @property
    def height(self) -> float:
        return _BODY * _LEADING + (_HEAD if self.heading else 0)


_Block = _Row | _Note


def press_reorder_sheet(sheet: ReorderSheet, *, formats: Formats) -> bytes:
    """Give the PDF of an order's sheet, A4, dated by the day on it; the same input gives the same bytes.

    Articles and the supplier's numbers are broken into lines, up to 24, and not cut: goods are ordered by them.
    Errors: BadInput where the order has no line, or its currency is none.
    """
    return press_reorder_sheets([sheet], formats=formats)


def press_reorder_sheets(sheets: Sequence[ReorderSheet], *, formats: Formats) -> bytes:
    """Give one PDF of several orders' sheets, each on pages of its own, dated by the latest day on them.

    Errors: BadInput where there is none, one has no line, or its currency is none.
    """
    if not sheets or not all(sheet.lines for sheet in sheets):
        raise BadInput("nothing_to_order", "The order has no line. Add what to order, then print its sheet.")
    out = io.BytesIO()
    canvas = _canvas(out, sheets)
    for sheet in sheets:
        _draw_sheet(canvas, sheet, replace(formats, currency=sheet.currency))
    canvas.save()
    return out.getvalue()


def _draw_sheet(canvas: Canvas, sheet: ReorderSheet, formats: Formats) -> None:
    top = _draw_letterhead(canvas, sheet, formats)
    notes = [*_notes("Terms", "\n".join(sheet.terms)), *_notes("Notes", sheet.notes)]
    pages = _paged([*_rows(sheet, formats), *notes], first=top)
    for number, blocks in enumerate(pages, 1):
        _draw_blocks(canvas, blocks, top if number == 1 else _TOP, sheet=sheet, formats=formats)
        _draw_foot(canvas, sheet, f"Page {number} of {len(pages)}")
        canvas.showPage()


HEADER = (
    "article", "their_number", "spool_g", "pack", "spools", "price", "total", "currency", "order", "needed_by",
    "deliver_to",
)  # fmt: skip
Cell = str | int | Decimal | date | None


def reorder_rows(sheet: ReorderSheet) -> list[tuple[Cell, ...]]:
    """Give the lines as values of their true types, and what the parcel costs as a last one, by `HEADER`.

    Grams and amounts are plain numbers, since a supplier opens the sheet who knows no minor units; so the totals add
    up to the order's.
    Errors: BadInput where the currency is none.
    """
    decimals = currency_decimals(sheet.currency)
    whither = ", ".join(line for line in (sheet.workshop, *map(str.strip, sheet.address.splitlines())) if line)
    about = (sheet.currency, sheet.reference, sheet.needed_by, whither)
    rows: list[tuple[Cell, ...]] = [(*_line_cells(line, decimals), *about) for line in sheet.lines]
    if sheet.freight_minor:
        rows.append(("Parcel", "", None, None, None, None, Decimal(sheet.freight_minor).scaleb(-decimals), *about))
    return rows


def reorder_csv_rows(sheet: ReorderSheet) -> list[list[str]]:
    """Give the same as texts, the names of the columns first; numbers with a point, days as ISO 8601."""
    return [list(HEADER), *([_text(cell) for cell in row] for row in reorder_rows(sheet))]


def _line_cells(line: ReorderLine, decimals: int) -> tuple[Cell, ...]:
    spool_g = Decimal(f"{Decimal(line.spool_mg).scaleb(-3).normalize():f}")
    price, total = (Decimal(minor).scaleb(-decimals) for minor in (line.price_minor, line.total_minor))
    return (line.article, line.their_number, spool_g, line.pack, line.spools, price, total)


def _text(cell: Cell) -> str:
    if isinstance(cell, Decimal):
        return f"{cell:f}"
    return "" if cell is None else str(cell)


def _canvas(out: io.BytesIO, sheets: Sequence[ReorderSheet]) -> Canvas:
    stamp = f"{max(sheet.drawn_on for sheet in sheets):%Y%m%d}000000"
    titles = ", ".join(sheet.reference or f"for {sheet.supplier}" for sheet in sheets)
    return begun(out, A4, title=f"Reorder sheet {titles}", stamp=stamp, author=sheets[0].workshop)


def _rows(sheet: ReorderSheet, formats: Formats) -> list[_Row]:
    last, sums = len(sheet.lines) - 1, 2 if sheet.freight_minor else 0
    return [_Row(_cells(line, formats), at == last, sums) for at, line in enumerate(sheet.lines)]


def _cells(line: ReorderLine, formats: Formats) -> tuple[Sequence[str], ...]:
    article, number = _COLUMNS[:2]
    figures = (
        formats.grams(line.spool_mg),
        formats.number(line.pack),
        formats.number(line.spools),
        formats.money(line.price_minor),
        formats.money(line.total_minor),
    )
    return (
        _wrapped(line.article, article),
        _wrapped(line.their_number, number),
        *([printable(figure)] for figure in figures),
    )


def _wrapped(text: str, column: _Column) -> list[str]:
    lines = broken(text, Face.TEXT, _BODY, width=column.room)
    return lines if len(lines) <= _MOST_LINES else [*lines[: _MOST_LINES - 1], ELLIPSIS]


def _notes(heading: str, text: str) -> list[_Note]:
    lines = [part for line in text.splitlines() for part in broken(line, Face.TEXT, _BODY, width=_WHOLE)]
    return [_Note(line, "" if at else heading) for at, line in enumerate(lines)]


def _paged(blocks: Sequence[_Block], *, first: float) -> list[list[_Block]]:
    """Fill pages from the top; the table's head has room on each."""
    pages: list[list[_Block]] = [[]]
    room = first - _HEAD - _FLOOR
    for block in blocks:
        if block.height > room and (pages[-1] or len(pages) == 1):
            pages.append([])
            room = _TOP - _HEAD - _FLOOR
        pages[-1].append(block)
        room -= block.height
    return pages


def _draw_letterhead(canvas: Canvas, sheet: ReorderSheet, formats: Formats) -> float:
    """Draw what stands above the table on the first page, and give where the table begins."""
    canvas.setFillGray(_INK)
    room = _WHOLE
    if sheet.order_code:
        room = _draw_code(canvas, sheet.order_code) - _LEFT
    y = _TOP - _NAME * 0.8
    draw(canvas, fit(sheet.workshop, Face.STRONG, _NAME, width=room), _LEFT, y)
    y -= 10 * mm
    title = "Order" if sheet.order_code else "Reorder sheet"
    draw(canvas, fit(title, Face.STRONG, _TITLE, width=room), _LEFT, y)
    y -= 8 * mm
    day = formats.day(sheet.drawn_on)
    about = f"Our reference {sheet.shown_reference}, {day}" if sheet.reference else f"Planned on {day}"
    draw(canvas, fit(about, Face.TEXT, _NAME, width=room), _LEFT, y)
    if sheet.needed_by:
        y -= _NAME * _LEADING
        needed = fit(f"Needed by {formats.day(sheet.needed_by)}", Face.STRONG, _NAME, width=room)
        draw(canvas, needed, _LEFT, y)
    y -= 12 * mm
    left = _draw_party(canvas, "To", sheet.supplier, sheet.supplier_address, x=_LEFT, y=y)
    middle = _LEFT + _WHOLE / 2
    right = _draw_party(canvas, "Deliver to", sheet.workshop, sheet.address, x=middle + _FRAME, y=y)
    _frame(canvas, middle, y + _SMALL + _FRAME / 2, right + _BODY * 0.5)
    return float(min(left, right) - 7 * mm)


def _frame(canvas: Canvas, left: float, top: float, bottom: float) -> None:
    """Draw a frame around where it is to be delivered: the one block that must not be missed."""
    canvas.setStrokeGray(_INK)
    canvas.setLineWidth(0.8)
    canvas.rect(left, bottom, _RIGHT - left, top - bottom, stroke=1, fill=0)


def _draw_code(canvas: Canvas, code: Code) -> float:
    """Draw the order's code at the top right over its characters, and give where its left quiet zone begins."""
    symbol = Symbol(modules_of(code.text), _X_DOTS)
    points = _OFFICE.points_a_dot
    height = symbol.good_height_dots(_OFFICE)
    left = int(_RIGHT / points) - symbol.length_dots
    bottom = int(_TOP / points) - height
    canvas.saveState()
    ink = Ink(canvas)
    ink.begin(points)
    ink.put(bars_of(symbol, left, bottom, height=height))
    ink.lay()
    canvas.restoreState()
    words = fit(code.grouped, Face.CODE, _NAME, width=symbol.length_dots * points)
    draw_right(canvas, words, _RIGHT, bottom * points - _NAME * 1.1)
    return (left - QUIET_X * _X_DOTS) * points


def _draw_party(canvas: Canvas, heading: str, name: str, address: str, *, x: float, y: float) -> float:
    """Draw who orders, or from whom, and give where the next thing below may begin."""
    draw(canvas, fit(heading, Face.TEXT, _SMALL, width=_HALF), x, y)
    y -= _NAME * 1.4
    for line in broken(name, Face.STRONG, _NAME, width=_HALF)[:3]:
        draw(canvas, fit(line, Face.STRONG, _NAME, width=_HALF), x, y)
        y -= _NAME * _LEADING
    lines = [line for line in map(str.strip, address.splitlines()) if line]
    shown = [*lines[: _MOST_ADDRESS_LINES - 1], ", ".join(lines[_MOST_ADDRESS_LINES - 1 :])]
    for line in filter(None, shown):
        draw(canvas, fit(line, Face.TEXT, _BODY, width=_HALF), x, y)
        y -= _BODY * _LEADING
    return y


def _draw_blocks(
    canvas: Canvas, blocks: Sequence[_Block], top: float, *, sheet: ReorderSheet, formats: Formats
) -> None:
    y = top
    if any(isinstance(block, _Row) for block in blocks):
        _draw_table_head(canvas, y)
        y -= _HEAD
    for block in blocks:
        y -= block.height
        if isinstance(block, _Note):
            _draw_note(canvas, block, y)
            continue
        _draw_row(canvas, block, y + block.height)
        if block.is_last:
            _draw_total(canvas, sheet, formats, bottom=y)


def _draw_table_head(canvas: Canvas, top: float) -> None:
    canvas.setFillGray(_INK)
    for column in _COLUMNS:
        _draw_cell(canvas, column, column.title, top - _HEAD + 2.5 * mm, face=Face.STRONG, size=_SMALL)
    _rule(canvas, top - _HEAD, gray=_INK, width=0.8)


def _draw_row(canvas: Canvas, row: _Row, top: float) -> None:
    canvas.setFillGray(_INK)
    for column, lines in zip(_COLUMNS, row.cells, strict=True):
        face = face_for("".join(lines), Face.TEXT)
        for at, text in enumerate(lines):
            _draw_cell(canvas, column, text, top - _PAD / 2 - _BODY * (1 + at * _LEADING), face=face, size=_BODY)
    deep = row.height - row.foot
    _rule(canvas, top - deep, gray=_INK if row.is_last else _RULE, width=0.8 if row.is_last else 0.4)


def _draw_cell(canvas: Canvas, column: _Column, text: str, y: float, *, face: Face, size: float) -> None:
    line = fit(text, face, size, width=column.room, least=_LEAST_FIGURE)
    if column.is_figure:
        draw_right(canvas, line, column.right, y)
    else:
        draw(canvas, line, column.left, y)


def _draw_total(canvas: Canvas, sheet: ReorderSheet, formats: Formats, *, bottom: float) -> None:
    y = bottom + 2.2 * mm
    draw(canvas, fit("Total", Face.STRONG, _NAME, width=_HALF), _LEFT, y)
    spools = formats.number(sum(line.spools for line in sheet.lines))
    _draw_cell(canvas, _SPOOLS, spools, y, face=Face.STRONG, size=_BODY)
    _draw_sum(canvas, formats.money(sheet.total_minor), y, face=Face.STRONG, size=_NAME)
    if sheet.freight_minor:
        for at, (word, minor) in enumerate((("Parcel", sheet.freight_minor), ("Goods", sheet.goods_minor)), 1):
            above = y + _NAME * 0.3 + at * _SUM
            draw(canvas, fit(word, Face.TEXT, _BODY, width=_HALF), _LEFT, above)
            _draw_sum(canvas, formats.money(minor), above, face=Face.TEXT, size=_BODY)


def _draw_sum(canvas: Canvas, amount: str, y: float, *, face: Face, size: float) -> None:
    room = _RIGHT - _SPOOLS.right - _GUTTER
    draw_right(canvas, fit(amount, face, size, width=room, least=_LEAST_FIGURE), _RIGHT, y)


def _draw_note(canvas: Canvas, note: _Note, bottom: float) -> None:
    if note.heading:
        heading = fit(note.heading, Face.STRONG, _SMALL, width=_WHOLE)
        draw(canvas, heading, _LEFT, bottom + _BODY * _LEADING + 1 * mm)
    draw(canvas, fit(note.text, Face.TEXT, _BODY, width=_WHOLE), _LEFT, bottom + _BODY * 0.3)


def _draw_foot(canvas: Canvas, sheet: ReorderSheet, page: str) -> None:
    canvas.setFillGray(_INK)
    _rule(canvas, _FOOT + _SMALL * 1.6, gray=_RULE, width=0.4)
    number = fit(page, Face.TEXT, _SMALL, width=_HALF)
    draw_right(canvas, number, _RIGHT, _FOOT)
    who = " · ".join(filter(None, (sheet.workshop, sheet.shown_reference)))
    draw(canvas, fit(who, Face.TEXT, _SMALL, width=_WHOLE - number.width - 5 * mm), _LEFT, _FOOT)


def _rule(canvas: Canvas, y: float, *, gray: float, width: float) -> None:
    canvas.setStrokeGray(gray)
    canvas.setLineWidth(width)
    canvas.line(_LEFT, y, _RIGHT, y)
