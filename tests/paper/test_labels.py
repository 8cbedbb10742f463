"""Labels as they come out of a printer: every code reads, every bar on whole dots, every byte the same again."""

from dataclasses import replace
from datetime import date

import numpy as np
import pytest

from spoolkeep.domain.codes import Code, CodeKind
from spoolkeep.domain.errors import BadInput
from spoolkeep.domain.formats import Formats
from spoolkeep.paper.barcode import Symbol, modules_of
from spoolkeep.paper.labels import Label, PlainLabel, SpoolLabel, press_labels, warning_about
from spoolkeep.paper.layout import layout_of
from spoolkeep.paper.stocks import STOCKS, Grid, Stock, stock_named
from tests.paper.pictures import codes_in, pages_of, runs_in, words_of

DAY = date(2026, 3, 4)
FORMATS = Formats("en_GB", "GBP", "Europe/London")
PLAIN = SpoolLabel(
    code=Code(CodeKind.SPOOL, 4217),
    material="PLA",
    colour="Slate black",
    srgb=("#23262b",),
    finish="satin",
    received_mg=1_000_000,
    tare_mg=210_000,
    lot="L0042",
    supplier="Northmere",
    received_on=DAY,
)
HARD: tuple[Label, ...] = (
    PLAIN,
    replace(PLAIN, code=Code(CodeKind.SPOOL, 1), colour="Chalk white", srgb=("#f4f2ea",), tare_mg=None, lot=""),
    replace(PLAIN, code=Code(CodeKind.SPOOL, 2), material="PC", colour="Clear", srgb=("#dfe7ea",), finish="clear"),
    replace(PLAIN, code=Code(CodeKind.SPOOL, 3), colour="Dusk and rose", srgb=("#3a3f7a", "#d98a9c"), finish="silk"),
    replace(PLAIN, code=Code(CodeKind.SPOOL, 4), material="PA12-CF15-GF30-XX", colour="Żółć płomienna i éclat " * 4),
    replace(PLAIN, code=Code(CodeKind.SPOOL, 5), colour="日本", srgb=(), lot="", supplier="", received_mg=1),
    replace(PLAIN, code=Code(CodeKind.SPOOL, 6), colour="", material="", finish="", lot="L" * 300, supplier="S" * 300),
    PlainLabel(Code(CodeKind.FEED, 7), "Machine 3, feed 2", "feed"),
    PlainLabel(Code(CodeKind.PLACE, 8), "Regal im Hinterzimmer oben links neben dem großen Schrank", "shelf"),
    PlainLabel(Code(CodeKind.PLACE, 999_999), "", ""),
)


def pressed(labels: tuple[Label, ...], stock: Stock, *, start: int = 1, dpi: int = 203, square: bool = False) -> bytes:
    return press_labels(labels, stock, dpi=dpi, start=start, square=square, printed_on=DAY, formats=FORMATS)


@pytest.mark.parametrize("stock", STOCKS, ids=lambda stock: stock.name)
def test_every_label_reads_back_at_203_dpi_from_any_start(stock: Stock) -> None:
    wanted = [label.code.text for label in HARD]
    for start in sorted({1, (stock.labels_on_a_page + 1) // 2, stock.labels_on_a_page}):
        pages = pages_of(pressed(HARD, stock, start=start), 203)
        assert [text for page in pages for text in codes_in(page)] == wanted


@pytest.mark.parametrize("dpi", [300, 600])
@pytest.mark.parametrize("name", ["a4-3x8", "50x25"])
def test_labels_read_back_from_finer_printers(name: str, dpi: int) -> None:
    pages = pages_of(pressed(HARD[:3], stock_named(name), dpi=dpi), dpi)
    assert [text for page in pages for text in codes_in(page)] == [label.code.text for label in HARD[:3]]


@pytest.mark.parametrize("dpi", [203, 300])
@pytest.mark.parametrize("stock", STOCKS, ids=lambda stock: stock.name)
def test_every_bar_edge_is_on_a_whole_dot_at_every_corner_of_the_page(stock: Stock, dpi: int) -> None:
    grid = Grid(dpi)
    layout = layout_of(stock, grid, PLAIN.code.text)
    count = stock.labels_on_a_page
    picture = pages_of(pressed((PLAIN,) * count, stock, dpi=dpi), dpi)[0]
    assert picture.shape == grid.page(stock)[::-1]
    bars = Symbol(modules_of(PLAIN.code.text), layout.x_dots).bars()
    for position in {1, stock.columns, count // 2 + 1, count}:
        cell = grid.cell(stock, position)
        left, foot = cell.left + layout.bars.left, cell.top + cell.height - layout.bars.bottom
        wanted = [(left + at, width) for at, width in bars]
        # the topmost and the lowest row of dots of the bars, and one between
        for up in (1, layout.bars.height // 2, layout.bars.height):
            assert runs_in(picture[foot - up, cell.left : cell.left + cell.width]) == [
                (at - cell.left, width) for at, width in wanted
            ]
        assert not runs_in(picture[foot, cell.left : cell.left + cell.width])


@pytest.mark.parametrize("dpi", [203, 300, 600])
@pytest.mark.parametrize("stock", STOCKS, ids=lambda stock: stock.name)
def test_quiet_zones_modules_and_heights_are_as_the_standard_asks(stock: Stock, dpi: int) -> None:
    grid = Grid(dpi)
    layout = layout_of(stock, grid, PLAIN.code.text)
    cell, bars = grid.cell(stock, 1), layout.bars
    # GS1 General Specifications, 5.4: a quiet zone of at least 10 X on each side
    assert bars.left >= 10 * layout.x_dots
    assert cell.width - bars.left - bars.width >= 10 * layout.x_dots
    assert layout.x_dots >= 2
    assert grid.mm(layout.x_dots) >= 0.25
    # second hand: bars at least 5 mm and 15 % of their length high
    assert grid.mm(bars.height) >= 5
    assert bars.height >= 0.15 * bars.width
    # nothing lies on the bars or off the label
    assert layout.text.bottom >= bars.bottom + bars.height
    assert layout.strip.left + layout.strip.width <= cell.width
    assert layout.text.bottom + layout.text.height <= cell.height


@pytest.mark.parametrize(
    ("name", "dots"), [("50x25", 3), ("50x30", 3), ("100x50", 6), ("a4-3x8", 4), ("letter-2x10", 6)]
)
def test_a_module_has_the_most_dots_that_fit(name: str, dots: int) -> None:
    assert layout_of(stock_named(name), Grid(203), PLAIN.code.text).x_dots == dots


@pytest.mark.parametrize("name", ["50x25", "50x30", "100x50", "a4-3x8", "a4-3x7"])
def test_where_there_is_room_bars_are_27_per_cent_of_their_length(name: str) -> None:
    bars = layout_of(stock_named(name), Grid(203), PLAIN.code.text).bars
    assert bars.height >= 0.27 * bars.width


@pytest.mark.parametrize("name", ["a4-3x8", "50x25"])
def test_the_same_labels_on_the_same_day_are_the_same_bytes(name: str) -> None:
    stock = stock_named(name)
    assert pressed(HARD, stock) == pressed(HARD, stock)
    other_day = press_labels(HARD, stock, printed_on=date(2026, 3, 5), formats=FORMATS)
    assert other_day != pressed(HARD, stock)
    assert b"D:20260304" in pressed(HARD, stock)


def test_a_spool_label_says_what_came() -> None:
    words = words_of(pressed((PLAIN,), stock_named("50x25")))[0]
    plain = words.replace("\N{NO-BREAK SPACE}", " ")
    for part in (
        "PLA",
        "S004 217 20",
        "Slate black",
        "satin",
        "1,000 g",
        "reel 210 g",
        "4 Mar 2026",
        "L0042",
        "Northmere",
    ):
        assert part in plain


@pytest.mark.parametrize("stock", STOCKS, ids=lambda stock: stock.name)
def test_long_names_of_the_trade_are_whole_on_every_stock(stock: Stock) -> None:
    label = replace(PLAIN, material="PA12-CF15", colour="Glow-in-the-dark green marble", tare_mg=1_234_000)
    words = words_of(pressed((label,), stock))[0].replace("\N{NO-BREAK SPACE}", " ")
    for part in ("PA12-CF15", "Glow-in-the-dark green marble", "1,000 g", "reel 1,234 g", "S004 217 20"):
        assert part in words


def test_a_label_speaks_the_workshops_locale() -> None:
    german = Formats("de_DE", "EUR", "Europe/Berlin")
    pdf = press_labels((PLAIN,), stock_named("50x25"), printed_on=DAY, formats=german)
    assert "1.000" in words_of(pdf)[0]
    assert "04.03.2026" in words_of(pdf)[0]


def test_a_name_in_a_script_that_the_faces_lack_is_reported_and_never_holds_up_a_delivery() -> None:
    label = replace(PLAIN, colour="日本")
    assert "U+65E5 U+672C" in words_of(pressed((label,), stock_named("50x25")))[0]
    warning = warning_about((PLAIN, label))
    assert warning is not None
    assert "日 本" in warning
    assert warning_about((PLAIN,)) is None


def test_a_viewer_is_asked_not_to_fit_labels_to_the_page() -> None:
    assert b"/PrintScaling /None" in pressed((PLAIN,), stock_named("50x25"))


def test_a_roll_has_a_page_for_each_label_and_a_sheet_only_those_it_needs() -> None:
    assert len(words_of(pressed(HARD, stock_named("50x25")))) == len(HARD)
    assert len(words_of(pressed(HARD, stock_named("a4-3x8"), start=15))) == 1
    assert len(words_of(pressed(HARD, stock_named("a4-3x8"), start=16))) == 2


@pytest.mark.parametrize(
    ("stock", "code"),
    [
        (replace(stock_named("50x25"), name="20x25", page_width_mm=20, label_width_mm=20), "label_too_narrow"),
        (replace(stock_named("50x25"), name="50x12", page_height_mm=12, label_height_mm=12), "label_too_low"),
        (replace(stock_named("100x50"), name="100x2", page_height_mm=2, label_height_mm=2), "label_too_low"),
    ],
)
def test_a_label_on_which_the_code_would_not_scan_is_refused(stock: Stock, code: str) -> None:
    with pytest.raises(BadInput, match="label is too") as refused:
        pressed((PLAIN,), stock)
    assert refused.value.code == code


def test_a_start_off_the_sheet_is_refused() -> None:
    for start in (0, 25):
        with pytest.raises(BadInput, match="not on the page"):
            pressed((PLAIN,), stock_named("a4-3x8"), start=start)


def test_no_label_is_nothing_to_print() -> None:
    with pytest.raises(BadInput) as refused:
        pressed((), stock_named("50x25"))
    assert refused.value.code == "nothing_to_print"


@pytest.mark.parametrize(("name", "dpi"), [("100x50", 203), ("a4-3x8", 300), ("letter-2x10", 203)])
def test_the_square_code_has_four_blank_modules_on_every_side(name: str, dpi: int) -> None:
    stock, grid = stock_named(name), Grid(dpi)
    layout = layout_of(stock, grid, PLAIN.code.text, square=True)
    assert layout.square is not None
    cell, box, dots = grid.cell(stock, 1), layout.square, layout.square_dots
    page = pages_of(pressed((PLAIN,), stock, dpi=dpi, square=True), dpi)[0]
    foot, left = cell.top + cell.height - box.bottom, cell.left + box.left
    dark = page[foot - box.height : foot, left : left + box.width] < 128
    rows, columns = np.flatnonzero(dark.any(axis=1)), np.flatnonzero(dark.any(axis=0))
    # ISO/IEC 18004: a quiet zone of 4 modules; a symbol of version 1 has 21
    assert (columns[0], columns[-1] + 1) == (4 * dots, 25 * dots)
    assert (rows[0], rows[-1] + 1) == (4 * dots, 25 * dots)
    assert box.width == box.height == 29 * dots
