"""The calibration page in dots: its longest ticks lie on a label's edges, its others a millimetre apart, as nudged."""

from dataclasses import replace
from datetime import date

import pytest

from spoolkeep.paper.calibration import REACH_MM, press_calibration
from spoolkeep.paper.stocks import CARD_SHEETS, STOCKS, Grid, Stock, stock_named
from tests.paper.pictures import Picture, pages_of, runs_in, words_of

DAY = date(2026, 3, 4)


def page_of(stock: Stock) -> Picture:
    (page,) = pages_of(press_calibration(stock, printed_on=DAY), stock.dpi)
    return page


@pytest.mark.parametrize("stock", [*STOCKS, *CARD_SHEETS], ids=lambda stock: stock.name)
def test_a_stock_has_one_page_whose_first_label_is_outlined(stock: Stock) -> None:
    page, cell = page_of(stock), Grid(stock.dpi).cell(stock, 1)
    just_inside = page[cell.top + cell.height // 8, cell.left : cell.left + cell.width]
    assert just_inside[0] < 128
    assert just_inside[-1] < 128
    assert page.shape == Grid(stock.dpi).page(stock)[::-1]
    assert stock.name in words_of(press_calibration(stock, printed_on=DAY))[0]


@pytest.mark.parametrize("name", ["a4-3x8", "letter-3x10"])
def test_ticks_are_a_millimetre_apart_around_a_labels_left_edge(name: str) -> None:
    stock = stock_named(name)
    grid = Grid(stock.dpi)
    cell, page = grid.cell(stock, 1), page_of(stock)
    row = page[cell.top + cell.height - cell.height // 2 - 2]  # just above the middle, where upright ticks stand
    ticks = [cell.left + grid.dots(mm) for mm in range(-REACH_MM, REACH_MM + 1)]
    wanted = [at for at in ticks if at >= 0]  # a label at the edge of its page shows the inner half
    assert [start for start, _ in runs_in(row) if start <= wanted[-1]] == wanted
    heights = [_height(page[:, at], cell.top + cell.height - cell.height // 2) for at in wanted]
    assert max(heights) == heights[wanted.index(cell.left)], "the edge itself has the longest tick"


def _height(column: Picture, foot: int) -> int:
    """Give how far a tick reaches up from its foot; the edge's own lies on the outline, which reaches further."""
    black = column[foot - 1 :: -1] < 128
    return int(black.argmin()) if not black.all() else foot


def test_ticks_move_with_the_nudge() -> None:
    stock = stock_named("letter-3x10")
    grid = Grid(stock.dpi)
    nudged = replace(stock, nudge_x_mm=2, nudge_y_mm=1)
    cell = grid.cell(stock, 1)  # the words that name the nudge stand on another label
    before, after = (
        page_of(one)[at.top : at.top + at.height, at.left - grid.dots(REACH_MM) : at.left + at.width]
        for one, at in ((stock, cell), (nudged, grid.cell(nudged, 1)))
    )
    assert (before == after).all()
    assert grid.cell(nudged, 1).left - cell.left == grid.dots(2)
    assert grid.cell(nudged, 1).top - cell.top == grid.dots(1)
