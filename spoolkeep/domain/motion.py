"""What a machine's controller makes of one line of a motion file, as far as the filament goes.

The meter asks it about each line that is out of the ordinary. It must not know files, weights or machines. The dialect
is RepRap's as its public documentation has it; where firmwares differ, the rule taken stands beside it.
Source: the RepRap G-code reference, the documents of the common open firmwares, and NIST RS274NGC for words, comments
and block structure; from memory. Each rule names its command.
"""

import math
import re
from collections import Counter
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from fractions import Fraction
from typing import ClassVar

from spoolkeep.domain.errors import BadInput

PER_MM = 10**9
"""Lengths are whole picometres: sums of them are exact, and no file is written finer."""
_DECIMALS = 9
MOST_TOOLS = 255
"""Numbers from here on are a machine's signs for parking or loading, not tools."""
_MOST_FACTORS = 2_000
"""Tools and flows, each of which is counted for itself. Source: our own choice; a file has some dozens."""
_MOST_NOTES = 20

_WORD = re.compile(rb"([A-Z])[ \t]*([+-]?(?:\d+\.?\d*|\.\d+))?")
_NUMBERED = re.compile(rb"\s*N\s*\d+")
_INCH = Fraction(254, 10)
_INCH_CUBED = _INCH**3
_LETTERS = (b"G", b"M", b"T")
Words = dict[bytes, bytes | None]


def units_of(number: bytes) -> int:
    """Give a number of a motion file, like -.8 or 12.345, as whole picometres; a tenth decimal is rounded half up."""
    whole, _, part = number.lstrip(b"+-").partition(b".")
    units = int((whole or b"0") + part[:_DECIMALS].ljust(_DECIMALS, b"0"))
    units += part[_DECIMALS : _DECIMALS + 1] >= b"5"
    return -units if number.startswith(b"-") else units


def plain(line: bytes) -> bytes:
    """Give a line without comments, line number and checksum, in capitals.

    A comment goes from a semicolon to the line's end, or stands in round brackets. Source: RS274NGC 3.3.4; RepRap,
    “Comments” and “N and *”.
    """
    if b"(" in line:
        line = _without_brackets(line)
    line = line.partition(b";")[0].partition(b"*")[0].upper()
    return _NUMBERED.sub(b"", line, count=1).strip()


def _without_brackets(line: bytes) -> bytes:
    kept, rest = b"", line
    while True:
        before, bracket, after = rest.partition(b"(")
        if not bracket or b";" in before:
            return kept + rest
        kept += before
        rest = after.partition(b")")[2]


def command_of(line: bytes) -> tuple[bytes, bytes]:
    """Give the command of a plain line, like G1, and what follows it; the command is empty where there is none.

    Names of letters only, by which some firmwares call their own routines, are no commands of the dialect.
    """
    first = _WORD.match(line)
    if first is None or first[2] is None:
        return b"", line
    letter, number = first[1], first[2]
    return letter + (number.lstrip(b"0") or b"0") if number.isdigit() else letter + number, line[first.end() :]


def words_of(line: bytes) -> Words:
    """Give the words that follow a command by their letters; where a letter comes twice, the last counts."""
    return {word[1]: word[2] for word in _WORD.finditer(line)}


@dataclass(slots=True)
class Motion:
    """What the controller holds between two lines.

    `drawn` has picometres by tool and factor: what the file's numbers add up to, and by how much they still have to be
    multiplied (flow; the inverse of the filament's cross-section where the file counts cubic millimetres).
    """

    g90_governs_e: bool = False
    """Whether G90 and G91 also say how E is meant: some firmwares do so, others do not."""
    relative: bool = False
    tool: int = 0
    factor: Fraction | float = Fraction(1)
    inches: Fraction = Fraction(1)
    position: int = 0
    height: int = 0
    drawn: Counter[tuple[int, Fraction | float]] = field(default_factory=Counter)
    notes: Counter[str] = field(default_factory=Counter)
    pulled: set[int] = field(default_factory=set)
    """The tools whose filament the firmware holds back, by G10."""
    understood: int = 0
    """How many lines were commands of the dialect, whatever they did."""
    _relative_moves: bool = False
    _flow: dict[int, Fraction] = field(default_factory=dict)
    _areas: dict[int | None, float] = field(default_factory=dict)
    _pulls: dict[bytes, int] = field(default_factory=dict)

    def advance(self, units: int) -> None:
        """Push filament by what a relative E word says, in the file's own unit."""
        self._reach(self.position + self._in_mm(units))

    def reach(self, units: int) -> None:
        """Push filament until the position of an absolute E word."""
        self._reach(self._in_mm(units))

    def obey(self, line: bytes) -> None:
        """Do what one line says. Errors: BadInput where a number in it cannot be used."""
        code, rest = command_of(plain(line))
        self.understood += code[:1] in _LETTERS
        rule = self._rules.get(code)
        if rule is not None:
            rule(self, words_of(rest))
        elif code.startswith(b"T"):
            self._change_tool(code[1:])

    def _reach(self, wanted: int) -> None:
        self.drawn[self.tool, self.factor] += wanted - self.position
        self.position = wanted

    def _in_mm(self, units: int) -> int:
        if self.inches == 1:
            return units
        return round(units * (_INCH_CUBED if self._areas else _INCH))

    def _length(self, number: bytes) -> int:
        return round(units_of(number) * self.inches)

    def _move(self, words: Words) -> None:
        if (height := words.get(b"Z")) is not None:
            self.height = self._length(height) + (self.height if self._relative_moves else 0)
        if (told := words.get(b"E")) is not None:
            (self.advance if self.relative else self.reach)(units_of(told))

    def _set_position(self, words: Words) -> None:
        """G92; without a word it sets every axis to nought."""
        if (told := words.get(b"E")) is not None or not words:
            self.position = self._in_mm(units_of(told or b"0"))
        if (height := words.get(b"Z")) is not None or not words:
            self.height = self._length(height or b"0")

    def _moves_relative(self, *, relative: bool) -> None:
        """G90 and G91."""
        self._relative_moves = relative
        if self.g90_governs_e:
            self.relative = relative

    def _change_tool(self, number: bytes) -> None:
        if not number.isdigit():
            return
        tool = int(number)
        if tool >= MOST_TOOLS:
            called = f"T{tool}" if len(self.notes) < _MOST_NOTES else "A further T"
            self.notes[f"{called} is no tool, so the one before it is taken to go on"] += 1
            return
        self.tool = tool
        self._find_factor()

    def _set_volumetric(self, words: Words) -> None:
        """M200: E words are cubic millimetres of a filament of diameter D; D0 or S0 ends it; without T for every tool.

        Firmwares differ in what M200 without T is for; where all filament is of one diameter they agree.
        """
        tool = _tool(words)
        diameter = words.get(b"D")
        if words.get(b"S") == b"0" or (diameter is not None and units_of(diameter) == 0):
            self._areas.clear() if tool is None else self._areas.pop(tool, None)
        elif diameter is not None:
            self._areas[tool] = math.pi / 4 * (self._length(diameter) / PER_MM) ** 2
        self._find_factor()

    def _set_flow(self, words: Words) -> None:
        """M221: S per cent of flow for a tool (T), or the present one."""
        percent = words.get(b"S")
        if percent is None:
            return
        told = _tool(words)
        tool = self.tool if told is None else told
        self._flow[tool] = Fraction(units_of(percent), 100 * PER_MM)
        self._find_factor()

    def _set_pull(self, words: Words) -> None:
        """M207: S is how far G10 pulls back, R how much further G11 pushes than that."""
        self._pulls |= {letter: self._length(told) for letter in (b"S", b"R") if (told := words.get(letter))}

    def _set_push(self, words: Words) -> None:
        """M208: S is how much further G11 pushes than G10 pulled."""
        if (told := words.get(b"S")) is not None:
            self._pulls[b"R"] = self._length(told)

    def _pull(self, words: Words) -> None:
        """G10: pull back, unless it is pulled back; with P or L it sets a tool's offsets instead.

        The lengths are of filament, whatever the flow and however E is counted.
        """
        if b"P" in words or b"L" in words or self.tool in self.pulled:
            return
        self.pulled.add(self.tool)
        if b"S" not in self._pulls:
            self.notes["G10 pulls back as far as the machine is set; the file does not say how far (M207)"] += 1
        self.drawn[self.tool, Fraction(1)] -= self._pulls.get(b"S", 0)

    def _push(self, _words: Words) -> None:
        """G11: push what G10 pulled, and what M208 or M207 adds to it."""
        if self.tool in self.pulled:
            self.pulled.remove(self.tool)
            self.drawn[self.tool, Fraction(1)] += self._pulls.get(b"S", 0) + self._pulls.get(b"R", 0)

    def _find_factor(self) -> None:
        flow = self._flow.get(self.tool, Fraction(1))
        if max(len(self.drawn), len(self._flow), len(self._areas)) > _MOST_FACTORS:
            raise BadInput("too_many_flows", f"The file sets more than {_MOST_FACTORS} flows. Slice it again.")
        area = self._areas.get(self.tool, self._areas.get(None))
        self.factor = flow if area is None else float(flow) / area

    _rules: ClassVar[Mapping[bytes, Callable[["Motion", Words], None]]] = {
        **dict.fromkeys((b"G0", b"G1", b"G2", b"G3"), _move),
        b"G10": _pull,
        b"G11": _push,
        b"G20": lambda motion, _: setattr(motion, "inches", _INCH),
        b"G21": lambda motion, _: setattr(motion, "inches", Fraction(1)),
        b"G90": lambda motion, _: motion._moves_relative(relative=False),  # noqa: SLF001 its own
        b"G91": lambda motion, _: motion._moves_relative(relative=True),  # noqa: SLF001 its own
        b"G92": _set_position,
        b"M82": lambda motion, _: setattr(motion, "relative", False),
        b"M83": lambda motion, _: setattr(motion, "relative", True),
        b"M200": _set_volumetric,
        b"M207": _set_pull,
        b"M208": _set_push,
        b"M221": _set_flow,
    }


def _tool(words: Words) -> int | None:
    told = words.get(b"T")
    return int(told) if told is not None and told.isdigit() else None


def mm_by_tool(drawn: Mapping[tuple[int, Fraction | float], int]) -> dict[int, float]:
    """Give millimetres of filament by tool, from what a file's numbers add up to.

    Errors: BadInput where that is more than there is.
    """
    found: dict[int, list[float]] = {}
    for (tool, factor), units in drawn.items():
        found.setdefault(tool, []).append(units * factor / PER_MM)
    summed = {tool: math.fsum(parts) for tool, parts in found.items()}
    if not all(math.isfinite(mm) for mm in summed.values()):
        raise BadInput(
            "absurd_length", "The file pushes out more plastic than there is: it is damaged. Slice it again."
        )
    return summed
