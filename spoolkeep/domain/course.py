"""How much of a motion file's plastic was drawn by any point of it: a byte, a line, a layer or a share of the file.

The meter writes it down, and jobs that ended early ask it. It must not know machines or weights.
"""

from bisect import bisect_right
from collections.abc import Sequence
from dataclasses import dataclass
from operator import attrgetter
from typing import TypeVar

from spoolkeep.domain.errors import BadInput, NotFound

MOST_POINTS = 1024
"""More points than these are thinned: between two of them what was drawn is taken to grow evenly."""


Kept = TypeVar("Kept")


@dataclass(frozen=True)
class Point:
    """Where in the file, in bytes and whole lines from its beginning; the layers begun; millimetres drawn by tool."""

    byte: int
    line: int
    layer: int
    mm: dict[int, float]


@dataclass(frozen=True)
class Course:
    """The points of a file, from its beginning to its end."""

    points: tuple[Point, ...]

    @property
    def layers(self) -> int:
        """Give how many layers the file has; 0 where it does not say and no height tells."""
        return self.points[-1].layer

    def at_byte(self, byte: int) -> dict[int, float]:
        """Give millimetres drawn by tool once so many bytes were read. Errors: NotFound beyond the file."""
        return self._at("byte", byte)

    def at_line(self, line: int) -> dict[int, float]:
        """Give millimetres drawn by tool once so many lines were done. Errors: NotFound beyond the file."""
        return self._at("line", line)

    def at_share(self, share: float) -> dict[int, float]:
        """Give millimetres drawn by tool at a share of the file's bytes, from 0 to 1. Errors: BadInput."""
        if not 0 <= share <= 1:
            raise BadInput("no_such_point", "A share of the file lies between 0 and 100 %.")
        return self._at("byte", round(share * self.points[-1].byte))

    def at_layer(self, layer: int) -> dict[int, float]:
        """Give millimetres drawn by tool in the middle of a layer, the first of which is 1.

        A machine that stops at a layer was somewhere in it. Errors: NotFound where the file has no such layer.
        """
        if not self.layers:
            raise NotFound("no_layers", "The file does not say where its layers begin. Give a share of it instead.")
        if not 1 <= layer <= self.layers:
            raise NotFound("no_such_point", f"The file has layers 1 to {self.layers}, and no layer {layer}.")
        begins = next(point for point in self.points if point.layer >= layer)
        ends = next((point for point in self.points if point.layer > layer), self.points[-1])
        return _between(begins, ends, 0.5)

    def _at(self, what: str, wanted: int) -> dict[int, float]:
        where = attrgetter(what)
        last = where(self.points[-1])
        if not 0 <= wanted <= last:
            raise NotFound("no_such_point", f"The file has {last} {what}s, and no {what} {wanted}.")
        after = bisect_right(self.points, wanted, key=where)
        if after == len(self.points):
            return dict(self.points[-1].mm)
        before, after_it = self.points[after - 1], self.points[after]
        return _between(before, after_it, (wanted - where(before)) / (where(after_it) - where(before)))


def thinned(points: Sequence[Kept], most: int) -> list[Kept]:
    """Give at most so many of the points, evenly, always with the first and the last."""
    if len(points) <= most:
        return list(points)
    step = (len(points) - 1) / (most - 1)
    return [points[round(number * step)] for number in range(most)]


def _between(one: Point, other: Point, share: float) -> dict[int, float]:
    tools = sorted({*one.mm, *other.mm})
    return {tool: one.mm.get(tool, 0.0) * (1 - share) + other.mm.get(tool, 0.0) * share for tool in tools}
