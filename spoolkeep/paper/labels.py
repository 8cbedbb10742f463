"""Labels of every kind on any stock, to the bytes of a PDF: spools, feeds, places, orders, job tickets, bench cards.

Services and the command line call it. It must not know the books; the day of printing is a parameter.
"""

import io
import math
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date

from reportlab.pdfbase.pdfdoc import PDFArray, PDFResourceDictionary
from reportlab.pdfgen.canvas import Canvas

from spoolkeep.domain.cards import Card
from spoolkeep.domain.codes import Code
from spoolkeep.domain.errors import BadInput
from spoolkeep.domain.formats import Formats
from spoolkeep.paper.barcode import Symbol, bars_of, modules_of
from spoolkeep.paper.document import begun
from spoolkeep.paper.ink import Box, Ink, short
from spoolkeep.paper.layout import Layout, layout_of
from spoolkeep.paper.letters import Face, Line, fit, halved, warning_of
from spoolkeep.paper.pictograms import PICTOGRAMS
from spoolkeep.paper.square import square_of
from spoolkeep.paper.stocks import Grid, Stock, positions
from spoolkeep.paper.strip import draw_strip

_CAPITALS = 0.73
"""The height of capitals as a share of the size, in all three faces."""
_BASE = 0.24
"""How far the baseline lies above the foot of its row, as a share of the size."""
_WHOLE, _HALF, _NEARLY = 0.95, 0.46, 0.85
"""The size of a title on one line and on two, as a share of the height it has; and how near is near."""
_DOT = " · "
_ONE_FACT = (0.44, 0.34, 0.22)
_TWO_FACTS = (0.4, 0.28, 0.16, 0.16)
"""How a spool's text is split from the top down: material, colour, and one or two lines of facts."""
_HEAD = 0.84
"""The height of the material's capitals as a share of its row."""
_FACT, _CROWDED = 0.86, 0.75
"""The size of a line of facts as a share of its row, and how much smaller it may get before two lines serve better."""
_LEAST_LETTERS_MM = 1.5
"""Letters are made smaller down to this size; what is still too long loses its end."""
_HAIR_DOTS = 0.005


@dataclass(frozen=True)
class SpoolLabel:
    """What a spool's label says. `srgb` has one shade or more, or none where the colour has no value."""

    code: Code
    material: str
    colour: str
    srgb: tuple[str, ...]
    finish: str
    received_mg: int
    tare_mg: int | None
    lot: str
    supplier: str
    received_on: date


@dataclass(frozen=True)
class PlainLabel:
    """What the label of a feed, a place or an order says, or a job's ticket."""

    code: Code
    title: str
    subtitle: str


@dataclass(frozen=True)
class CardLabel:
    """A bench card: its pictogram, what it says, and how it is used."""

    card: Card
    how: str

    @property
    def code(self) -> Code:
        """Give the card's code."""
        return self.card.code


Label = SpoolLabel | PlainLabel | CardLabel


def press_labels(
    labels: Sequence[Label],
    stock: Stock,
    *,
    dpi: int | None = None,
    start: int = 1,
    square: bool = False,
    printed_on: date,
    formats: Formats,
) -> bytes:
    """Give the PDF of labels, the first one at position `start` of a sheet; the same input gives the same bytes.

    The dots are the stock's own unless `dpi` says otherwise. With `square` a small square code stands beside the text
    where there is room. Letters that no face draws are written as their numbers, so that a delivery is never held up by
    a name; ask `warning_about` for the sentence that says so.
    Errors: BadInput where there is no label, the position is not on the page, or the code would not scan.
    """
    if not labels:
        raise BadInput("nothing_to_print", "There is no label to print.")
    grid = Grid(dpi or stock.dpi)
    layout = layout_of(stock, grid, labels[0].code.text, square=square)
    out = io.BytesIO()
    canvas = document(out, stock, grid, title=f"Labels {printed_on.isoformat()}", printed_on=printed_on)
    press = _Press(Ink(canvas), layout, grid, formats)
    page = 0
    press.ink.begin(grid.points_a_dot)
    for label, (on_page, position) in zip(labels, positions(stock, start, len(labels)), strict=True):
        if on_page != page:
            press.ink.turn()
            press.ink.begin(grid.points_a_dot)
            page = on_page
        cell = grid.cell(stock, position)
        press.draw(label, cell.left, grid.page(stock)[1] - cell.top - cell.height)
    press.ink.turn()
    _say_once(canvas)
    canvas.save()
    return out.getvalue()


def warning_about(labels: Sequence[Label]) -> str | None:
    """Give a sentence that names the letters which no face draws, or None where all can be drawn."""
    return warning_of(text for label in labels for text in _texts(label))


def _texts(label: Label) -> tuple[str, ...]:
    if isinstance(label, SpoolLabel):
        return label.material, label.colour, label.finish, label.lot, label.supplier
    return (label.title, label.subtitle) if isinstance(label, PlainLabel) else ()


def document(out: io.BytesIO, stock: Stock, grid: Grid, *, title: str, printed_on: date) -> Canvas:
    """Give an empty document whose pages are a stock's; viewers are asked to print it as large as it is."""
    # a hair under whole dots: renderers round a page up to whole dots and stretch what is on it
    size = [(side - _HAIR_DOTS) * grid.points_a_dot for side in grid.page(stock)]
    canvas = begun(out, size, title=title, stamp=f"{printed_on:%Y%m%d}000000")
    canvas.setSubject(f"Stock {stock.name}, {grid.dpi} dpi. Print at 100 %, not fitted to the page.")
    canvas.setViewerPreference("PrintScaling", "None")
    return canvas


def _say_once(canvas: Canvas) -> None:
    """Let all pages point at one size and one set of fonts: a roll has a page for each label, which says both again."""
    book = canvas._doc  # noqa: SLF001 the library has no other door to its pages
    size, faces = PDFArray([0, 0, *canvas._pagesize]), PDFResourceDictionary()  # noqa: SLF001
    faces.basicFonts()
    for page in book.Pages.pages:
        page.MediaBox, page.Resources = book.Reference(size), book.Reference(faces)
        page.Trans = page.Rotate = None


@dataclass(frozen=True)
class _Press:
    """What every label of one document is drawn with."""

    ink: Ink
    layout: Layout
    grid: Grid
    formats: Formats

    def draw(self, label: Label, left: int, bottom: int) -> None:
        """Draw a label whose bottom left corner lies there; what is alike on several is drawn once."""
        self.ink.put(f"q 1 0 0 1 {left} {bottom} cm")
        bars = self.layout.bars
        symbol = Symbol(modules_of(label.code.text), self.layout.x_dots)
        self.ink.put(bars_of(symbol, bars.left, bars.bottom, height=bars.height))
        if isinstance(label, SpoolLabel):
            self._draw_spool(label)
        elif isinstance(label, PlainLabel):
            _draw_plain(self.ink, label, self._beside(label), floor=self.floor)
        else:
            _draw_card(self.ink, label, self._beside(label), floor=self.floor)
        self.ink.put("Q")

    @property
    def floor(self) -> float:
        """Give the least size of letters in dots."""
        return self.grid.dots(_LEAST_LETTERS_MM)

    def _draw_spool(self, label: SpoolLabel) -> None:
        text, strip, square = self.layout.text, self.layout.strip, self.layout.square
        right = square.left if square else strip.left - self.grid.dots(1.5)
        box = Box(text.left, text.bottom, right - text.left, text.height)
        if square:
            self._draw_square(label, square)
        spool = (label.material, label.colour, label.srgb, label.finish, label.received_mg, label.tare_mg)
        key = (*spool, label.lot, label.supplier, label.received_on)
        self.ink.again(key, lambda: _draw_facts(self.ink, label, box, self.formats, floor=self.floor))
        self.ink.again(
            (label.srgb, label.finish),
            lambda: draw_strip(self.ink, strip, self.grid, shades=label.srgb, finish=label.finish),
        )
        head = _rows(box, _ONE_FACT)[0] if len(_facts(label, self.formats, box)) == 1 else _rows(box, _TWO_FACTS)[0]
        self.ink.put("0 g")
        _draw_code(self.ink, label.code, head)

    def _draw_square(self, label: Label, box: Box) -> None:
        self.ink.put(square_of(label.code.text, box.left, box.bottom, dots=self.layout.square_dots))

    def _beside(self, label: Label) -> Box:
        """Give the room for text: all of it, or what is left beside a square code at the right edge, drawn here."""
        text, square = self.layout.text, self.layout.square
        if square is None:
            return text
        box = Box(text.left + text.width - square.width, square.bottom, square.width, square.height)
        self._draw_square(label, box)
        return Box(text.left, text.bottom, box.left - text.left, text.height)


def _draw_facts(ink: Ink, label: SpoolLabel, box: Box, formats: Formats, *, floor: float) -> None:
    """Draw all that a spool's label says but its code."""
    facts = _facts(label, formats, box)
    rows = _rows(box, _ONE_FACT if len(facts) == 1 else _TWO_FACTS)
    ink.put("0 g")
    _draw_head(ink, label, formats, row=rows[0], floor=floor)
    _draw_colour(ink, label, rows[1], floor=floor)
    for fact, row in zip(facts, rows[2:], strict=True):
        line = _fit(fact, Face.TEXT, row.height * _FACT, width=box.width, floor=floor)
        ink.text(line, row.left, row.bottom + row.height * _BASE)


def _fit(text: str, face: Face, size: float, *, width: float, floor: float) -> Line:
    """Give a line that fits, with letters no smaller than `floor` dots unless it begins smaller."""
    return fit(text, face, size, width=width, least=min(1.0, floor / size))


def _rows(box: Box, shares: Sequence[float]) -> list[Box]:
    """Split a box from the top down."""
    rows, top = [], box.bottom + box.height
    for share in shares:
        height = round(box.height * share)
        top -= height
        rows.append(Box(box.left, max(top, box.bottom), box.width, height))
    return rows


def _code_line(code: Code, row: Box) -> Line:
    """Give the code's groups as large as the head's upper half; it is never cut."""
    return fit(code.grouped, Face.TEXT, row.height * 0.55, width=row.width * 0.42, least=0)


def _draw_code(ink: Ink, code: Code, row: Box) -> None:
    line = _code_line(code, row)
    ink.text_right(line, row.left + row.width, row.bottom + row.height - line.size * _CAPITALS)


def _draw_head(ink: Ink, label: SpoolLabel, formats: Formats, *, row: Box, floor: float) -> None:
    """Draw the material as large as the row; to its right the weights, under the room of the code."""
    top, right, gap = row.bottom + row.height, row.left + row.width, row.height * 0.3
    weights = _fit(_weights(label, formats), Face.TEXT, row.height * 0.42, width=row.width * 0.45, floor=floor)
    beside = max(_code_line(label.code, row).width, weights.width) + gap
    material = _fit(label.material, Face.STRONG, row.height * _HEAD / _CAPITALS, width=row.width - beside, floor=floor)
    ink.text(material, row.left, top - material.size * _CAPITALS)
    ink.text_right(weights, right, top - row.height * _HEAD)


def _weights(label: SpoolLabel, formats: Formats) -> str:
    tare = [] if label.tare_mg is None else [f"reel {formats.grams(label.tare_mg)}"]
    return _DOT.join([formats.grams(label.received_mg), *tare])


def _draw_colour(ink: Ink, label: SpoolLabel, row: Box, *, floor: float) -> None:
    """Draw the colour's name, and its finish where there is room for both."""
    baseline = row.bottom + row.height * _BASE
    name = _fit(label.colour, Face.TEXT, row.height * 0.92, width=row.width, floor=floor)
    ink.text(name, row.left, baseline)
    room = row.width - name.width - name.size * 0.4
    finish = fit(label.finish, Face.TEXT, name.size * 0.72, width=math.inf)
    if finish.width <= room:
        ink.text_right(finish, row.left + row.width, baseline)


def _facts(label: SpoolLabel, formats: Formats, box: Box) -> list[str]:
    """Give day, lot and supplier on one line where they stay legible, else the supplier on a second one."""
    size = box.height * _ONE_FACT[-1] * _FACT * _CROWDED
    lot = [f"lot {label.lot}"] if label.lot else []
    supplier = [label.supplier] if label.supplier else []
    here = _DOT.join([formats.day(label.received_on), *lot])
    whole = _DOT.join([here, *supplier])
    if not supplier or fit(whole, Face.TEXT, size, width=math.inf).width <= box.width:
        return [whole]
    return [here, *supplier]


def _draw_plain(ink: Ink, label: PlainLabel, text: Box, *, floor: float) -> None:
    """Draw the title on one line or two, the subtitle and the code under it."""
    ink.put("0 g")
    title, _, foot = _rows(text, (0.66, 0.06, 0.28))
    lines = _title_lines(label.title, title, floor=floor)
    for line, row in zip(lines, _rows(title, [1 / len(lines)] * len(lines)), strict=True):
        ink.text(line, row.left, row.bottom + (row.height - line.size * _CAPITALS) / 2)
    _draw_foot(ink, label.code, label.subtitle, foot, floor=floor)


def _draw_foot(ink: Ink, code: Code, words: str, foot: Box, *, floor: float) -> None:
    """Draw the code's groups at the right, and words in what room is left."""
    baseline = foot.bottom + foot.height * _BASE
    groups = fit(code.grouped, Face.TEXT, foot.height * 0.86, width=foot.width * 0.6)
    ink.text_right(groups, foot.left + foot.width, baseline)
    room = foot.width - groups.width - foot.height * 0.3
    ink.text(_fit(words, Face.TEXT, foot.height * 0.86, width=room, floor=floor), foot.left, baseline)


def _draw_card(ink: Ink, label: CardLabel, text: Box, *, floor: float) -> None:
    """Draw the pictogram at the left; beside it what the card says, how it is used, and its code."""
    ink.put("0 g 0 G")
    side = text.height
    if label.card.is_digit:
        digit = fit(label.card, Face.STRONG, side / _CAPITALS, width=side)
        ink.text(digit, text.left + (side - digit.width) / 2, text.bottom)
    else:
        scale = short(side / 100)
        ink.put(f"q {scale} 0 0 {scale} {text.left} {text.bottom} cm {PICTOGRAMS[label.card]} Q")
    beside = Box(text.left + round(side * 1.15), text.bottom, text.width - round(side * 1.15), side)
    title, how, foot = _rows(beside, (0.48, 0.26, 0.26))
    words = "" if label.card.is_digit else label.card[:1].upper() + label.card[1:]
    name = _fit(words, Face.STRONG, title.height * 0.86, width=title.width, floor=floor)
    ink.text(name, title.left, title.bottom + (title.height - name.size * _CAPITALS) / 2)
    line = _fit(label.how, Face.TEXT, how.height * 0.72, width=how.width, floor=floor)
    ink.text(line, how.left, how.bottom + how.height * _BASE)
    _draw_foot(ink, label.code, "", foot, floor=floor)


def _title_lines(title: str, box: Box, *, floor: float) -> list[Line]:
    """Give one line where it stays nearly as large as two would be, else two of one size."""
    whole, half = box.height * _WHOLE, box.height * _HALF
    one = fit(title, Face.STRONG, whole, width=box.width, least=0)
    upper, lower = halved(title, Face.STRONG, floor, width=box.width)
    if not lower or one.size >= half * _NEARLY:
        return [_fit(title, Face.STRONG, whole, width=box.width, floor=floor)]
    two = [_fit(part, Face.STRONG, half, width=box.width, floor=floor) for part in (upper, lower)]
    size = min(line.size for line in two)
    return [fit(line.text, Face.STRONG, size, width=box.width, least=1) for line in two]
