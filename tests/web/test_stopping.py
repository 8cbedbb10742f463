"""A workshop's server that is stopped in the midst of its work: what was booked was answered, and it ends in time."""

import os
import signal
import socket
import sys
import threading
import time
from collections.abc import Callable
from contextlib import closing, suppress
from dataclasses import dataclass, field
from datetime import datetime
from pathlib import Path
from typing import Any

import pytest
import waitress
from sqlalchemy import select
from sqlmodel import col
from waitress import wasyncore
from waitress.channel import HTTPChannel

from spoolkeep.domain.errors import BadInput
from spoolkeep.services.instance import FILE
from spoolkeep.store.engine import Store, open_store
from spoolkeep.store.tables import Act
from spoolkeep.web import stopping
from spoolkeep.web.processes import require_several
from spoolkeep.web.serving import listening_on
from spoolkeep.web.stopping import Stop, heeding
from tests.web.programs import Load, Program, is_quiet, program_token, serving
from tests.workshop import TestWorkshop

CLIENTS = 8


def booked(store: Store) -> set[str]:
    """Give the keys of all that the clients' requests booked."""
    with store.read() as session:
        return set(session.scalars(select(col(Act.key)).where(col(Act.key).startswith("load-"))))


def loaded(served: Program, store: Store, shop: TestWorkshop, number: int) -> Load:
    """Stop a program while clients send; give what they were told."""
    load = Load(served.port, program_token(store, shop))
    threads = load.run(CLIENTS)
    until = time.monotonic() + 30
    while len(load.answered) < 60:
        assert time.monotonic() < until, load.odd
        time.sleep(0.01)
    began = time.monotonic()
    code = served.end(number)
    load.over.set()
    took = time.monotonic() - began
    for thread in threads:
        thread.join(20)
    assert code == 0, served.rest()
    assert took < stopping.LONGEST_DRAIN_S
    assert not load.odd
    return load


@pytest.fixture
def folder(tmp_path: Path, sqlite_template: bytes) -> Path:
    """Give the folder of a workshop on SQLite."""
    (tmp_path / FILE).write_bytes(sqlite_template)
    return tmp_path


needs_signals = pytest.mark.skipif(sys.platform == "win32", reason="there a program is not sent a signal but ended")


@needs_signals
@pytest.mark.parametrize("number", [signal.SIGTERM, signal.SIGINT])
def test_whoever_stops_the_server_leaves_no_booking_without_its_answer(
    folder: Path, now: datetime, number: int
) -> None:
    with closing(open_store(f"sqlite:///{folder / FILE}")) as store:
        with serving(folder) as served:
            load = loaded(served, store, TestWorkshop(store, now), number)
            assert served.rest().endswith("Stopped.\n")
        assert booked(store) == load.answered


@needs_signals
def test_several_processes_stop_as_one_does_and_one_that_dies_is_begun_again(
    tmp_path: Path, postgres_store: Store, now: datetime
) -> None:
    address = postgres_store.engine.url.render_as_string(hide_password=False)
    with serving(tmp_path, "--processes", "2", database=address) as served:
        first = children(served)
        assert len(first) == 2
        os.kill(first[0], signal.SIGKILL)
        while len(now_there := children(served)) != 2 or first[0] in now_there:
            time.sleep(0.05)
        assert served.get("/sign-in")[0] == 200
        load = loaded(served, postgres_store, TestWorkshop(postgres_store, now), signal.SIGTERM)
        assert f"Process {first[0]} ended with -9 and is begun again." in served.rest()
        assert not children(served)
    assert booked(postgres_store) == load.answered


@needs_signals
def test_processes_end_with_the_first_one_however_it_ended(tmp_path: Path, postgres_store: Store) -> None:
    address = postgres_store.engine.url.render_as_string(hide_password=False)
    with serving(tmp_path, "--processes", "2", database=address) as served:
        there = children(served)
        assert served.end(signal.SIGKILL) == -signal.SIGKILL
        until = time.monotonic() + 20
        while any(Path(f"/proc/{one}").exists() for one in there):
            assert time.monotonic() < until
            time.sleep(0.05)


def children(served: Program) -> list[int]:
    """Give the numbers of the processes that serve for a program."""
    found = []
    for one in Path("/proc").iterdir():
        with suppress(OSError, IndexError):
            parent = int((one / "stat").read_text().rpartition(")")[2].split()[1])
            if (
                one.name.isdigit()
                and parent == served.process.pid
                and b"--multiprocessing-fork" in (one / "cmdline").read_bytes()
            ):
                found.append(int(one.name))
    return sorted(found)


@needs_signals
def test_a_hang_up_does_nothing_to_a_service(folder: Path) -> None:
    with serving(folder) as served:
        served.process.send_signal(signal.SIGHUP)
        time.sleep(0.2)
        assert served.get("/sign-in")[0] == 200
        assert served.end(signal.SIGTERM) == 0


@dataclass
class Slow:
    """A page that takes until it is let go, served in a thread."""

    stop: Stop = field(default_factory=Stop)
    begun: threading.Event = field(default_factory=threading.Event)
    go_on: threading.Event = field(default_factory=threading.Event)
    left: list[int] = field(default_factory=list)
    port: int = 0
    server: Any = None

    def let_go(self) -> None:
        """Let the page go, and close what a late thread still needed."""
        self.go_on.set()
        self.server.task_dispatcher.shutdown()
        wasyncore.close_all(self.server._map)  # noqa: SLF001 - it has no other way

    def page(self, _environ: object, start: Callable[..., object]) -> list[bytes]:
        """Answer at last."""
        self.begun.set()
        self.go_on.wait(20)
        start("200 OK", [("Content-Length", "2")])
        return [b"ok"]

    def run(self) -> threading.Thread:
        """Begin to serve."""
        listening = listening_on("127.0.0.1", 0)
        self.port = listening.getsockname()[1]
        self.server = waitress.create_server(self.page, sockets=[listening], threads=2)
        self.server.channel_class = type("Channel", (HTTPChannel,), {"task_class": stopping.Task})
        thread = threading.Thread(target=lambda: self.left.append(stopping.run(self.server, self.stop)))
        thread.start()
        return thread

    def ask(self) -> socket.socket:
        """Send a request on a connection that would stay open."""
        line = socket.create_connection(("127.0.0.1", self.port), timeout=20)
        line.sendall(b"GET / HTTP/1.1\r\nHost: localhost\r\n\r\n")
        return line


def test_a_request_on_its_way_is_answered_and_told_that_the_connection_ends_while_nobody_new_comes_in() -> None:
    slow = Slow()
    thread = slow.run()
    with slow.ask() as line, socket.create_connection(("127.0.0.1", slow.port), timeout=20) as idle:
        assert slow.begun.wait(20)
        slow.stop.ask()
        assert idle.recv(100) == b"", "a connection on which nothing is asked is closed"
        assert is_quiet(slow.port)
        slow.go_on.set()
        answer = b"".join(iter(lambda: line.recv(1000), b""))
    thread.join(20)
    assert answer.startswith(b"HTTP/1.1 200 OK")
    assert b"Connection: close" in answer
    assert answer.endswith(b"ok")
    assert slow.left == [0]


@pytest.mark.parametrize("hurried", [False, True])
def test_what_takes_too_long_is_counted_and_not_awaited(monkeypatch: pytest.MonkeyPatch, *, hurried: bool) -> None:
    monkeypatch.setattr(stopping, "LONGEST_DRAIN_S", 60.0 if hurried else 0.3)
    slow = Slow()
    thread = slow.run()
    with slow.ask():
        assert slow.begun.wait(20)
        slow.stop.ask()
        if hurried:
            slow.stop.ask()
        thread.join(20)
    assert slow.left == [1]
    slow.let_go()


def test_a_word_that_does_not_hurry_may_come_twice() -> None:
    stop = Stop(hurries=False)
    stop.ask()
    stop.ask()
    assert stop.asked.is_set()
    assert not stop.at_once


@needs_signals
def test_signals_mean_again_what_they_meant_before() -> None:
    before = signal.getsignal(signal.SIGTERM)
    with heeding(Stop(), deaf=("SIGINT",)):
        assert signal.getsignal(signal.SIGTERM) != before
        assert signal.getsignal(signal.SIGINT) is signal.SIG_IGN
    assert signal.getsignal(signal.SIGTERM) == before


def test_on_sqlite_several_processes_are_refused_with_what_to_do(sqlite_store: Store) -> None:
    with pytest.raises(BadInput, match="SQLite lets one program write at a time"):
        require_several(sqlite_store, 2)


def test_more_processes_than_the_database_has_connections_for_are_refused(postgres_store: Store) -> None:
    require_several(postgres_store, 2)
    with pytest.raises(BadInput, match="max_connections, or take --processes 2"):
        require_several(postgres_store, 3)
    with pytest.raises(BadInput, match="9 processes are more than the 8"):
        require_several(postgres_store, 9)
