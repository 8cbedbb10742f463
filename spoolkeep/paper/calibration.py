"""The page by which a stock is measured in its printer: outlines, millimetres at the edges, a length for a ruler.

Services call it. It must not know what is printed on the stock.
"""

import io
from collections.abc import Sequence
from datetime import date

from spoolkeep.paper.ink import Box, Ink
from spoolkeep.paper.labels import document
from spoolkeep.paper.letters import Face, broken, fit
from spoolkeep.paper.stocks import Cell, Grid, Stock

REACH_MM = 4
"""How far the scales reach to each side of an edge."""
_TICKS_MM, _LENGTHS_MM = (2.0, 1.2), {0: 3.2}
"""How long a tick is: at even and at odd millimetres, and at the edge itself."""
_LEADING = 1.3
_RULERS_MM = (150, 100, 50, 30, 20, 10)
_LETTERS_MM = (2.6, 2.2, 1.9, 1.6, 1.3)
_HOW = (
    "Print at actual size. The long ticks are where a label’s edges belong, the others are millimetres.",  # noqa: RUF001
    "How far a label lies to the right of its long tick is the nudge to the right; lower is the nudge down.",
)


def press_calibration(stock: Stock, *, printed_on: date) -> bytes:
    """Give the PDF that shows where the stock's labels are: on its first and last label, as it is nudged now.

    Each scale has a tick a millimetre, and its longest where the label's edge should be. Errors: BadInput.
    """
    grid = Grid(stock.dpi)
    out = io.BytesIO()
    canvas = document(out, stock, grid, title=f"Calibration {stock.name}", printed_on=printed_on)
    ink = Ink(canvas)
    ink.begin(grid.points_a_dot)
    page_height = grid.page(stock)[1]
    for position in range(1, stock.labels_on_a_page + 1):
        cell = _turned(grid.cell(stock, position), page_height)
        _outline(ink, cell, max(1, grid.dots(0.1)))
        if position in {1, stock.labels_on_a_page}:
            _scales(ink, cell, grid)
        if position == min(1 + stock.columns, stock.labels_on_a_page):
            _how(ink, cell, grid, stock)
    ink.turn()
    canvas.save()
    return out.getvalue()


def _turned(cell: Cell, page_height: int) -> Box:
    return Box(cell.left, page_height - cell.top - cell.height, cell.width, cell.height)


def _outline(ink: Ink, box: Box, line: int) -> None:
    right, top = box.left + box.width - line, box.bottom + box.height - line
    ink.black(
        [
            Box(box.left, box.bottom, box.width, line),
            Box(box.left, top, box.width, line),
            Box(box.left, box.bottom, line, box.height),
            Box(right, box.bottom, line, box.height),
        ]
    )


def _scales(ink: Ink, box: Box, grid: Grid) -> None:
    """Draw a scale across each of the four edges, at its middle; on the page's own edge only its inner half is seen."""
    line, middle, centre = max(1, grid.dots(0.15)), box.left + box.width // 2, box.bottom + box.height // 2
    across, down = (box.left, box.left + box.width), (box.bottom, box.bottom + box.height)
    for mm in range(-REACH_MM, REACH_MM + 1):
        off, long = grid.dots(mm), grid.dots(_LENGTHS_MM.get(mm, _TICKS_MM[mm % 2]))
        ink.black(Box(edge + off, centre, line, long) for edge in across)
        ink.black(Box(middle, edge + off, long, line) for edge in down)


def _how(ink: Ink, box: Box, grid: Grid, stock: Stock) -> None:
    """Write how it is used, and draw a length, between the scales of a label."""
    margin = grid.dots(REACH_MM + 1)
    left, width, height = box.left + margin, box.width - 2 * margin, box.height - 2 * margin
    longest = next((mm for mm in _RULERS_MM if grid.dots(mm) <= width), 0)
    name = f"{stock.name}, {stock.dpi} dpi, nudge {stock.nudge_x_mm:g} and {stock.nudge_y_mm:g} mm"
    words = (*_HOW, f"{name}. The line is {longest} mm long: else the page is shrunk.")
    size, lines = _set(words, grid, width=width, height=height)
    y = box.bottom + margin + height - size
    ink.put("0 g")
    for line in lines:
        ink.text(fit(line, Face.TEXT, size, width=width), left, y)
        y -= size * _LEADING
    thick = max(2, grid.dots(0.3))
    ink.black([Box(left, round(y), grid.dots(longest), thick)])


def _set(words: Sequence[str], grid: Grid, *, width: int, height: int) -> tuple[float, list[str]]:
    """Give the largest size at which the words fit, and their lines at that size; the smallest where none does."""
    size, lines = 0.0, list(words)
    for letters_mm in _LETTERS_MM:
        size = grid.dots(letters_mm)
        lines = [line for part in words for line in broken(part, Face.TEXT, size, width=width)]
        if (len(lines) + 1) * size * _LEADING <= height:
            break
    return size, lines
