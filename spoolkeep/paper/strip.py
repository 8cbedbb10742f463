"""The strip that shows a colour on a label: the colour itself, and beside it a pattern that one-bit black can print.

The label press draws with it. It must not know articles or stocks.
"""

import itertools
from collections.abc import Iterator, Sequence
from enum import StrEnum

from spoolkeep.domain.colour import BLACK, WHITE, relative_luminance
from spoolkeep.domain.words import Finish
from spoolkeep.paper.ink import Box, Ink
from spoolkeep.paper.letters import Face, fit
from spoolkeep.paper.stocks import Grid

_DARK_BELOW, _LIGHT_FROM = 0.0838, 0.4834
"""Relative luminances of lightness 35 and 75. Source: CIE 15, L* = 116 (Y/Yn)^(1/3) - 16; the limits are our choice."""
_LINE_MM, _STRIPE_MM, _SQUARE_MM = 0.25, 0.375, 0.5
_SQUARES_ACROSS = 6
_PATTERN_SHARE = 0.4


class Tone(StrEnum):
    """How a colour looks when only black and white can be printed."""

    DARK = "dark"
    MIDDLE = "middle"
    LIGHT = "light"
    CLEAR = "clear"


def tone_of(shade: str, finish: str) -> Tone:
    """Give the tone of an sRGB shade: clear by its finish, else by its lightness. Errors: BadInput."""
    if finish == Finish.CLEAR:
        return Tone.CLEAR
    luminance = relative_luminance(shade)
    if luminance < _DARK_BELOW:
        return Tone.DARK
    return Tone.LIGHT if luminance >= _LIGHT_FROM else Tone.MIDDLE


def draw_strip(ink: Ink, box: Box, grid: Grid, *, shades: Sequence[str], finish: str) -> None:
    """Draw the strip: an outline; in it the shades from the top down, each with its pattern to the right.

    The pattern is solid for dark, stripes for middle, blank for light and a chequer for clear. Without a shade there
    is a question mark. Errors: BadInput where a shade is no colour.
    """
    line = max(2, grid.dots(_LINE_MM))
    ink.fill(box, BLACK)
    inner = Box(box.left + line, box.bottom + line, box.width - 2 * line, box.height - 2 * line)
    ink.fill(inner, WHITE)
    if not shades:
        _draw_unknown(ink, inner)
        return
    pattern = round(inner.width * _PATTERN_SHARE)
    for shade, part in zip(shades, _parts(inner, len(shades), line), strict=True):
        ink.fill(Box(part.left, part.bottom, part.width - pattern - line, part.height), shade)
        right = part.left + part.width - pattern
        ink.black([Box(right - line, part.bottom, line, part.height)])
        ink.black(_pattern(Box(right, part.bottom, pattern, part.height), grid, tone=tone_of(shade, finish)))
    for part in _parts(inner, len(shades), line)[1:]:
        ink.black([Box(inner.left, part.bottom + part.height, inner.width, line)])


def _parts(inner: Box, count: int, line: int) -> list[Box]:
    """Split from the top down, with a line's room between two."""
    room = inner.height - (count - 1) * line
    edges = [inner.height - (room * at // count + at * line) for at in range(count + 1)]
    return [
        Box(inner.left, inner.bottom + max(0, lower + line), inner.width, upper - max(0, lower + line))
        for upper, lower in itertools.pairwise(edges)
    ]


def _pattern(key: Box, grid: Grid, *, tone: Tone) -> list[Box]:
    """Give what is black in the part beside a shade."""
    if tone is Tone.DARK:
        return [key]
    if tone is Tone.MIDDLE:
        step = max(2, grid.dots(_STRIPE_MM))
        return [
            Box(key.left, key.bottom + at, key.width, min(step, key.height - at))
            for at in range(step, key.height, 2 * step)
        ]
    square = max(2, grid.dots(_SQUARE_MM), key.width // _SQUARES_ACROSS)
    return list(_chequer(key, square)) if tone is Tone.CLEAR else []


def _chequer(key: Box, step: int) -> Iterator[Box]:
    for row, up in enumerate(range(0, key.height, step)):
        for across in range(step * (row % 2), key.width, 2 * step):
            yield Box(key.left + across, key.bottom + up, min(step, key.width - across), min(step, key.height - up))


def _draw_unknown(ink: Ink, inner: Box) -> None:
    mark = fit("?", Face.STRONG, inner.height * 0.6, width=inner.width * 0.8)
    ink.put("0 g")
    ink.text(mark, inner.left + (inner.width - mark.width) / 2, inner.bottom + inner.height / 2 - mark.size * 0.36)
