"""Label stocks by their geometry, and the grid of printer dots on which everything on them is drawn.

The press uses them; services and the command line name them. They must not know what is printed.
"""

from collections.abc import Iterator
from dataclasses import dataclass
from enum import StrEnum

from spoolkeep.domain.errors import BadInput

MM_PER_INCH = 25.4
POINTS_PER_INCH = 72
_LEAST_DPI, _MOST_DPI = 150, 2400


class StockKind(StrEnum):
    """Sheets have many labels on a page; a roll has one."""

    SHEET = "sheet"
    ROLL = "roll"


@dataclass(frozen=True)
class Stock:
    """Where labels are on a page. Lengths in mm from its top left corner.

    An inset is how far inside a label nothing is printed: rolls shift a little, and most sheet printers leave the
    page's edges blank. Left, top and pitch differ by up to 1 mm between makers.
    """

    name: str
    kind: StockKind
    page_width_mm: float
    page_height_mm: float
    label_width_mm: float
    label_height_mm: float
    left_mm: float = 0.0
    top_mm: float = 0.0
    pitch_x_mm: float = 0.0
    pitch_y_mm: float = 0.0
    columns: int = 1
    rows: int = 1
    inset_x_mm: float = 1.5
    inset_y_mm: float = 1.5

    @property
    def labels_on_a_page(self) -> int:
        """Give the number of positions on a page."""
        return self.columns * self.rows


@dataclass(frozen=True)
class Cell:
    """One label's place on a page in whole dots: left edge from the left, top edge from the top, and its size."""

    left: int
    top: int
    width: int
    height: int


@dataclass(frozen=True)
class Grid:
    """The dots of a printer's head. Errors: BadInput where no printer has so few or so many."""

    dpi: int

    def __post_init__(self) -> None:
        if not _LEAST_DPI <= self.dpi <= _MOST_DPI:
            words = f"A printer of {self.dpi} dots an inch cannot be used. Enter {_LEAST_DPI} to {_MOST_DPI}, like 203."
            raise BadInput("no_such_dpi", words)

    @property
    def points_a_dot(self) -> float:
        """Give the size of a dot in points of 1/72 inch."""
        return POINTS_PER_INCH / self.dpi

    def dots(self, mm: float) -> int:
        """Give the nearest whole number of dots."""
        return round(mm * self.dpi / MM_PER_INCH)

    def mm(self, dots: float) -> float:
        """Give the length of so many dots."""
        return dots * MM_PER_INCH / self.dpi

    def page(self, stock: Stock) -> tuple[int, int]:
        """Give the width and height of a page in whole dots, so that both ends of it lie on the grid."""
        return self.dots(stock.page_width_mm), self.dots(stock.page_height_mm)

    def cell(self, stock: Stock, position: int) -> Cell:
        """Give the place of a position on its page: 1 is top left, and rows fill from the left."""
        row, column = divmod(position - 1, stock.columns)
        left = self.dots(stock.left_mm + column * stock.pitch_x_mm)
        top = self.dots(stock.top_mm + row * stock.pitch_y_mm)
        return Cell(left, top, self.dots(stock.label_width_mm), self.dots(stock.label_height_mm))


STOCKS = (
    Stock(
        "a4-3x8", StockKind.SHEET, 210, 297, 70, 37, left_mm=0, top_mm=0.5, pitch_x_mm=70, pitch_y_mm=37,
        columns=3, rows=8, inset_x_mm=5, inset_y_mm=4,
    ),
    Stock(
        "a4-3x7", StockKind.SHEET, 210, 297, 63.5, 38.1, left_mm=7.2, top_mm=15.15, pitch_x_mm=66.0, pitch_y_mm=38.1,
        columns=3, rows=7, inset_x_mm=2.5, inset_y_mm=2.5,
    ),
    Stock(
        "letter-3x10", StockKind.SHEET, 215.9, 279.4, 66.675, 25.4, left_mm=4.76, top_mm=12.7, pitch_x_mm=69.85,
        pitch_y_mm=25.4, columns=3, rows=10, inset_x_mm=2.5, inset_y_mm=1.5,
    ),
    Stock(
        "letter-2x10", StockKind.SHEET, 215.9, 279.4, 101.6, 25.4, left_mm=3.97, top_mm=12.7, pitch_x_mm=106.36,
        pitch_y_mm=25.4, columns=2, rows=10, inset_x_mm=2.5, inset_y_mm=1.5,
    ),
    Stock("50x25", StockKind.ROLL, 50, 25, 50, 25),
    Stock("50x30", StockKind.ROLL, 50, 30, 50, 30),
    Stock("100x50", StockKind.ROLL, 100, 50, 100, 50, inset_x_mm=2.5, inset_y_mm=2.5),
)  # fmt: skip
"""The stocks that come with the program. Source: common practice; the insets are our own choice."""


def stock_named(name: str) -> Stock:
    """Give a stock by its name. Errors: BadInput, with the names that there are."""
    for stock in STOCKS:
        if stock.name == name.strip().lower():
            return stock
    names = ", ".join(stock.name for stock in STOCKS)
    raise BadInput("no_such_stock", f"There is no label stock “{name.strip()[:40]}”. Choose one of {names}.")


def positions(stock: Stock, start: int, count: int) -> Iterator[tuple[int, int]]:
    """Give page (from 0) and position on it (from 1) for `count` labels, the first one at `start`.

    Errors: BadInput where the start is not on the page.
    """
    most = stock.labels_on_a_page
    if not 1 <= start <= most:
        where = f"a number from 1 to {most}" if most > 1 else "1: a roll has one label a page"
        raise BadInput("no_such_position", f"Position {start} is not on the page. The first label goes to {where}.")
    return ((at // most, at % most + 1) for at in range(start - 1, start - 1 + count))
