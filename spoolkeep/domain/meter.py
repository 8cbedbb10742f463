"""The plastic that a motion file draws, tool by tool, metered from its moves; and how much of it at any point.

Services and the command line call it. It must not know machines, spools or weights. Ordinary moves are read many at a
time, as arrays; each line that is out of the ordinary goes to `motion`, which knows the whole dialect.
"""

import itertools
import re
from bisect import insort
from collections import Counter
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from fractions import Fraction
from functools import cached_property, lru_cache
from operator import attrgetter
from typing import NamedTuple, Protocol

import numpy as np
from numpy.typing import NDArray

from spoolkeep.domain.course import MOST_POINTS, Course, Point, thinned
from spoolkeep.domain.errors import BadInput
from spoolkeep.domain.motion import PER_MM, Motion, command_of, mm_by_tool, plain, units_of, words_of
from spoolkeep.domain.words import Cause

BLOCK = 1 << 19
"""So many bytes are read at a time: what is looked at stays in a processor's near memory."""
_LONGEST_LINE = 1 << 16
_LAYER = re.compile(rb";[ \t]*(?:LAYER_CHANGE|CHANGE_LAYER|LAYER[ :#]*\d+)")
"""Comments by which slicing programs mark where a layer begins. Source: common practice, no source."""
_FEATURE = re.compile(rb"; ?(?:TYPE|FEATURE):[ \t]*([^\r\n]*)")
"""Comments by which slicing programs say what comes next. Source: common practice, no source."""
_WASTED = ((b"TOWER", Cause.PURGE), (b"PURGE", Cause.PURGE), (b"SKIRT", Cause.PRIME))
"""What such a comment holds where plastic comes out that is no part of the print: a wipe or prime tower, a skirt."""
_NUMBER = re.compile(rb"[+-]?(?:\d+\.?\d*|\.\d+)")
_RISE = PER_MM // 25
"""A layer is at least 0.04 mm above all before it. Source: our own choice; the thinnest are about so."""
_FINEST = 1 << 15
"""At first what was drawn is written down every so many bytes; as a file goes on, at greater steps."""
_DIGITS, _WHOLE_DIGITS, _DECIMALS = 13, 6, 9
"""The characters of an ordinary number, and those before its point; one at a time reads what has more."""
_NEVER = 1 << 62
_BY_BYTE = attrgetter("byte")
_HEAD = 1 << 14
_LEAST_ON_A_LAYER = PER_MM // 100
_MAKE_RELATIVE = (b"M83", b"G91")
_SHOWN = 60
_NEWLINE, _SEMICOLON, _RETURN, _BLANK, _BRACKET = 10, 59, 13, 32, 40
_E, _F, _G, _M, _T, _Z, _DOT, _MINUS, _PLUS, _NOUGHT = 69, 70, 71, 77, 84, 90, 46, 45, 43, 48
Bytes = NDArray[np.uint8]
Whole = NDArray[np.int64]


class Source(Protocol):
    """Whatever gives bytes until there are none."""

    def read(self, size: int, /) -> bytes:
        """Give at most so many of the bytes that come next."""


@dataclass(frozen=True)
class Metered:
    """What one motion file draws.

    `mm` is the net advance of filament by tool; a tool that nets to nothing is not in it, and one that ends further
    back than it began is negative. `head` and `tail` are the file's first and last few thousand bytes.
    """

    mm: dict[int, float]
    waste: dict[Cause, dict[int, float]]
    """What of it the file's own comments call a tower or a skirt, by cause and tool; the moves do not tell it."""
    course: Course
    notes: tuple[str, ...]
    head: bytes
    tail: bytes

    @property
    def lines(self) -> int:
        """Give how many lines the file has."""
        return self.course.points[-1].line


def meter(stream: Source, *, g90_governs_e: bool = False) -> Metered:
    """Meter the motion file that a stream gives, in bounded memory, whatever its size.

    Errors: BadInput where it is no motion file, a line cannot be read, or no plastic is pushed out; the words say the
    line.
    """
    run = _Run(Motion(g90_governs_e=g90_governs_e))
    for block in _blocks(stream, run):
        run.read(block)
    return run.metered()


def _blocks(stream: Source, run: "_Run") -> Iterator[bytes]:
    """Give the stream in pieces that end with a line."""
    rest = b""
    while piece := stream.read(BLOCK):
        cut = piece.rfind(b"\n") + 1
        if cut:
            yield rest + piece[:cut] if rest else piece[:cut]
            rest = piece[cut:]
        else:
            rest += piece
        if len(rest) > _LONGEST_LINE:
            raise BadInput("not_motion", f"Line {run.lines + 1} has no end, so this is no motion file.")
    if rest:
        yield rest + b"\n"


class _Lines:
    """A block of whole lines in capitals, and which of them are out of the ordinary."""

    def __init__(self, text: bytes) -> None:
        self.text = text
        self.bytes: Bytes = np.frombuffer(text, np.uint8)
        ends = np.flatnonzero(self.bytes == _NEWLINE)
        self.starts = np.concatenate(([0], ends[:-1] + 1))
        first, second, third = (_after(self.bytes, self.starts, off) for off in range(3))
        self.are_moves = (first == _G) & (second - np.uint8(_NOUGHT) < 4) & (third == _BLANK)  # noqa: PLR2004 - G0 to G3
        self._are_still = (first == _SEMICOLON) | (first == _NEWLINE) | (first == _RETURN)
        names = second if not (second == _BLANK).any() else np.where(second == _BLANK, third, second)
        self._may_say = (first == _SEMICOLON) & ((names == _T) | (names == _F))
        self._are_idle = first == _M
        if self._are_idle.any():
            self._are_idle &= _is_idle(second, third, _after(self.bytes, self.starts, 3))
        if b"(" in text:
            self.are_moves[self.lines_of(np.flatnonzero(self.bytes == _BRACKET))] = False

    def __len__(self) -> int:
        return len(self.starts)

    def lines_of(self, at: NDArray[np.intp]) -> NDArray[np.intp]:
        """Give the lines on which these bytes stand."""
        return np.searchsorted(self.starts, at, "right") - 1

    def line(self, index: int) -> bytes:
        """Give a line."""
        return self.text[self.starts[index] : self.start(index + 1)]

    def start(self, index: int) -> int:
        """Give where a line begins; beyond the last, where the block ends."""
        return int(self.starts[index]) if index < len(self.starts) else len(self.text)

    def odd(self) -> list[int]:
        """Give the lines that are neither ordinary moves nor empty, comments or commands that move no filament."""
        return list(map(int, np.flatnonzero(~(self.are_moves | self._are_still | self._are_idle))))

    def any_command(self) -> bool:
        """Give whether an ordinary move, or a command that moves no filament, is among them."""
        return bool((self.are_moves | self._are_idle).any())

    def say(self, *commands: bytes) -> bool:
        """Give whether an odd line holds one of these commands."""
        return any(command in line for line in map(self.line, self.odd()) for command in commands)

    def rising(self) -> list[int]:
        """Give the ordinary moves with a height."""
        lines = np.unique(self.lines_of(np.flatnonzero(self.bytes == _Z)))
        return list(map(int, lines[self.are_moves[lines]]))

    def layers(self) -> set[int]:
        """Give the comments that say that a layer begins."""
        at = [match.start() for match in _LAYER.finditer(self.text)]
        lines = self.lines_of(np.array(at, dtype=np.intp))
        return set(lines[self.starts[lines] == at].tolist())

    def features(self) -> dict[int, Cause | None]:
        """Give the comments that say what comes next, and for what its plastic is wasted, if it is."""
        text, found = self.text, {}
        for index, start in zip(
            np.flatnonzero(self._may_say).tolist(), self.starts[self._may_say].tolist(), strict=True
        ):
            is_feature, cause = _says(text[start : text.find(b"\n", start)])
            if is_feature:
                found[index] = cause
        return found

    def first_told(self) -> int | None:
        """Give the first line that is neither empty nor a comment."""
        told = np.flatnonzero(~self._are_still)
        return int(told[0]) if len(told) else None

    def last_told(self, begin: int, end: int) -> int | None:
        """Give the last number to which an ordinary move of these lines pushes filament, if any does."""
        text, stop = self.text, self.start(end)
        while (at := text.rfind(b"E", self.start(begin), stop)) >= 0:
            stop = text.rfind(b"\n", 0, at) + 1
            if text[stop] != _G:
                continue
            number = _NUMBER.match(text, at + 1)
            if number is None or b";" in text[stop:at] or b"(" in text[stop:at]:
                told = words_of(command_of(plain(text[stop : text.find(b"\n", at)]))[1]).get(b"E")
            else:
                told = number[0]
            if told is not None:
                return units_of(told)
        return None

    @cached_property
    def sums(self) -> Whole:
        """Give what the ordinary moves before each line push together, and at last what all do, in picometres.

        Lines whose number is not ordinary are dropped from `are_moves`, so ask this before `odd`.
        """
        at = np.flatnonzero(self.bytes == _E)
        lines = self.lines_of(at)
        told = self.are_moves[lines] & (at < self._comments()[lines])
        at, lines = at[told], lines[told]
        units, are_read = _numbers(self.bytes, at + 1)
        are_read[1:] &= lines[1:] != lines[:-1]  # a second E on a line
        self.are_moves[lines[~are_read]] = False
        each = np.zeros(len(self) + 1, np.int64)
        each[lines + 1] = np.where(self.are_moves[lines], units, 0)
        return np.cumsum(each)

    def _comments(self) -> NDArray[np.intp]:
        """Give where the comment of each line begins, or a place beyond the block."""
        begins = np.full(len(self.starts), _NEVER, dtype=np.intp)
        at = np.flatnonzero(self.bytes == _SEMICOLON)[::-1]
        begins[self.lines_of(at)] = at  # backwards, so that a line's first one stays
        return begins


class _Rough(NamedTuple):
    """A point of the file's course, what was drawn by then not yet in millimetres."""

    byte: int
    line: int
    layer: int
    drawn: Mapping[tuple[int, Fraction | float], int]


class _Run:
    """A file as far as it was read."""

    def __init__(self, motion: Motion) -> None:
        self.motion = motion
        self.lines = self._size = self._layer = 0
        self._points = [_Rough(0, 0, 0, {})]
        self._step = _FINEST
        self._first: tuple[int, str] | None = None
        self._head, self._tail = b"", (b"", b"")
        self._are_layers_marked = False
        self._top = -_NEVER
        self._most = 0
        self._feature: Cause | None = None
        self._since: Mapping[tuple[int, Fraction | float], int] = {}
        """What was drawn when the feature began that wastes plastic."""
        self._wasted: dict[Cause, Counter[tuple[int, Fraction | float]]] = {}
        self._risen: tuple[int, _Rough] | None = None
        """The height to which the head last went, and where that was."""

    def read(self, block: bytes) -> None:
        """Read a block of whole lines."""
        if b"\0" in block:
            raise BadInput("not_motion", f"Line {self.lines + 1} holds bytes that are no text: this is no motion file.")
        self._head = self._head or block
        self._tail = self._tail[1], block
        has_small_letters = np.frombuffer(block, np.uint8).max() >= ord("a")
        lines = _Lines(block.upper() if has_small_letters else block)
        if self.motion.relative or lines.say(*_MAKE_RELATIVE):
            _ = lines.sums  # before `odd`: it finds more of them
        self.motion.understood += lines.any_command()
        self._first = self._first or self._found(block, lines)
        layers = lines.layers()
        self._are_layers_marked = self._are_layers_marked or bool(layers)
        heights = [] if self._are_layers_marked else lines.rising()
        slow = {*lines.odd(), *heights}
        features = self._turns(lines)
        done = 0
        marked = {*layers, *self._due(lines)}
        for index in sorted({*slow, *features, *marked}):
            self._push(lines, done, index)
            done = index
            if index in features:
                self._turn(features[index])
            if index in slow:
                done += 1
                self._obey(lines, index)
            elif index in marked:
                self._mark(lines, index, is_layer=index in layers)
        self._push(lines, done, len(lines))
        self.lines += len(lines)
        self._size += len(block)

    def metered(self) -> Metered:
        """Give what was found. Errors: BadInput where it is no motion file, or pushes nothing out."""
        if not self.motion.understood:
            number, words = self._first or (1, "")
            told = f"“{words}” is no command" if words else "there is none"
            raise BadInput("not_motion", f"No line moves a machine: on line {number} {told}. Choose a motion file.")
        self._turn(None)
        end = _Rough(self._size, self.lines, self._layer, self.motion.drawn)
        if not self._are_layers_marked:
            self._rise(end)
        self._points.append(end)
        course = Course(tuple(_counted(self._points)))
        mm = {tool: mm for tool, mm in course.points[-1].mm.items() if round(mm, 6)}
        if not any(drawn > 0 for drawn in mm.values()):
            raise BadInput("nothing_extruded", f"None of its {self.lines} lines pushes plastic out. Slice it again.")
        notes = tuple(f"{words}." if count == 1 else f"{words} ({count} times)." for words, count in self._notes())
        waste = {cause: _pushed(mm_by_tool(drawn)) for cause, drawn in self._wasted.items()}
        return Metered(
            mm,
            {cause: by_tool for cause, by_tool in waste.items() if by_tool},
            course,
            notes,
            self._head[:_HEAD],
            b"".join(self._tail)[-_HEAD:],
        )

    def _notes(self) -> Iterator[tuple[str, int]]:
        yield from self.motion.notes.items()
        for tool in sorted(self.motion.pulled):
            yield f"tool {tool} is held back by the firmware (G10) at the end, and nothing pushes it forward again", 1

    def _found(self, block: bytes, lines: _Lines) -> tuple[int, str] | None:
        """Give the number and words of the first line that says something."""
        index = lines.first_told()
        if index is None:
            return None
        line = block[lines.start(index) : lines.start(index + 1)]
        return self.lines + index + 1, line.decode("utf-8", "replace").strip()[:_SHOWN]

    def _push(self, lines: _Lines, begin: int, end: int) -> None:
        """Push what the ordinary moves of some lines say, from one on and up to another."""
        if begin >= end:
            return
        if self.motion.relative:
            if pushed := int(lines.sums[end] - lines.sums[begin]):
                self.motion.advance(pushed)
        elif (units := lines.last_told(begin, end)) is not None:
            self.motion.reach(units)

    def _turns(self, lines: _Lines) -> dict[int, Cause | None]:
        """Give the lines at which plastic begins to be wasted, or is so no longer."""
        found, last = {}, self._feature
        for index, cause in lines.features().items():
            if cause is not last:
                found[index] = last = cause
        return found

    def _turn(self, cause: Cause | None) -> None:
        """End what was begun, and begin what comes next."""
        drawn = self.motion.drawn
        if self._feature is not None:
            wasted = self._wasted.setdefault(self._feature, Counter())
            for key in drawn.keys() | self._since.keys():
                wasted[key] += drawn.get(key, 0) - self._since.get(key, 0)
        self._feature, self._since = cause, drawn.copy()

    def _obey(self, lines: _Lines, index: int) -> None:
        try:
            self.motion.obey(lines.line(index))
        except BadInput as refusal:
            raise BadInput(refusal.code, f"Line {self.lines + index + 1}: {refusal.words}") from None
        if not self._are_layers_marked and (self._risen is None or self._risen[0] != self.motion.height):
            self._rise(self._point(lines, index + 1))

    def _rise(self, here: _Rough) -> None:
        """Notice a new height: a layer began where the head last rose above all, if plastic came out there since.

        What a retraction's recovery gives back is none: it counts from the most that was ever drawn.
        """
        drawn = sum(here.drawn.values())
        if self._risen and drawn > self._most + _LEAST_ON_A_LAYER:
            self._top, since = self._risen
            self._layer += 1
            insort(self._points, since._replace(layer=self._layer), key=_BY_BYTE)
        self._most = max(self._most, drawn)
        height = self.motion.height
        self._risen = (height, here) if height >= self._top + _RISE else None

    def _mark(self, lines: _Lines, index: int, *, is_layer: bool) -> None:
        self._layer += is_layer
        self._points.append(self._point(lines, index))
        if len(self._points) > MOST_POINTS:
            self._step *= 2
            self._points = list(thinned(self._points, MOST_POINTS // 2))

    def _point(self, lines: _Lines, index: int) -> _Rough:
        return _Rough(self._size + lines.start(index), self.lines + index, self._layer, self.motion.drawn.copy())

    def _due(self, lines: _Lines) -> list[int]:
        """Give the lines at which what was drawn is written down besides, so that no point of the file is far off."""
        first = self._step - self._size % self._step
        return list(map(int, lines.lines_of(np.arange(first, len(lines.text), self._step))))


def _counted(points: list[_Rough]) -> Iterator[Point]:
    """Give points in millimetres, the layers put right: that one began is known only later, by its height."""
    layers = itertools.accumulate((point.layer for point in points), max)
    for point, layer in zip(points, layers, strict=True):
        yield Point(point.byte, point.line, layer, mm_by_tool(point.drawn))


@lru_cache(maxsize=256)
def _says(comment: bytes) -> tuple[bool, Cause | None]:
    """Give whether a comment says what comes next, and for what its plastic is wasted, if it is."""
    told = _FEATURE.match(comment)
    return told is not None, next((cause for word, cause in _WASTED if told and word in told[1]), None)


def _pushed(mm: Mapping[int, float]) -> dict[int, float]:
    return {tool: pushed for tool, pushed in mm.items() if round(pushed, 6) > 0}


def _after(text: Bytes, at: NDArray[np.intp], off: int) -> Bytes:
    """Give the bytes so far behind some; behind the last one, which ends a line, is that again."""
    found: Bytes = text[np.minimum(at + off, len(text) - 1)]
    return found


def _is_idle(second: Bytes, third: Bytes, fourth: Bytes) -> NDArray[np.bool_]:
    """Give which letters after an M name a command that `motion` has no rule for: other than M82, M83, M2x and M20x."""
    is_m20 = np.isin(fourth, np.frombuffer(b"078", np.uint8)) & (third == ord("0"))
    is_m2 = (second == ord("2")) & (is_m20 | (third == ord("2")))
    is_idle: NDArray[np.bool_] = np.isin(second, np.frombuffer(b"12345679", np.uint8)) & ~is_m2
    return is_idle


def _numbers(text: Bytes, at: NDArray[np.intp]) -> tuple[Whole, NDArray[np.bool_]]:
    """Give the numbers that begin at these bytes, in picometres, and which of them are ordinary ones."""
    signs = _after(text, at, 0)
    is_minus = signs == _MINUS
    at = at + (is_minus | (signs == _PLUS))
    units = np.zeros(len(at), np.int64)
    decimals = np.full(len(at), -1, np.int64)
    """-1 before the point, then how many digits after it."""
    going = np.ones(len(at), np.bool_)
    count = np.zeros(len(at), np.int64)
    for off in range(_DIGITS):
        byte = _after(text, at, off)
        digit = byte - np.uint8(_NOUGHT)
        is_digit = going & (digit < 10)  # noqa: PLR2004
        is_point = going & (byte == _DOT) & (decimals < 0)
        units = np.where(is_digit, units * 10 + digit, units)
        decimals += is_point | (is_digit & (decimals >= 0))
        count += is_digit
        going = is_digit | is_point
        if not going.any():
            break
    after = np.maximum(decimals, 0)
    whole = count - after
    are_read = ~going & (count > 0) & (after <= 9) & (whole <= _WHOLE_DIGITS)  # noqa: PLR2004
    units = units * 10 ** np.maximum(9 - after, 0)
    return np.where(is_minus, -units, units), are_read
