"""The linear code: its modules, the size that fits a label, and its bars as rectangles on whole printer dots.

The press and the reorder sheet draw with it. It must not know stocks or what a code stands for.
"""

import itertools
import math
from dataclasses import dataclass
from functools import lru_cache

from barcode.codex import Code128

from spoolkeep.domain.errors import BadInput
from spoolkeep.paper.ink import Box, rectangle
from spoolkeep.paper.stocks import Grid

QUIET_X = 10
"""Blank modules on each side. Source: ISO/IEC 15417; GS1 General Specifications, 5.4."""
LEAST_X_DOTS = 2
LEAST_X_MM = 0.25
"""The smallest module. Source: from memory, the usual smallest one of labels for use in house."""
LEAST_HEIGHT_MM = 5.0
LEAST_HEIGHT_SHARE = 0.15
"""The least height of bars, as a share of their length. Source: common advice, read at second hand."""
GOOD_HEIGHT_SHARE = 0.27
_CHARACTER = 11
"""Modules of a character. Source: ISO/IEC 15417."""


@dataclass(frozen=True)
class Symbol:
    """A linear code at one size: its modules from the left, 1 for a bar, and the dots of one module (X)."""

    modules: str
    x_dots: int

    @property
    def length_dots(self) -> int:
        """Give the length of the bars, without the quiet zones."""
        return len(self.modules) * self.x_dots

    @property
    def quiet_dots(self) -> int:
        """Give the width of a quiet zone."""
        return QUIET_X * self.x_dots

    def least_height_dots(self, grid: Grid) -> int:
        """Give the least height of the bars that scans well."""
        return max(math.ceil(LEAST_HEIGHT_SHARE * self.length_dots), math.ceil(LEAST_HEIGHT_MM / grid.mm(1)))

    def good_height_dots(self, grid: Grid) -> int:
        """Give the height that the bars take where there is room."""
        return max(math.ceil(GOOD_HEIGHT_SHARE * self.length_dots), self.least_height_dots(grid))

    def bars(self) -> tuple[tuple[int, int], ...]:
        """Give each bar's left edge and width, in whole dots from the first bar."""
        found, at = [], 0
        for module, run in itertools.groupby(self.modules):
            width = len(list(run)) * self.x_dots
            if module == "1":
                found.append((at, width))
            at += width
        return tuple(found)


def modules_of(text: str) -> str:
    """Give a text's modules in Code 128, without quiet zones: 1 for a bar, 0 for a space.

    Source: ISO/IEC 15417, as python-barcode encodes it.
    """
    # the encoder keeps its state after a build, so each text gets a new one
    return str(Code128(text).build()[0])


def fitted(text: str, grid: Grid, *, room_dots: int, bars_room_dots: int) -> Symbol:
    """Give the symbol with the most whole dots a module that fits.

    `room_dots` holds the bars and both quiet zones, `bars_room_dots` the bars alone: a quiet zone is blank, so it may
    lie where nothing can be printed.
    Errors: BadInput where a module would be narrower than 2 dots or 0.25 mm.
    """
    modules = modules_of(text)
    x_dots = min(room_dots // (len(modules) + 2 * QUIET_X), bars_room_dots // len(modules))
    if x_dots < LEAST_X_DOTS or grid.mm(x_dots) < LEAST_X_MM:
        words = (
            f"The label is too narrow for its code: a bar would be {x_dots} dots ({grid.mm(x_dots):.2f} mm) wide, and "
            f"needs {LEAST_X_DOTS} dots and {LEAST_X_MM} mm. Choose a wider label, or a printer with finer dots."
        )
        raise BadInput("label_too_narrow", words)
    return Symbol(modules, x_dots)


def bars_of(symbol: Symbol, left: int, bottom: int, *, height: int) -> str:
    """Give the PDF operators that draw the bars in black, the first one's left edge at `left`; lengths in dots."""
    chunks = (symbol.modules[at : at + _CHARACTER] for at in range(0, len(symbol.modules), _CHARACTER))
    wide = _CHARACTER * symbol.x_dots
    drawn = (
        _rectangles(chunk, symbol.x_dots, left + place * wide, bottom, height) for place, chunk in enumerate(chunks)
    )
    return " ".join(("0 g", *drawn, "f"))


@lru_cache(maxsize=8192)
def _rectangles(chunk: str, x_dots: int, left: int, bottom: int, height: int) -> str:  # noqa: PLR0917 - a cache's key
    """Give the rectangles of one character: there are 106, each begins with a bar, and only the last ends with one."""
    bars = Symbol(chunk, x_dots).bars()
    return " ".join(rectangle(Box(left + at, bottom, width, height)) for at, width in bars)
