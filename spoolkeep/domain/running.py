"""How long a motion file runs: as it says itself in a comment, else as long as its moves take at their speeds.

Services ask it. It must not know machines: what a machine's acceleration adds, only its own reports tell.
"""

import math
import re
from collections.abc import Iterable

from spoolkeep.domain.motion import Words, command_of, plain, words_of

_TOTAL = re.compile(
    rb"(?im)^;[^\n]{0,60}?(?:total|print(?:ing)?|build)[^\n:=]{0,20}\btime\b[^\n:=]{0,30}[:=]([^\n;]{1,60})"
)
"""Comments like “estimated printing time (normal mode) = 1h 2m 3s”. Source: common practice, no source."""
_SECONDS = re.compile(rb"(?im)^;[ \t]*(?:print\.)?time[ \t]*[:=][ \t]*(\d{1,8})(?:\.\d+)?[ \t]*\r?$")
"""Comments like “TIME:3723”, in seconds. Source: common practice, no source."""
_PARTS = re.compile(rb"(\d+(?:\.\d+)?)\s*([dhms])[a-z]*", re.IGNORECASE)
_CLOCK = re.compile(rb"^\s*(?:(\d+):)?(\d{1,2}):(\d{2})\s*$")
_OF_PART = {b"d": 86_400, b"h": 3_600, b"m": 60, b"s": 1}
MOST_S = 100 * 86_400
_INCH = 25.4
_USUAL_MM_MIN = 1500.0
"""The speed of a file that moves before it says one. Source: our own choice."""
_AXES = (b"X", b"Y", b"Z", b"E")


def seconds_told(text: bytes) -> int | None:
    """Give the running time that a comment tells, in seconds, or None where none does."""
    for found in _TOTAL.finditer(text):
        if (seconds := _duration(found[1])) is not None:
            return seconds
    for found in _SECONDS.finditer(text):
        return min(int(found[1]), MOST_S) or None
    return None


def _duration(text: bytes) -> int | None:
    parts = _PARTS.findall(text)
    if parts:
        seconds = round(sum(float(number) * _OF_PART[unit.lower()] for number, unit in parts))
        return seconds if 0 < seconds <= MOST_S else None
    clock = _CLOCK.match(text)
    if clock is None:
        return None
    hours, minutes, rest = (int(part or 0) for part in clock.groups())
    return 3600 * hours + 60 * minutes + rest or None


def seconds_of_moves(lines: Iterable[bytes]) -> int:
    """Give the seconds that a file's moves take at the speeds that they ask for, and its pauses.

    It is the least that it can be: no machine is at its speed at once. Source: length over speed; G0 to G4, G20, G21,
    G28, G90 to G92 as the RepRap reference has them.
    """
    clock = _Clock()
    for line in lines:
        if line[:1] not in {b";", b"\n", b"M", b"m"}:
            clock.tick(line)
    return math.ceil(clock.seconds)


class _Clock:
    """Where the head is, how fast it was told to go, and the seconds so far."""

    def __init__(self) -> None:
        self.seconds = 0.0
        self._at = dict.fromkeys(_AXES, 0.0)
        self._mm_s = _USUAL_MM_MIN / 60
        self._unit = 1.0
        self._is_relative = False

    def tick(self, line: bytes) -> None:
        """Do one line."""
        code, rest = command_of(plain(line))
        if code in {b"G0", b"G1", b"G2", b"G3"}:
            self._move(words_of(rest), is_arc=code in {b"G2", b"G3"}, is_left=code == b"G3")
        elif code == b"G4":
            words = words_of(rest)
            self.seconds += float(words.get(b"S") or 0) + float(words.get(b"P") or 0) / 1000
        elif code in {b"G20", b"G21"}:
            self._unit = _INCH if code == b"G20" else 1.0
        elif code in {b"G90", b"G91"}:
            self._is_relative = code == b"G91"
        elif code == b"G92":
            words = words_of(rest)
            self._at |= {axis: float(words[axis] or 0) * self._unit for axis in _AXES if axis in words}

    def _move(self, words: Words, *, is_arc: bool, is_left: bool) -> None:
        if speed := float(words.get(b"F") or 0):
            self._mm_s = speed * self._unit / 60
        told = {axis: float(number) * self._unit for axis in _AXES if (number := words.get(axis))}
        if self._is_relative:
            told = {axis: self._at[axis] + step for axis, step in told.items()}
        step = {axis: to - self._at[axis] for axis, to in told.items()}
        flat = math.hypot(step.get(b"X", 0.0), step.get(b"Y", 0.0))
        if is_arc:
            flat = _arc(words, step, self._unit, is_left=is_left) or flat
        length = math.hypot(flat, step.get(b"Z", 0.0)) or abs(step.get(b"E", 0.0))
        self.seconds += length / self._mm_s
        self._at |= told


def _arc(words: Words, step: dict[bytes, float], unit: float, *, is_left: bool) -> float | None:
    """Give the length of an arc about a centre, or None where it names none."""
    across, up = (float(words.get(letter) or 0) * unit for letter in (b"I", b"J"))
    radius = math.hypot(across, up)
    if not radius:
        return None
    begins = math.atan2(-up, -across)
    ends = math.atan2(step.get(b"Y", 0.0) - up, step.get(b"X", 0.0) - across)
    turn = (ends - begins if is_left else begins - ends) % math.tau
    return radius * (turn or math.tau)
