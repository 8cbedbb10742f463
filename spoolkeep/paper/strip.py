"""The strip that shows a colour on a label: the colour itself, and beside it a pattern that one-bit black can print.

The label press draws with it. It must not know articles or stocks.
"""

import itertools
from collections.abc import Sequence
from dataclasses import dataclass
from enum import StrEnum

from reportlab.lib.colors import HexColor
from reportlab.pdfgen.canvas import Canvas

from spoolkeep.domain.colour import relative_luminance, srgb
from spoolkeep.domain.words import Finish
from spoolkeep.paper.barcode import SHRINK_DOTS
from spoolkeep.paper.letters import Face, draw, fit
from spoolkeep.paper.stocks import Grid

_DARK_BELOW, _LIGHT_FROM = 0.0838, 0.4834
"""Relative luminances of lightness 35 and 75. Source: CIE 15, L* = 116 (Y/Yn)^(1/3) - 16; the limits are our choice."""
_LINE_MM, _STRIPE_MM, _SQUARE_MM = 0.25, 0.375, 0.5
_PATTERN_SHARE = 0.4


class Tone(StrEnum):
    """How a colour looks when only black and white can be printed."""

    DARK = "dark"
    MIDDLE = "middle"
    LIGHT = "light"
    CLEAR = "clear"


@dataclass(frozen=True)
class Box:
    """A rectangle in whole dots, from its bottom left corner."""

    left: int
    bottom: int
    width: int
    height: int


def tone_of(shade: str, finish: str) -> Tone:
    """Give the tone of an sRGB shade: clear by its finish, else by its lightness. Errors: BadInput."""
    if finish == Finish.CLEAR:
        return Tone.CLEAR
    luminance = relative_luminance(shade)
    if luminance < _DARK_BELOW:
        return Tone.DARK
    return Tone.LIGHT if luminance >= _LIGHT_FROM else Tone.MIDDLE


def draw_strip(canvas: Canvas, box: Box, grid: Grid, *, shades: Sequence[str], finish: str) -> None:
    """Draw the strip: an outline; in it the shades from the top down, each with its pattern to the right.

    The pattern is solid for dark, stripes for middle, blank for light and a chequer for clear. Without a shade there
    is a question mark. Errors: BadInput where a shade is no colour.
    """
    line = max(2, grid.dots(_LINE_MM))
    _fill(canvas, box, "#000000")
    inner = Box(box.left + line, box.bottom + line, box.width - 2 * line, box.height - 2 * line)
    _fill(canvas, inner, "#ffffff")
    if not shades:
        _draw_unknown(canvas, inner)
        return
    pattern = round(inner.width * _PATTERN_SHARE)
    for shade, part in zip(shades, _parts(inner, len(shades), line), strict=True):
        _fill(canvas, Box(part.left, part.bottom, part.width - pattern - line, part.height), shade)
        right = part.left + part.width - pattern
        _fill(canvas, Box(right - line, part.bottom, line, part.height), "#000000")
        key = Box(right, part.bottom, pattern, part.height)
        _draw_pattern(canvas, key, grid, tone=tone_of(shade, finish))
    for part in _parts(inner, len(shades), line)[1:]:
        _fill(canvas, Box(inner.left, part.bottom + part.height, inner.width, line), "#000000")


def _parts(inner: Box, count: int, line: int) -> list[Box]:
    """Split from the top down, with a line's room between two."""
    room = inner.height - (count - 1) * line
    edges = [inner.height - (room * at // count + at * line) for at in range(count + 1)]
    return [
        Box(inner.left, inner.bottom + max(0, lower + line), inner.width, upper - max(0, lower + line))
        for upper, lower in itertools.pairwise(edges)
    ]


def _draw_pattern(canvas: Canvas, key: Box, grid: Grid, *, tone: Tone) -> None:
    if tone is Tone.DARK:
        _fill(canvas, key, "#000000")
    elif tone is Tone.MIDDLE:
        step = max(2, grid.dots(_STRIPE_MM))
        for at in range(step, key.height, 2 * step):
            _fill(canvas, Box(key.left, key.bottom + at, key.width, min(step, key.height - at)), "#000000")
    elif tone is Tone.CLEAR:
        _draw_chequer(canvas, key, max(2, grid.dots(_SQUARE_MM)))


def _draw_chequer(canvas: Canvas, key: Box, step: int) -> None:
    for row, up in enumerate(range(0, key.height, step)):
        for across in range(step * (row % 2), key.width, 2 * step):
            square = Box(key.left + across, key.bottom + up, min(step, key.width - across), min(step, key.height - up))
            _fill(canvas, square, "#000000")


def _draw_unknown(canvas: Canvas, inner: Box) -> None:
    mark = fit("?", Face.STRONG, inner.height * 0.6, width=inner.width * 0.8)
    canvas.setFillGray(0)
    draw(canvas, mark, inner.left + (inner.width - mark.width) / 2, inner.bottom + inner.height / 2 - mark.size * 0.36)


def _fill(canvas: Canvas, box: Box, shade: str) -> None:
    canvas.setFillColor(HexColor(srgb(shade)))
    left, bottom = box.left + SHRINK_DOTS, box.bottom + SHRINK_DOTS
    canvas.rect(left, bottom, box.width - 2 * SHRINK_DOTS, box.height - 2 * SHRINK_DOTS, stroke=0, fill=1)
