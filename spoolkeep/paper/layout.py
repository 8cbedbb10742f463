"""Where things lie on a label: the code full width at the foot, the text above it, the colour strip on the right edge.

The label press uses it. It must not know what the words say.
"""

from dataclasses import dataclass

from spoolkeep.domain.errors import BadInput
from spoolkeep.paper.barcode import fitted
from spoolkeep.paper.stocks import Grid, Stock
from spoolkeep.paper.strip import Box

_GAP_MM = 1.0
_TEXT_MM = 10.5
"""The height that text takes before the bars grow beyond their least height."""
_LEAST_TEXT_MM = 5.0
_STRIP_SHARE, _LEAST_STRIP_MM = 0.12, 5.0


@dataclass(frozen=True)
class Layout:
    """Boxes on one label in whole dots from its bottom left corner, and the dots of a module."""

    x_dots: int
    bars: Box
    text: Box
    strip: Box


def layout_of(stock: Stock, grid: Grid, code: str) -> Layout:
    """Give the layout for a stock, by one of the codes that go on it: all of ours have as many modules.

    Errors: BadInput where the label is too narrow or too low for a code that scans.
    """
    cell = grid.cell(stock, 1)
    inset_x, inset_y, gap = grid.dots(stock.inset_x_mm), grid.dots(stock.inset_y_mm), grid.dots(_GAP_MM)
    inner_width, inner_height = cell.width - 2 * inset_x, cell.height - 2 * inset_y
    symbol = fitted(code, grid, room_dots=cell.width, bars_room_dots=inner_width)
    least, good = symbol.least_height_dots(grid), symbol.good_height_dots(grid)
    if inner_height - gap - least < grid.dots(_LEAST_TEXT_MM):
        words = (
            f"The label is too low: its bars need {grid.mm(least):.1f} mm and the text {_LEAST_TEXT_MM:.0f} mm. "
            "Choose a higher label."
        )
        raise BadInput("label_too_low", words)
    height = min(good, max(least, inner_height - gap - grid.dots(_TEXT_MM)))
    bars = Box((cell.width - symbol.length_dots) // 2, inset_y, symbol.length_dots, height)
    bottom = inset_y + height + gap
    strip_width = max(grid.dots(_LEAST_STRIP_MM), round(cell.width * _STRIP_SHARE))
    above = cell.height - inset_y - bottom
    strip = Box(cell.width - inset_x - strip_width, bottom, strip_width, above)
    return Layout(symbol.x_dots, bars, Box(inset_x, bottom, inner_width, above), strip)
