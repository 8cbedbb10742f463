"""A file that somebody sent, read for so long and no longer, however it was made.

The pages that take files use it. It must not know what is in them.
"""

import io
import time
from collections.abc import Callable
from typing import IO

from spoolkeep.domain.errors import BadInput

MOST_S = 300.0
"""A file of 600 MB that says nothing of its running time takes a minute. Source: our own choice."""


class _Watched(io.RawIOBase):
    """A stream that gives nothing more once its time is over."""

    def __init__(self, stream: IO[bytes], clock: Callable[[], float]) -> None:
        self._stream, self._clock = stream, clock
        self._until = clock() + MOST_S

    def readable(self) -> bool:
        """Give that it can be read."""
        return True

    def seekable(self) -> bool:
        """Give that it can be read again."""
        return True

    def seek(self, offset: int, whence: int = 0) -> int:
        """Go to a place."""
        return self._stream.seek(offset, whence)

    def readinto(self, buffer: memoryview) -> int:  # type: ignore[override] # what a reader gives
        """Read on. Errors: BadInput once its time is over."""
        if self._clock() > self._until:
            words = "Reading that file takes too long. Meter it at the computer (spoolkeep meter), or slice it again."
            raise BadInput("takes_too_long", words)
        piece = self._stream.read(len(buffer))
        buffer[: len(piece)] = piece
        return len(piece)


def within_time(stream: IO[bytes], clock: Callable[[], float] = time.monotonic) -> io.BufferedReader:
    """Give the stream, which is read until `MOST_S` from now; `clock` gives seconds."""
    return io.BufferedReader(_Watched(stream, clock))
