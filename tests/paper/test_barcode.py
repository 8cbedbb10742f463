"""The linear code: its modules, and the size at which it fits."""

import pytest
import zxingcpp
from hypothesis import given
from hypothesis import strategies as st

from spoolkeep.domain.codes import Code, CodeKind
from spoolkeep.domain.errors import BadInput
from spoolkeep.paper.barcode import QUIET_X, Symbol, fitted, modules_of
from spoolkeep.paper.stocks import Grid

CODES = st.builds(Code, st.sampled_from(CodeKind), st.integers(1, 999_999))
OURS = Code(CodeKind.SPOOL, 4217).text


@given(CODES)
def test_every_code_of_ours_has_101_modules(code: Code) -> None:
    # start, letter, change to pairs of digits, four pairs, check: 8 of 11 modules; and the stop of 13
    assert len(modules_of(code.text)) == 8 * 11 + 13 == 101


@given(CODES)
def test_every_symbol_has_three_bars_of_an_even_number_of_modules(code: Code) -> None:
    # ISO/IEC 15417: in each character the bars sum to an even number of modules, its self-check
    modules = modules_of(code.text)
    for at in range(0, 88, 11):
        character = modules[at : at + 11]
        assert character.count("1") % 2 == 0
        assert character.count("01") + (character[0] == "1") == 3
    assert modules.endswith("1100011101011")  # the stop pattern, 2331112


@given(CODES)
def test_the_same_text_gives_the_same_modules_again(code: Code) -> None:
    assert modules_of(code.text) == modules_of(code.text)


@pytest.mark.parametrize("kind", CodeKind)
def test_an_independent_encoder_needs_as_many_modules(kind: CodeKind) -> None:
    text = Code(kind, 4217).text
    symbol = zxingcpp.create_barcode(text, zxingcpp.BarcodeFormat.Code128)
    picture = symbol.to_image(scale=1, add_quiet_zones=False)
    assert picture.shape[1] == len(modules_of(text))


def test_on_50_mm_at_203_dpi_a_module_is_3_dots() -> None:
    symbol = fitted(OURS, Grid(203), room_dots=Grid(203).dots(50), bars_room_dots=Grid(203).dots(47))
    assert symbol.x_dots == 3
    # with its quiet zones 121 modules of 3 dots of 0.125 mm: 45.4 mm
    assert Grid(203).mm(symbol.length_dots + 2 * symbol.quiet_dots) == pytest.approx(45.4, abs=0.05)


def test_on_50_mm_at_300_dpi_a_module_is_4_dots() -> None:
    symbol = fitted(OURS, Grid(300), room_dots=Grid(300).dots(50), bars_room_dots=Grid(300).dots(47))
    assert symbol.x_dots == 4


@given(st.integers(200, 5000), st.integers(200, 5000), st.sampled_from([203, 300, 600]))
def test_no_larger_module_would_have_fitted(room: int, bars_room: int, dpi: int) -> None:
    grid = Grid(dpi)
    try:
        symbol = fitted(OURS, grid, room_dots=room, bars_room_dots=bars_room)
    except BadInput:
        most = min(room // 121, bars_room // 101)
        assert most < 2 or grid.mm(most) < 0.25
        return
    wider = Symbol(symbol.modules, symbol.x_dots + 1)
    assert symbol.length_dots + 2 * symbol.quiet_dots <= room
    assert symbol.length_dots <= bars_room
    assert wider.length_dots + 2 * wider.quiet_dots > room or wider.length_dots > bars_room


def test_a_quiet_zone_is_ten_modules() -> None:
    # GS1 General Specifications, 5.4: ten times X on each side
    assert QUIET_X == 10
    assert Symbol(modules_of(OURS), 3).quiet_dots == 30


@pytest.mark.parametrize(("width_mm", "dpi"), [(30, 203), (25, 600), (10, 300)])
def test_a_label_too_narrow_is_refused_with_the_reason(width_mm: int, dpi: int) -> None:
    grid = Grid(dpi)
    with pytest.raises(BadInput, match="too narrow") as refused:
        fitted(OURS, grid, room_dots=grid.dots(width_mm), bars_room_dots=grid.dots(width_mm))
    assert refused.value.code == "label_too_narrow"
    assert "0.25 mm" in refused.value.words


def test_bars_are_at_least_5_mm_and_15_per_cent_of_their_length_high() -> None:
    grid = Grid(203)
    small, large = Symbol("10" * 20, 2), Symbol(modules_of(OURS), 6)
    assert grid.mm(small.least_height_dots(grid)) >= 5
    assert large.least_height_dots(grid) >= 0.15 * large.length_dots
    assert large.good_height_dots(grid) >= 0.27 * large.length_dots


def test_bars_lie_where_their_modules_are() -> None:
    assert Symbol("1101001", 3).bars() == ((0, 6), (9, 3), (18, 3))
