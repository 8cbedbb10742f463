"""Motion files in the open binary form, whose first letters are GCDE: its blocks, its packed letters, its compression.

`motionfile` reads them through here. It must not know what the lines say.
Source: the public specification of binary G-code, version 1; the published description of MeatPack; the format of
heatshrink streams as its encoder documents it.
"""

import struct
import zlib
from collections.abc import Iterator
from typing import BinaryIO

from spoolkeep.domain.errors import BadInput

MAGIC = b"GCDE"
_VERSION = 1
_GCODE_BLOCK, _THUMBNAIL, _LAST_TYPE = 1, 5, 5
_STORED, _DEFLATED, _HEATSHRUNK = 0, 1, {2: 11, 3: 12}
"""How a block is compressed; heatshrink's by the bits of its window."""
_LOOKAHEAD = 4
_MOST_BLOCK = 1 << 24
_SIGNAL, _PACK, _PACK_NOT, _RESET, _NO_SPACES, _SPACES = 255, 251, 250, 249, 247, 246
_LETTERS = b"0123456789. \nGX"
_FULL = 15


def lines_in(stream: BinaryIO) -> Iterator[bytes]:
    """Give the text of a binary motion file piece by piece. Errors: BadInput where it is damaged or of another kind."""
    magic, version, checked = struct.unpack("<4sIH", _exactly(stream, 10))
    if magic != MAGIC or version != _VERSION or checked > 1:
        words = f"This is binary G-code of version {version}; only version {_VERSION} can be read. Export it as text."
        raise BadInput("other_binary", words)
    while head := stream.read(8):
        head += _exactly(stream, 8 - len(head))
        kind, compression, size = struct.unpack("<HHI", head)
        if compression != _STORED:
            head += _exactly(stream, 4)
        packed = size if compression == _STORED else struct.unpack("<I", head[8:])[0]
        if kind > _LAST_TYPE or max(size, packed) > _MOST_BLOCK:
            raise _damaged()
        settings = _exactly(stream, 6 if kind == _THUMBNAIL else 2)
        body = _exactly(stream, packed)
        if checked and struct.unpack("<I", _exactly(stream, 4))[0] != zlib.crc32(head + settings + body):
            raise _damaged()
        if kind == _GCODE_BLOCK:
            text = _unpressed(body, compression, size)
            yield unpacked(text) if struct.unpack("<H", settings)[0] else text


def _exactly(stream: BinaryIO, count: int) -> bytes:
    found = stream.read(count)
    if len(found) < count:
        raise BadInput("cut_off", "The binary file ends in the middle of a block: it is cut off. Copy it again.")
    return found


def _damaged() -> BadInput:
    return BadInput("damaged", "A block of the binary file is damaged. Copy or export it again.")


def _unpressed(body: bytes, compression: int, size: int) -> bytes:
    if compression == _STORED:
        return body
    if compression == _DEFLATED:
        opener = zlib.decompressobj()
        text = opener.decompress(body, size + 1)
    elif compression in _HEATSHRUNK:
        text = regrown(body, window=_HEATSHRUNK[compression], size=size)
    else:
        raise _damaged()
    if len(text) != size:
        raise _damaged()
    return text


def regrown(body: bytes, *, window: int, size: int, lookahead: int = _LOOKAHEAD) -> bytes:
    """Give the bytes that a heatshrink stream stands for, up to a size.

    From the highest bit on, a 1 and eight bits are a byte; a 0, so many bits and so many more are how far back, less
    one, and how many bytes, less one, are written again.
    """
    text = bytearray()
    held = bits = at = 0

    def take(count: int) -> int:
        nonlocal held, bits, at
        while bits < count:
            held = (held << 8) | (body[at] if at < len(body) else 0)
            at += 1
            bits += 8
        bits -= count
        found = held >> bits
        held &= (1 << bits) - 1
        return found

    while len(text) < size and at <= len(body):
        if take(1):
            text.append(take(8))
            continue
        back, count = take(window) + 1, take(lookahead) + 1
        if back > len(text):
            raise _damaged()
        for _ in range(count):
            text.append(text[-back])
    return bytes(text[:size])


def unpacked(body: bytes) -> bytes:
    """Give the text that MeatPack packed: two letters a byte, the lower half first; 15 is a letter that follows.

    Two signal bytes and a command switch the packing. A block begins unpacked.
    """
    text = bytearray()
    letters = _LETTERS
    is_packed = False
    waiting = b""
    """The letter that comes after the one that follows."""
    owed = 0
    """How many whole letters follow."""
    signals, is_command = 0, False
    for byte in body:
        if is_command:
            is_command = False
            is_packed = byte == _PACK or (is_packed and byte not in {_PACK_NOT, _RESET})
            if byte in {_NO_SPACES, _SPACES, _RESET}:
                letters = _LETTERS.replace(b" ", b"E") if byte == _NO_SPACES else _LETTERS
            continue
        if byte == _SIGNAL:
            signals += 1
            is_command = signals == 2  # noqa: PLR2004 - two signals are a command
            signals %= 2
            continue
        for one in (_SIGNAL, byte) if signals else (byte,):
            if not is_packed or owed:
                text.append(one)
                text += waiting
                waiting, owed = b"", max(0, owed - 1)
                continue
            low, high = one & _FULL, one >> 4
            if low != _FULL:
                text.append(letters[low])
                owed = high == _FULL
                if not owed:
                    text.append(letters[high])
            else:
                owed, waiting = (2, b"") if high == _FULL else (1, letters[high : high + 1])
        signals = 0
    return bytes(text)
