"""Label stocks by their geometry, and the grid of printer dots on which everything on them is drawn.

The press uses them; services and the command line name them. They must not know what is printed.
"""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass

from spoolkeep.domain.errors import BadInput
from spoolkeep.domain.words import StockKind, Surface

MM_PER_INCH = 25.4
POINTS_PER_INCH = 72
_LEAST_DPI, _MOST_DPI = 150, 2400
_MOST_ACROSS, _MOST_PAGE_MM, _MOST_NUDGE_MM = 60, 1000.0, 10.0
_SLACK_MM = 0.05
"""A sheet's measures are told to a tenth of a millimetre, so their sum may pass the page's edge by half of one."""


SUITS = {
    Surface.DIRECT_THERMAL: "Shelves and boxes. It blackens near heat and in dryers, fades in the sun, and smears with "
    "solvents.",
    Surface.TRANSFER_PAPER: "Shelves and boxes, for years. Paper tears, and its glue lifts from dusty cardboard.",
    Surface.TRANSFER_FILM: "Reels, dry boxes and dryers, within the maker's limit of heat.",
    Surface.OFFICE_PAPER: "Shelves, boxes and cards. Ink may run when wet; paper glue lifts from dusty cardboard.",
    Surface.OFFICE_FILM: "Reels and machines. Only film made for hot printers goes through one: ask its maker.",
}
"""Where labels of each surface hold. Source: common practice, no source; each maker's sheet says what its own stand."""


@dataclass(frozen=True)
class Stock:
    """Where labels are on a page, and what prints them. Lengths in mm from its top left corner.

    An inset is how far inside a label nothing is printed: rolls shift a little, and most sheet printers leave the
    page's edges blank. A nudge moves all that is printed to the right and down, where a printer prints a little off.
    Left, top and pitch differ by up to 1 mm between makers.
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
    dpi: int = 203
    surface: Surface = Surface.DIRECT_THERMAL
    nudge_x_mm: float = 0.0
    nudge_y_mm: float = 0.0

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
        left = self.dots(stock.left_mm + column * stock.pitch_x_mm + stock.nudge_x_mm)
        top = self.dots(stock.top_mm + row * stock.pitch_y_mm + stock.nudge_y_mm)
        return Cell(left, top, self.dots(stock.label_width_mm), self.dots(stock.label_height_mm))


STOCKS = (
    Stock(
        "a4-3x8", StockKind.SHEET, 210, 297, 70, 37, left_mm=0, top_mm=0.5, pitch_x_mm=70, pitch_y_mm=37,
        columns=3, rows=8, inset_x_mm=5, inset_y_mm=4, dpi=300, surface=Surface.OFFICE_PAPER,
    ),
    Stock(
        "a4-3x7", StockKind.SHEET, 210, 297, 63.5, 38.1, left_mm=7.2, top_mm=15.15, pitch_x_mm=66.0, pitch_y_mm=38.1,
        columns=3, rows=7, inset_x_mm=2.5, inset_y_mm=2.5, dpi=300, surface=Surface.OFFICE_PAPER,
    ),
    Stock(
        "letter-3x10", StockKind.SHEET, 215.9, 279.4, 66.675, 25.4, left_mm=4.76, top_mm=12.7, pitch_x_mm=69.85,
        pitch_y_mm=25.4, columns=3, rows=10, inset_x_mm=2.5, inset_y_mm=1.5, dpi=300, surface=Surface.OFFICE_PAPER,
    ),
    Stock(
        "letter-2x10", StockKind.SHEET, 215.9, 279.4, 101.6, 25.4, left_mm=3.97, top_mm=12.7, pitch_x_mm=106.36,
        pitch_y_mm=25.4, columns=2, rows=10, inset_x_mm=2.5, inset_y_mm=1.5, dpi=300, surface=Surface.OFFICE_PAPER,
    ),
    Stock("50x25", StockKind.ROLL, 50, 25, 50, 25),
    Stock("50x30", StockKind.ROLL, 50, 30, 50, 30),
    Stock("100x50", StockKind.ROLL, 100, 50, 100, 50, inset_x_mm=2.5, inset_y_mm=2.5),
)  # fmt: skip
"""The stocks that come with the program. Source: common practice; the insets are our own choice."""


CARD_SHEETS = (
    Stock(
        "a4-2x9", StockKind.SHEET, 210, 297, 95, 30, left_mm=10, top_mm=13.5, pitch_x_mm=95, pitch_y_mm=30,
        columns=2, rows=9, inset_x_mm=4, inset_y_mm=3, dpi=300, surface=Surface.OFFICE_PAPER,
    ),
    Stock(
        "letter-2x9", StockKind.SHEET, 215.9, 279.4, 97, 28, left_mm=10.95, top_mm=13.7, pitch_x_mm=97, pitch_y_mm=28,
        columns=2, rows=9, inset_x_mm=4, inset_y_mm=3, dpi=300, surface=Surface.OFFICE_PAPER,
    ),
)  # fmt: skip
"""Plain paper for bench cards, to be cut apart or hung up whole. Source: our own choice."""


def stock_named(name: str) -> Stock:
    """Give a shipped stock by its name. Errors: BadInput, with the names that there are."""
    return choose(name, (*STOCKS, *CARD_SHEETS))


def choose(name: str, among: Sequence[Stock]) -> Stock:
    """Give the stock of that name. Errors: BadInput, with the names that there are."""
    wanted = name.strip().lower()
    for stock in among:
        if stock.name.lower() == wanted:
            return stock
    names = ", ".join(stock.name for stock in among)
    raise BadInput("no_such_stock", f"There is no label stock “{name.strip()[:40]}”. Choose one of {names}.")


def check_geometry(stock: Stock) -> None:
    """Refuse a stock whose labels cannot lie on its page as it says. Errors: BadInput, naming what does not fit."""
    Grid(stock.dpi)
    if not (1 <= stock.columns <= _MOST_ACROSS and 1 <= stock.rows <= _MOST_ACROSS):
        raise BadInput("no_such_stock", f"A page has 1 to {_MOST_ACROSS} labels across, and as many down.")
    if stock.kind is StockKind.ROLL and stock.labels_on_a_page > 1:
        raise BadInput("no_such_stock", "A roll has one label a page. Call it a sheet, or enter 1 across and 1 down.")
    for across, nudge in ((True, stock.nudge_x_mm), (False, stock.nudge_y_mm)):
        _check_side(*_side(stock, across=across))
        if abs(nudge) > _MOST_NUDGE_MM:
            words = f"A nudge is at most {_MOST_NUDGE_MM:.0f} mm. More than that is the stock's left or top edge."
            raise BadInput("no_such_nudge", words)


@dataclass(frozen=True)
class _Side:
    """One direction of a stock: how long things are along it, and how many labels follow each other."""

    page: float
    label: float
    first: float
    pitch: float
    count: int
    inset: float


def _side(stock: Stock, *, across: bool) -> tuple[_Side, str]:
    if across:
        side = _Side(
            stock.page_width_mm, stock.label_width_mm, stock.left_mm, stock.pitch_x_mm, stock.columns, stock.inset_x_mm
        )
        return side, "across"
    return _Side(
        stock.page_height_mm, stock.label_height_mm, stock.top_mm, stock.pitch_y_mm, stock.rows, stock.inset_y_mm
    ), "down"


def _check_side(side: _Side, way: str) -> None:
    if not (0 < side.label <= side.page <= _MOST_PAGE_MM):
        words = (
            f"Measured {way}, a label is more than 0 mm and no larger than its page, and a page at most "
            f"{_MOST_PAGE_MM:.0f} mm; this one has labels of {side.label:g} on a page of {side.page:g}."
        )
        raise BadInput("impossible_stock", words)
    if not 0 <= side.inset < side.label / 2:
        raise BadInput("impossible_stock", f"The blank edge, {way}, is at least 0 and less than half the label.")
    if side.count > 1 and side.pitch < side.label:
        words = f"Measured {way}, labels of {side.label:g} mm with a pitch of {side.pitch:g} mm would overlap."
        raise BadInput("impossible_stock", f"{words} The pitch goes from one label's edge to the next one's.")
    end = side.first + (side.count - 1) * side.pitch + side.label
    if side.first < 0 or end > side.page + _SLACK_MM:
        words = f"Measured {way}, the labels would go from {side.first:g} to {end:g} mm on a page of {side.page:g} mm."
        raise BadInput("impossible_stock", f"{words} Check the count, the pitch and the first label's edge.")


def positions(stock: Stock, start: int, count: int) -> Iterator[tuple[int, int]]:
    """Give page (from 0) and position on it (from 1) for `count` labels, the first one at `start`.

    Errors: BadInput where the start is not on the page.
    """
    most = stock.labels_on_a_page
    if not 1 <= start <= most:
        where = f"a number from 1 to {most}" if most > 1 else "1: a roll has one label a page"
        raise BadInput("no_such_position", f"Position {start} is not on the page. The first label goes to {where}.")
    return ((at // most, at % most + 1) for at in range(start - 1, start - 1 + count))
