"""Where tests put their files: in memory, where the machine has room for them there.

Each test that keeps books makes a database, and a database is hundreds of small files that are flushed to the disk at
every commit. On a slow disk that takes ten times as long as the test. `conftest.py` asks before any test begins.
"""

import os
from pathlib import Path

MEMORY = Path("/dev/shm")  # noqa: S108 - only its folder: what is made in it has a name of its own
ENOUGH_BYTES = 4 << 30
"""Room for two servers with their logs and for what the tests of many workers keep at once, ten times over."""
SETTING = "TMPDIR"
"""Names where programs put what is temporary. Source: POSIX.1-2017, 8.3, Other Environment Variables."""


def choose(setting: str | None) -> str | None:
    """Give the folder that holds temporary files: the one that is set, else memory with room, else None."""
    if setting:
        return setting
    return str(MEMORY) if _has_room() else None


def _has_room() -> bool:
    if not os.access(MEMORY, os.W_OK | os.X_OK):
        return False
    system = os.statvfs(MEMORY)
    runs_programs = not system.f_flag & os.ST_NOEXEC
    return runs_programs and min(system.f_bavail * system.f_frsize, _free_bytes()) >= ENOUGH_BYTES


def _free_bytes() -> int:
    """Give what the machine's memory could still take. Source: proc(5), /proc/meminfo, in KiB."""
    known = dict(line.split(":", 1) for line in Path("/proc/meminfo").read_text(encoding="ascii").splitlines())
    return int(known["MemAvailable"].split()[0]) << 10
