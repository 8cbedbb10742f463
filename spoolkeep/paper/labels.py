"""Labels of spools, feeds and places on any stock, to the bytes of a PDF.

Services and the command line call it. It must not know the books; the day of printing is a parameter.
"""

import io
import math
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date

from reportlab.pdfgen.canvas import Canvas

from spoolkeep.domain.codes import Code
from spoolkeep.domain.errors import BadInput
from spoolkeep.domain.formats import Formats
from spoolkeep.paper.barcode import Symbol, draw_symbol, modules_of
from spoolkeep.paper.layout import Layout, layout_of
from spoolkeep.paper.letters import Face, Line, draw, draw_right, fit, halved, warning_of
from spoolkeep.paper.stocks import Grid, Stock, positions
from spoolkeep.paper.strip import Box, draw_strip

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
    """What the label of a feed or a place says."""

    code: Code
    title: str
    subtitle: str


Label = SpoolLabel | PlainLabel


def press_labels(
    labels: Sequence[Label],
    stock: Stock,
    *,
    dpi: int = 203,
    start: int = 1,
    printed_on: date,
    formats: Formats,
) -> bytes:
    """Give the PDF of labels, the first one at position `start` of a sheet; the same input gives the same bytes.

    Letters that no face draws are written as their numbers, so that a delivery is never held up by a name; ask
    `warning_about` for the sentence that says so.
    Errors: BadInput where there is no label, the position is not on the page, or the code would not scan.
    """
    if not labels:
        raise BadInput("nothing_to_print", "There is no label to print.")
    grid = Grid(dpi)
    layout = layout_of(stock, grid, labels[0].code.text)
    places = list(positions(stock, start, len(labels)))
    out = io.BytesIO()
    canvas = _canvas(out, stock, grid, printed_on=printed_on)
    page = 0
    for label, (on_page, position) in zip(labels, places, strict=True):
        if on_page != page:
            _turn(canvas, grid)
            page = on_page
        _draw_on_cell(canvas, label, stock, position, grid=grid, layout=layout, formats=formats)
    canvas.showPage()
    canvas.save()
    return out.getvalue()


def warning_about(labels: Sequence[Label]) -> str | None:
    """Give a sentence that names the letters which no face draws, or None where all can be drawn."""
    return warning_of(text for label in labels for text in _texts(label))


def _texts(label: Label) -> tuple[str, ...]:
    if isinstance(label, SpoolLabel):
        return label.material, label.colour, label.finish, label.lot, label.supplier
    return label.title, label.subtitle


def _canvas(out: io.BytesIO, stock: Stock, grid: Grid, *, printed_on: date) -> Canvas:
    # a hair under whole dots: renderers round a page up to whole dots and stretch what is on it
    size = [(side - _HAIR_DOTS) * grid.points_a_dot for side in grid.page(stock)]
    canvas = Canvas(out, pagesize=size, pageCompression=1, invariant=1, initialFontName=str(Face.TEXT))
    stamp = f"D:{printed_on:%Y%m%d}000000Z"
    canvas.setDateFormatter(lambda *_: stamp)
    canvas.setTitle(f"Labels {printed_on.isoformat()}")
    canvas.setSubject(f"Stock {stock.name}, {grid.dpi} dpi. Print at 100 %, not fitted to the page.")
    canvas.setCreator("Spoolkeep")
    canvas.setViewerPreference("PrintScaling", "None")
    canvas.scale(grid.points_a_dot, grid.points_a_dot)
    return canvas


def _turn(canvas: Canvas, grid: Grid) -> None:
    canvas.showPage()
    canvas.scale(grid.points_a_dot, grid.points_a_dot)


def _draw_on_cell(
    canvas: Canvas, label: Label, stock: Stock, position: int, *, grid: Grid, layout: Layout, formats: Formats
) -> None:
    cell = grid.cell(stock, position)
    canvas.saveState()
    canvas.translate(cell.left, grid.page(stock)[1] - cell.top - cell.height)
    symbol = Symbol(modules_of(label.code.text), layout.x_dots)
    draw_symbol(canvas, symbol, layout.bars.left, layout.bars.bottom, height=layout.bars.height)
    if isinstance(label, SpoolLabel):
        _draw_spool(canvas, label, layout, grid=grid, formats=formats)
    else:
        _draw_plain(canvas, label, layout.text, floor=grid.dots(_LEAST_LETTERS_MM))
    canvas.restoreState()


def _draw_spool(canvas: Canvas, label: SpoolLabel, layout: Layout, *, grid: Grid, formats: Formats) -> None:
    text, strip = layout.text, layout.strip
    draw_strip(canvas, strip, grid, shades=label.srgb, finish=label.finish)
    width, floor = strip.left - text.left - grid.dots(1.5), grid.dots(_LEAST_LETTERS_MM)
    facts = _fact_lines(label, formats, text.height * _ONE_FACT[-1] * _FACT, width=width)
    rows = _rows(Box(text.left, text.bottom, width, text.height), _ONE_FACT if len(facts) == 1 else _TWO_FACTS)
    canvas.setFillGray(0)
    _draw_head(canvas, label, formats, row=rows[0], floor=floor)
    _draw_colour(canvas, label, rows[1], floor=floor)
    for fact, row in zip(facts, rows[2:], strict=True):
        line = _fit(fact, Face.TEXT, row.height * _FACT, width=width, floor=floor)
        draw(canvas, line, row.left, row.bottom + row.height * _BASE)


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


def _draw_head(canvas: Canvas, label: SpoolLabel, formats: Formats, *, row: Box, floor: float) -> None:
    """Draw the material as large as the row; to its right the code's groups over the weights.

    The code is never cut; the material leaves room for both.
    """
    top, right, gap = row.bottom + row.height, row.left + row.width, row.height * 0.3
    code = fit(label.code.grouped, Face.CODE, row.height * 0.55, width=row.width * 0.42, least=0)
    draw_right(canvas, code, right, top - code.size * _CAPITALS)
    weights = _fit(_weights(label, formats), Face.TEXT, row.height * 0.42, width=row.width * 0.45, floor=floor)
    beside = max(code.width, weights.width) + gap
    material = _fit(label.material, Face.STRONG, row.height * _HEAD / _CAPITALS, width=row.width - beside, floor=floor)
    draw(canvas, material, row.left, top - material.size * _CAPITALS)
    draw_right(canvas, weights, right, top - row.height * _HEAD)


def _weights(label: SpoolLabel, formats: Formats) -> str:
    tare = [] if label.tare_mg is None else [f"reel {formats.grams(label.tare_mg)}"]
    return _DOT.join([formats.grams(label.received_mg), *tare])


def _draw_colour(canvas: Canvas, label: SpoolLabel, row: Box, *, floor: float) -> None:
    """Draw the colour's name, and its finish where there is room for both."""
    baseline = row.bottom + row.height * _BASE
    name = _fit(label.colour, Face.TEXT, row.height * 0.92, width=row.width, floor=floor)
    draw(canvas, name, row.left, baseline)
    room = row.width - name.width - name.size * 0.4
    finish = fit(label.finish, Face.TEXT, name.size * 0.72, width=math.inf)
    if finish.width <= room:
        draw_right(canvas, finish, row.left + row.width, baseline)


def _fact_lines(label: SpoolLabel, formats: Formats, size: float, *, width: float) -> list[str]:
    """Give day, lot and supplier on one line where they stay legible, else the supplier on a second one."""
    lot = [f"lot {label.lot}"] if label.lot else []
    supplier = [label.supplier] if label.supplier else []
    here = _DOT.join([formats.day(label.received_on), *lot])
    whole = _DOT.join([here, *supplier])
    if not supplier or fit(whole, Face.TEXT, size * _CROWDED, width=math.inf).width <= width:
        return [whole]
    return [here, *supplier]


def _draw_plain(canvas: Canvas, label: PlainLabel, text: Box, *, floor: float) -> None:
    """Draw the title on one line or two, the subtitle and the code under it."""
    canvas.setFillGray(0)
    title, _, foot = _rows(text, (0.66, 0.06, 0.28))
    lines = _title_lines(label.title, title, floor=floor)
    for line, row in zip(lines, _rows(title, [1 / len(lines)] * len(lines)), strict=True):
        draw(canvas, line, row.left, row.bottom + (row.height - line.size * _CAPITALS) / 2)
    baseline = foot.bottom + foot.height * _BASE
    code = fit(label.code.grouped, Face.CODE, foot.height * 0.86, width=foot.width * 0.6)
    draw_right(canvas, code, foot.left + foot.width, baseline)
    room = foot.width - code.width - foot.height * 0.3
    subtitle = _fit(label.subtitle, Face.TEXT, foot.height * 0.86, width=room, floor=floor)
    draw(canvas, subtitle, foot.left, baseline)


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
