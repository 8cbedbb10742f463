"""Colours as typed, and what can be read on them."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from spoolkeep.domain.colour import BLACK, WHITE, basic_words, contrast_ratio, ink_on, relative_luminance, srgb
from spoolkeep.domain.errors import BadInput

COLOURS = st.integers(0, 0xFFFFFF).map(lambda value: f"#{value:06x}")


@pytest.mark.parametrize(
    ("typed", "colour"),
    [("#1E90FF", "#1e90ff"), ("1e90ff", "#1e90ff"), ("#fa0", "#ffaa00"), (" FA0 ", "#ffaa00"), ("000", "#000000")],
)
def test_a_colour_may_be_typed_in_four_ways(typed: str, colour: str) -> None:
    assert srgb(typed) == colour


@pytest.mark.parametrize("typed", ["", "#", "red", "#12", "#1234", "#12345", "#1234567", "##123", "#12345g", "٣٣٣"])
def test_what_is_not_a_colour_is_refused(typed: str) -> None:
    with pytest.raises(BadInput) as refused:
        srgb(typed)
    assert refused.value.code == "bad_colour"


def test_luminance_of_the_primaries_is_their_weight() -> None:
    # WCAG 2.2, definition of relative luminance: L = 0.2126 R + 0.7152 G + 0.0722 B
    lights = [relative_luminance(colour) for colour in (BLACK, "#f00", "#0f0", "#00f", WHITE)]
    assert lights == pytest.approx([0, 0.2126, 0.7152, 0.0722, 1])


@pytest.mark.parametrize(
    ("ink", "paper", "ratio", "decimals"),
    [
        (BLACK, WHITE, 21, 6),  # WCAG 2.2, definition of contrast ratio: from 1 to 21
        (WHITE, WHITE, 1, 6),
        ("#333", WHITE, 12.6, 1),  # W3C test rule afw4f7, passed example 1
        ("#aaa", WHITE, 2.3, 1),  # W3C test rule afw4f7, failed example 1
        ("#777", WHITE, 4.48, 2),  # WCAG issue 200: 4.48, and it fails 4.5, since figures are not rounded
        ("#767676", WHITE, 4.54, 2),  # the lightest grey that passes on white; common practice
    ],
)
def test_contrast_is_what_is_published(ink: str, paper: str, ratio: float, decimals: int) -> None:
    assert round(contrast_ratio(ink, paper), decimals) == ratio


def test_a_grey_just_below_the_threshold_stays_below_it() -> None:
    # WCAG 2.2, Understanding 1.4.3: computed values are not rounded (4.499 would not meet 4.5)
    assert contrast_ratio("#777777", WHITE) < 4.5


@given(one=COLOURS, other=COLOURS)
def test_contrast_has_no_order_and_stays_in_its_range(one: str, other: str) -> None:
    assert contrast_ratio(one, other) == contrast_ratio(other, one)
    assert 1 <= contrast_ratio(one, other) <= 21


@given(background=COLOURS)
def test_every_swatch_can_be_written_on(background: str) -> None:
    # the worst grey gives the square root of 21 = 4.58 both ways
    assert contrast_ratio(ink_on(background), background) > 4.5


def test_yellow_takes_black_ink_and_navy_white() -> None:
    assert (ink_on("#ffff00"), ink_on("#000080")) == (BLACK, WHITE)


@pytest.mark.parametrize(
    ("shade", "word"),
    [
        # CSS Color 4, named colours: their values with the plain word in their own name
        ("#000000", "black"),
        ("#ffffff", "white"),
        ("#808080", "grey"),
        ("#ff0000", "red"),
        ("#8b0000", "red"),
        ("#ffa500", "orange"),
        ("#ffff00", "yellow"),
        ("#008000", "green"),
        ("#90ee90", "green"),
        ("#0000ff", "blue"),
        ("#4682b4", "blue"),
        ("#800080", "purple"),
        ("#ffc0cb", "pink"),
        ("#8b4513", "brown"),
        # shades of plastic as workshops name them: common practice, no source
        ("#26262a", "black"),
        ("#f3f1e8", "white"),
        ("#e8590c", "orange"),
        ("#5d6b3a", "green"),
    ],
)
def test_a_shade_is_found_by_the_plain_word_for_it(shade: str, word: str) -> None:
    assert word in basic_words(shade)
