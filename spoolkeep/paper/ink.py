"""Ink on a page whose unit is one printer dot: rectangles snapped to whole dots, text, and drawings that come again.

The press draws with it, and writes each operator itself: a library's canvas takes several times as long for the same.
It must not know what is drawn.
"""

import re
from collections.abc import Callable, Hashable, Iterable
from dataclasses import dataclass

from reportlab import rl_config
from reportlab.pdfgen.canvas import Canvas

from spoolkeep.domain.colour import BLACK, channels
from spoolkeep.paper.letters import Line

SHRINK_DOTS = 0.02
"""What is taken off each side of a rectangle, so that no renderer spills it into the next dot. Source: measured.

The page begins so far up and right, so that a rectangle is written with whole numbers and only its sides are shorter.
"""
_LEADING = re.compile(r"\S+ TL ")
"""The distance to a next line, of which there is none."""
rl_config.useA85 = 0  # else every stream is written in letters, a quarter longer


@dataclass(frozen=True)
class Box:
    """A rectangle in whole dots, from its bottom left corner."""

    left: int
    bottom: int
    width: int
    height: int


class Ink:
    """What is drawn on the pages of one document. A drawing that comes again is written as it was the first time."""

    def __init__(self, canvas: Canvas) -> None:
        self._canvas = canvas
        self._written: list[str] = []
        self._texts: dict[tuple[str, str, float], str] = {}
        self._drawings: dict[Hashable, str] = {}

    def put(self, operators: str) -> None:
        """Write PDF operators. Source: ISO 32000-1, 8.4 to 9.4."""
        self._written.append(operators)

    def again(self, key: Hashable, draw: Callable[[], None]) -> None:
        """Draw what `draw` draws; under the same key it is asked only once."""
        kept = self._drawings.get(key)
        if kept is None:
            before, self._written = self._written, []
            draw()
            kept = "\n".join(self._written)
            self._written = before
            self._drawings[key] = kept
        self._written.append(kept)

    def fill(self, box: Box, shade: str = BLACK) -> None:
        """Fill a rectangle with a shade like #1f6feb. Errors: BadInput where it is no shade."""
        self.put(f"{_colour(shade)} rg {rectangle(box)} f")

    def black(self, boxes: Iterable[Box]) -> None:
        """Fill rectangles with black, as one path."""
        drawn = " ".join(map(rectangle, boxes))
        if drawn:
            self.put(f"0 g {drawn} f")

    def text(self, line: Line, x: float, y: float) -> None:
        """Write a line in black from its left end, on its baseline."""
        if not line.text:
            return
        key = (line.text, line.face, line.size)
        shown = self._texts.get(key)
        if shown is None:
            shown = self._texts[key] = self._shown(line)
        self.put(f"BT 1 0 0 1 {short(x)} {short(y)} Tm {shown} ET")

    def text_right(self, line: Line, x: float, y: float) -> None:
        """Write a line up to its right end, on its baseline."""
        self.text(line, x - line.width, y)

    def begin(self, points_a_dot: float) -> None:
        """Begin a page: from here on its unit is one dot."""
        scale, shift = f"{points_a_dot:.8f}", f"{SHRINK_DOTS * points_a_dot:.8f}"
        self.put(f"{scale} 0 0 {scale} {shift} {shift} cm")

    def lay(self) -> None:
        """Put what was drawn on the canvas."""
        self._canvas.addLiteral("\n".join(self._written))
        self._written = []

    def turn(self) -> None:
        """Put what was drawn on the canvas' page, and begin the next one."""
        self.lay()
        self._canvas.showPage()

    def _shown(self, line: Line) -> str:
        """Give the operators between BT and ET that choose the face and show the text, as the library encodes it."""
        piece = self._canvas.beginText()
        piece.setFont(str(line.face), round(line.size, 2))
        piece.textOut(line.text)
        return _LEADING.sub("", piece.getCode().partition(" Tm ")[2].removesuffix(" ET"))


def rectangle(box: Box) -> str:
    """Give the operator that adds a rectangle to a path, each side shrunk a little."""
    return f"{box.left} {box.bottom} {short(box.width - 2 * SHRINK_DOTS)} {short(box.height - 2 * SHRINK_DOTS)} re"


def short(number: float) -> str:
    """Give a number to a hundredth of a dot, without needless noughts."""
    return f"{number:.2f}".rstrip("0").rstrip(".")


def _colour(shade: str) -> str:
    return " ".join(f"{channel / 255:.3g}" for channel in channels(shade))
