"""The colour strip: what a printer with black only can still tell."""

import io

import numpy as np
import pytest
from reportlab.pdfgen.canvas import Canvas

from spoolkeep.domain.errors import BadInput
from spoolkeep.paper.ink import Box, Ink
from spoolkeep.paper.stocks import Grid
from spoolkeep.paper.strip import Tone, draw_strip, tone_of
from tests.paper.pictures import Picture, pages_of

GRID = Grid(203)


def strip(*shades: str, finish: str = "satin") -> Picture:
    """Give a strip of 60 by 120 dots as it is printed."""
    out = io.BytesIO()
    canvas = Canvas(out, pagesize=(59.99 * GRID.points_a_dot, 119.99 * GRID.points_a_dot), invariant=1)
    ink = Ink(canvas)
    ink.begin(GRID.points_a_dot)
    draw_strip(ink, Box(0, 0, 60, 120), GRID, shades=shades, finish=finish)
    ink.turn()
    canvas.save()
    return pages_of(out.getvalue(), 203)[0][:120, :60]


def key_of(picture: Picture) -> Picture:
    """Give the part that has the pattern, inside the outline."""
    return picture[4:-4, 40:56]


@pytest.mark.parametrize(
    ("shade", "finish", "tone"),
    [
        ("#000000", "matt", Tone.DARK),
        ("#23262b", "satin", Tone.DARK),
        ("#808080", "satin", Tone.MIDDLE),
        ("#d22b2b", "gloss", Tone.MIDDLE),
        ("#f4f2ea", "matt", Tone.LIGHT),
        ("#ffff00", "gloss", Tone.LIGHT),
        ("#dfe7ea", "clear", Tone.CLEAR),
        ("#102030", "clear", Tone.CLEAR),
    ],
)
def test_a_colour_has_the_tone_that_the_eye_gives_it(shade: str, finish: str, tone: Tone) -> None:
    assert tone_of(shade, finish) is tone


def test_dark_middle_light_and_clear_look_different_in_black_and_white() -> None:
    dark, middle, light = (key_of(strip(shade)) < 128 for shade in ("#101010", "#808080", "#f8f8f8"))
    clear = key_of(strip("#f8f8f8", finish="clear")) < 128
    assert dark.all()
    assert not light.any()
    assert 0.4 < middle.mean() < 0.6
    assert 0.4 < clear.mean() < 0.6
    # stripes are the same all along a row, a chequer is not
    assert all(len(np.unique(row)) == 1 for row in middle)
    assert any(len(np.unique(row)) == 2 for row in clear)


def test_even_white_has_an_outline() -> None:
    ink = strip("#ffffff") < 128
    assert ink[0].all()
    assert ink[-1].all()
    assert ink[:, 0].all()
    assert ink[:, -1].all()


def test_two_colours_lie_one_above_the_other() -> None:
    column = strip("#101010", "#f8f8f8")[:, 10]
    assert column[30] < 40
    assert column[90] > 240


def test_a_colour_without_a_value_shows_a_question_mark() -> None:
    ink = strip() < 128
    assert 0.02 < ink[4:-4, 4:-4].mean() < 0.4


def test_what_is_no_colour_is_refused() -> None:
    with pytest.raises(BadInput):
        strip("reddish")
