"""Label stocks: their geometry, their names and their positions."""

import pytest

from spoolkeep.domain.errors import BadInput
from spoolkeep.domain.words import StockKind
from spoolkeep.paper.stocks import STOCKS, Grid, Stock, positions, stock_named

SLACK_MM = 1e-6


@pytest.mark.parametrize("stock", STOCKS, ids=lambda stock: stock.name)
def test_every_label_lies_on_its_page_and_on_no_other(stock: Stock) -> None:
    across = stock.left_mm + (stock.columns - 1) * stock.pitch_x_mm + stock.label_width_mm
    down = stock.top_mm + (stock.rows - 1) * stock.pitch_y_mm + stock.label_height_mm
    assert across <= stock.page_width_mm + SLACK_MM
    assert down <= stock.page_height_mm + SLACK_MM
    assert stock.columns == 1 or stock.pitch_x_mm >= stock.label_width_mm
    assert stock.rows == 1 or stock.pitch_y_mm >= stock.label_height_mm


@pytest.mark.parametrize("stock", STOCKS, ids=lambda stock: stock.name)
def test_a_stock_is_named_by_its_geometry(stock: Stock) -> None:
    if stock.kind is StockKind.SHEET:
        assert stock.name.endswith(f"-{stock.columns}x{stock.rows}")
    else:
        assert stock.name == f"{stock.label_width_mm:g}x{stock.label_height_mm:g}"
    assert stock_named(f" {stock.name.upper()} ") is stock


def test_an_unknown_stock_is_refused_with_the_names_that_there_are() -> None:
    with pytest.raises(BadInput, match=r"50x25, 50x30") as refused:
        stock_named("50x26")
    assert refused.value.code == "no_such_stock"


def test_positions_go_on_to_the_next_page() -> None:
    assert list(positions(stock_named("a4-3x8"), 23, 4)) == [(0, 23), (0, 24), (1, 1), (1, 2)]
    assert list(positions(stock_named("50x25"), 1, 3)) == [(0, 1), (1, 1), (2, 1)]


@pytest.mark.parametrize(("name", "start"), [("a4-3x8", 0), ("a4-3x8", 25), ("a4-3x7", -1), ("50x25", 2)])
def test_a_position_off_the_page_is_refused(name: str, start: int) -> None:
    with pytest.raises(BadInput, match="not on the page") as refused:
        positions(stock_named(name), start, 1)
    assert refused.value.code == "no_such_position"


def test_cells_fill_from_the_left_and_lie_on_whole_dots() -> None:
    grid, stock = Grid(203), stock_named("a4-3x7")
    cell = grid.cell(stock, 5)
    # 7.2 + 66.0 mm and 15.15 + 38.1 mm at 203 / 25.4 dots a mm: 585.03 and 425.58
    assert (cell.left, cell.top) == (585, 426)
    # 63.5 and 38.1 mm: 507.5 and 304.5, which round to the even dot
    assert (cell.width, cell.height) == (508, 304)


def test_a_dot_of_a_203_dpi_head_is_an_eighth_of_a_millimetre() -> None:
    assert Grid(203).mm(1) == pytest.approx(0.125, abs=0.0002)
    assert Grid(300).mm(1) == pytest.approx(0.0847, abs=0.0001)


@pytest.mark.parametrize("dpi", [0, -203, 149, 2401])
def test_a_printer_without_sensible_dots_is_refused(dpi: int) -> None:
    with pytest.raises(BadInput) as refused:
        Grid(dpi)
    assert refused.value.code == "no_such_dpi"
