"""A file that a process holds, shared or alone, as long as it lives: the system lets go of it when the process ends.

An opened instance is held shared; whoever puts another database in its place holds it alone. It knows no database.
"""

import os
import sys
from contextlib import suppress
from pathlib import Path

if sys.platform == "win32":
    import msvcrt
else:
    import fcntl


class Hold:
    """A file that is held until it is let go, or the process ends."""

    def __init__(self, handle: int) -> None:
        self._handle = handle

    def let_go(self) -> None:
        """Let go of it; a second time does nothing."""
        handle, self._handle = self._handle, -1
        if handle >= 0:
            os.close(handle)


def hold(path: Path, *, alone: bool) -> Hold | None:
    """Give a hold on a file, made where it is missing; None where another holds it in a way that forbids this one.

    Windows has no shared hold here and needs none: there the system itself refuses to replace a file that is open.
    Errors: OSError where the folder cannot be written, or its file system knows no locks.
    Source: flock(2); the C runtime's _locking.
    """
    path.parent.mkdir(parents=True, exist_ok=True)
    handle = _opened(path, alone=alone)
    try:
        _lock(handle, alone=alone)
    except BlockingIOError:
        os.close(handle)
        return None
    except OSError:
        os.close(handle)
        raise
    return Hold(handle)


def _opened(path: Path, *, alone: bool) -> int:
    """Give a handle of a file: who may only read it may still hold it, for a server often runs as another user."""
    if alone:  # some network's file systems hold alone only what may be written
        with suppress(PermissionError):
            return os.open(path, os.O_RDWR | os.O_CREAT, 0o666)
    return os.open(path, os.O_RDONLY | os.O_CREAT, 0o666)


if sys.platform == "win32":

    def _lock(handle: int, *, alone: bool) -> None:
        if alone:
            try:
                msvcrt.locking(handle, msvcrt.LK_NBLCK, 1)
            except PermissionError as held:
                raise BlockingIOError from held

else:

    def _lock(handle: int, *, alone: bool) -> None:
        fcntl.flock(handle, (fcntl.LOCK_EX if alone else fcntl.LOCK_SH) | fcntl.LOCK_NB)
