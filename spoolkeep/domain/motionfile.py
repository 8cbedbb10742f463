"""The forms in which a motion file comes: as text, packed by gzip, binary, or several runs in one 3MF package.

Services and the command line read files through here. It must not know what is done with the figures.
"""

import gzip
import io
import re
import struct
import zipfile
import zlib
from collections.abc import Callable, Iterator
from dataclasses import dataclass, replace
from functools import partial
from pathlib import PurePosixPath
from typing import IO, BinaryIO

from spoolkeep.domain import binary_gcode
from spoolkeep.domain.errors import BadInput
from spoolkeep.domain.meter import Metered, meter
from spoolkeep.domain.running import MOST_S, seconds_of_moves, seconds_told
from spoolkeep.domain.words import TimeFrom

ENDINGS = (".gcode", ".gco", ".gc", ".g", ".nc", ".ngc")
"""How the names of plain motion files end, alone or in a package."""
_MOST_RUNS = 200
_PACKAGE = b"PK\x03\x04"
_OTHERS = {
    b"%PDF": "a PDF",
    b"\x89PNG": "a picture",
    b"\xff\xd8\xff": "a picture",
    b"solid": "a model (STL), which has not been sliced",
    b"ISO-10303": "a drawing (STEP), which has not been sliced",
    b"SQLite": "a database",
    b"\x7fELF": "a program",
    b"MZ": "a program",
    b"7z\xbc\xaf": "an archive (7z); unpack it",
    b"Rar!": "an archive (RAR); unpack it",
}
_STEPS = (".x3g", ".s3g")
TAKEN = (*ENDINGS, ".gz", ".bgcode", ".3mf", *_STEPS)
"""How the names of all forms end, those that are refused by name too."""
_DAMAGED = (
    EOFError,
    zlib.error,
    gzip.BadGzipFile,
    zipfile.BadZipFile,
    NotImplementedError,
    RuntimeError,
    struct.error,
)
"""What the libraries raise of archives that are cut off, damaged, locked or of a kind that they do not know."""
_PART_SIGN = b"PK\x01\x02"
_MOST_PARTS = 10_000
"""Entries of a package: its listing is held in memory. Source: our own choice; a package has some dozens."""
_PIECE = 1 << 20


@dataclass(frozen=True)
class Run:
    """One motion file; of a package, which of how many and what it is called there."""

    metered: Metered
    seconds: int | None
    """How long it runs; None where it does not say and its moves were not timed."""
    time_from: TimeFrom | None
    number: int = 1
    of: int = 1
    name: str = ""


def runs_in(stream: BinaryIO, *, name: str = "", g90_governs_e: bool = False, timed: bool = False) -> Iterator[Run]:
    """Meter the motion file in a stream that can be read from its beginning again, or each one of a package in turn.

    With `timed`, a file that does not say how long it runs is read once more, and its moves are timed.
    Errors: BadInput where it is of a form that cannot be read, damaged, cut off, or no motion file.
    """
    start = stream.read(16)
    stream.seek(0)
    _refuse_others(start, name)
    how = _How(g90_governs_e=g90_governs_e, timed=timed)
    if start.startswith(_PACKAGE):
        yield from _in_package(stream, how)
    else:
        yield _run(lambda: _opened(stream, start), how)


@dataclass(frozen=True)
class _How:
    g90_governs_e: bool
    timed: bool


def is_package(stream: BinaryIO) -> bool:
    """Give whether a stream holds a package, which may have several runs."""
    start = stream.read(4)
    stream.seek(0)
    return start == _PACKAGE


def _refuse_others(start: bytes, name: str) -> None:
    if not start:
        raise BadInput("not_motion", "The file is empty: line 1 is missing. Choose a motion file.")
    for sign, what in _OTHERS.items():
        if start.startswith(sign):
            raise BadInput("other_file", f"This is {what}. Choose the motion file that the machine prints from.")
    if name.lower().endswith(_STEPS):
        words = "This file counts a motor's steps (x3g), and only the machine knows how long one is. Export G-code."
        raise BadInput("other_binary", words)


def _opened(stream: BinaryIO, start: bytes) -> IO[bytes]:
    stream.seek(0)
    if start.startswith(b"\x1f\x8b"):
        return gzip.GzipFile(fileobj=stream)  # type: ignore[return-value] # it reads as one
    if start.startswith(binary_gcode.MAGIC):
        return io.BufferedReader(_Pieces(binary_gcode.lines_in(stream)))
    return stream


def _run(opened: Callable[[], IO[bytes]], how: _How) -> Run:
    """Meter one motion file, and time it."""
    counted = _Counted(opened())
    try:
        metered = meter(counted, g90_governs_e=how.g90_governs_e)
        seconds = seconds_told(metered.head + b"\n" + metered.tail)
        if seconds is not None or not how.timed:
            return Run(metered, seconds, TimeFrom.COMMENT if seconds else None)
        return _timed(metered, seconds_of_moves(opened()))
    except (ArithmeticError, ValueError):
        words = f"A number near line {counted.lines} is beyond what any machine does. Slice it again."
        raise BadInput("number_too_large", words) from None
    except _DAMAGED:
        words = f"The archive is cut off or damaged after line {counted.lines}. Copy the file again."
        raise BadInput("cut_off", words) from None


def _timed(metered: Metered, seconds: int) -> Run:
    return Run(metered, seconds, TimeFrom.MOVES) if seconds <= MOST_S else Run(metered, None, None)


class _Counted:
    """A stream that knows how many lines were read of it."""

    def __init__(self, stream: IO[bytes]) -> None:
        self._stream = stream
        self.lines = 0

    def read(self, size: int) -> bytes:
        piece = self._stream.read(size)
        self.lines += piece.count(b"\n")
        return piece


class _Pieces(io.RawIOBase):
    """A stream of pieces as they come."""

    def __init__(self, pieces: Iterator[bytes]) -> None:
        self._pieces, self._rest = pieces, b""

    def readable(self) -> bool:
        return True

    def readinto(self, buffer: memoryview) -> int:  # type: ignore[override] # what a reader gives
        while not self._rest:
            piece = next(self._pieces, None)
            if piece is None:
                return 0
            self._rest = piece
        count = min(len(buffer), len(self._rest))
        buffer[:count], self._rest = self._rest[:count], self._rest[count:]
        return count


def _in_package(stream: BinaryIO, how: _How) -> Iterator[Run]:
    """Meter each motion file of a package, in the order of the numbers in their names."""
    _refuse_many_parts(stream)
    try:
        with zipfile.ZipFile(stream) as package:
            if sum(one.compress_size for one in package.infolist()) > stream.seek(0, io.SEEK_END):
                raise zipfile.BadZipFile  # two parts share bytes, as no program writes them
            names = sorted((one for one in package.namelist() if one.lower().endswith(ENDINGS)), key=_natural)
            if not names:
                words = "The package holds no motion file: it has not been sliced. Slice it, and export it again."
                raise BadInput("not_sliced", words)
            if len(names) > _MOST_RUNS:
                raise BadInput("too_many_runs", f"The package holds {len(names)} motion files, more than {_MOST_RUNS}.")
            for number, name in enumerate(names, start=1):
                called = PurePosixPath(name).name
                yield replace(_named(partial(package.open, name), how, called), number=number, of=len(names))
    except _DAMAGED:
        raise BadInput("cut_off", "The package is cut off, damaged or locked. Export or copy it again.") from None


def _refuse_many_parts(stream: BinaryIO) -> None:
    """Refuse a package with more entries than any has, before its listing is read. Errors: BadInput."""
    parts, rest = 0, b""
    while piece := stream.read(_PIECE):
        parts += (rest + piece).count(_PART_SIGN)
        rest = piece[1 - len(_PART_SIGN) :]
    stream.seek(0)
    if parts > _MOST_PARTS:
        raise BadInput("too_many_runs", f"The package holds more than {_MOST_PARTS} parts. Export it again.")


def _named(opened: Callable[[], IO[bytes]], how: _How, name: str) -> Run:
    try:
        return replace(_run(opened, how), name=name)
    except BadInput as refusal:
        raise BadInput(refusal.code, f"{name}: {refusal.words}") from None


def _natural(name: str) -> list[tuple[int, str]]:
    """Order names by the numbers in them: run 10 comes after run 9."""
    return [(int(part), "") if part.isdigit() else (-1, part) for part in re.split(r"(\d+)", name)]
