"""Where things lie on a label: the linear code at the foot, the text above it, the colour strip on the right edge.

A small square code stands beside the strip where it is wanted and there is room. The label press uses it. It must not
know what the words say.
"""

from dataclasses import dataclass

from spoolkeep.domain.errors import BadInput
from spoolkeep.paper import square as squares
from spoolkeep.paper.barcode import fitted
from spoolkeep.paper.ink import Box
from spoolkeep.paper.stocks import Grid, Stock

_GAP_MM = 1.0
_TEXT_MM = 10.5
"""The height that text takes before the bars grow beyond their least height."""
_LEAST_TEXT_MM = 5.0
_STRIP_SHARE, _LEAST_STRIP_MM = 0.12, 5.0
_LEAST_WIDTH_MM = 34.0
"""The width that text keeps beside a square code."""


@dataclass(frozen=True)
class Layout:
    """Boxes on one label in whole dots from its bottom left corner, and the dots of a module."""

    x_dots: int
    bars: Box
    text: Box
    strip: Box
    square: Box | None = None
    """The square code with its margin, left of the strip; None where there is no room."""

    @property
    def square_dots(self) -> int:
        """Give the dots of a module of the square code."""
        return self.square.width // squares.MODULES if self.square else 0


def layout_of(stock: Stock, grid: Grid, code: str, *, square: bool = False) -> Layout:
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
    text = Box(inset_x, bottom, inner_width, above)
    room = Box(inset_x, bottom - gap // 2, strip.left - inset_x, cell.height - bottom + gap // 2)
    return Layout(symbol.x_dots, bars, text, strip, _square_in(room, grid) if square else None)


def _square_in(room: Box, grid: Grid) -> Box | None:
    """Give the square code at the right of the room; its margin is blank, so it may reach over blank edges."""
    width = room.width - grid.dots(_LEAST_WIDTH_MM)
    dots = min(width, room.height) // squares.MODULES
    if dots < squares.LEAST_DOTS or grid.mm(dots) < squares.LEAST_MM:
        return None
    side = squares.side_dots(dots)
    return Box(room.left + room.width - side, room.bottom + (room.height - side) // 2, side, side)
