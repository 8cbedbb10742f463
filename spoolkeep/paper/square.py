"""The small square code beside a label's text: our nine characters, which a camera reads at any angle.

The press draws with it. The linear code stays the one that a scanner reads.
"""

import itertools

import segno

from spoolkeep.paper.ink import Box, rectangle

MARGIN = 4
"""Blank modules around it. Source: ISO/IEC 18004, 5.3.8 (from memory)."""
MODULES = 21 + 2 * MARGIN
LEAST_DOTS, LEAST_MM = 3, 0.25
"""The smallest module that is printed. Source: our own choice; a phone's camera needs more than a scanner."""
_MASK = 3
"""One mask for all: trying the eight of them takes seven times as long, and any of them may be used."""


def side_dots(dots: int) -> int:
    """Give the side of the symbol with its margin, by the dots of a module."""
    return MODULES * dots


def square_of(text: str, left: int, bottom: int, *, dots: int) -> str:
    """Give the PDF operators that draw a text's symbol in black; `left` and `bottom` are the corner of its margin.

    Nine letters and digits in version 1 at level H, which is read with 30 % of it gone. Source: ISO/IEC 18004.
    """
    matrix = segno.make_qr(text, version=1, error="h", boost_error=False, mask=_MASK).matrix
    top = bottom + (MARGIN + len(matrix)) * dots
    drawn = []
    for row, modules in enumerate(matrix):
        at = left + MARGIN * dots
        for is_dark, run in itertools.groupby(modules):
            width = len(list(run)) * dots
            if is_dark:
                drawn.append(rectangle(Box(at, top - (row + 1) * dots, width, dots)))
            at += width
    return " ".join(("0 g", *drawn, "f"))
