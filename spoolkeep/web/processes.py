"""One process that serves a workshop, or several on one socket of which one that dies is begun again.

`serving` begins them. It must not know a page.
"""

import logging
import multiprocessing
import socket
import sys
import threading
import time
from collections.abc import Callable
from contextlib import closing
from dataclasses import dataclass
from functools import partial
from multiprocessing.connection import wait
from multiprocessing.context import SpawnProcess
from pathlib import Path
from typing import Any

import click
import waitress

from spoolkeep.domain.errors import BadInput
from spoolkeep.services.benchwords import BenchWords
from spoolkeep.services.instance import Instance
from spoolkeep.store.engine import MOST_OPEN, Store
from spoolkeep.web import bodies, logbook, looks, stopping
from spoolkeep.web.app import create_app
from spoolkeep.web.lock import Reach
from spoolkeep.web.stopping import Stop

THREADS = 16
"""Of one process: more than the sign-ins that may wait, so that a scan always finds one free."""
MOST_CONNECTIONS = 200
MOST_PROCESSES = 8
LONGEST_END_S = stopping.LONGEST_DRAIN_S + looks.LONGEST_END_S + 2.0
"""How long the end of the other processes is waited for, before they are ended all the same."""
FIRST_PAUSE_S, LONGEST_PAUSE_S = 1.0, 30.0
"""Before a process that died soon after it was begun is begun again; twice as long each time it dies so soon."""
_SOON_S = 10.0
_log = logging.getLogger(__name__)


@dataclass(frozen=True)
class Settings:
    """What a process has to know to serve; it goes to other processes."""

    instance: Instance
    reach: Reach
    proxy: str | None = None
    log_to: Path | None = None
    """The folder of the log; None where none is kept."""


def require_several(store: Store, number: int) -> None:
    """Refuse several processes where they cannot be. Errors: BadInput, with what to do."""
    if sys.platform == "win32":
        words = "On Windows a workshop is served by one process. Leave --processes out; it answers 16 at a time."
        raise BadInput("processes_on_windows", words)
    if number > MOST_PROCESSES:
        words = (
            f"{number} processes are more than the {MOST_PROCESSES} that are offered. Give --processes a smaller one."
        )
        raise BadInput("too_many_processes", words)
    if store.engine.dialect.name != "postgresql":
        words = (
            "SQLite lets one program write at a time, so a second process would only wait for the first. "
            "Leave --processes out; or keep the books in PostgreSQL, which README says how to do."
        )
        raise BadInput("processes_on_sqlite", words)
    room = store.most_connections()
    if number * MOST_OPEN > room:
        words = (
            f"{number} processes may need {number * MOST_OPEN} connections, and PostgreSQL gives {room}. "
            f"Raise its max_connections, or take --processes {max(room // MOST_OPEN, 1)}."
        )
        raise BadInput("too_few_connections", words)


def serve_here(settings: Settings, listening: socket.socket, stop: Stop, *, number: int = 1) -> None:
    """Serve in this process, of several the one of this number, until it is asked to end."""
    name = f"serve-{listening.getsockname()[1]}-{number}"
    with logbook.opened(settings.log_to, name), closing(settings.instance.open()) as store:
        server = server_on(listening, settings, store)
        each = looks.of(settings.instance, store, is_demo=settings.reach.guest_id is not None)
        with looks.looking(store, each, over=stop.asked):
            left = stopping.run(server, stop)
    if left:
        words = f"{left} connections were ended before they had an answer. What was not answered can be sent again."
        click.echo(words, err=True)


def server_on(listening: socket.socket, settings: Settings, store: Store) -> Any:  # noqa: ANN401 - waitress ships no types
    """Give the server that answers on a bound socket."""
    logging.getLogger("waitress.queue").setLevel(logging.ERROR)  # a flood would fill the log, a line a request
    behind: dict[str, object] = {"clear_untrusted_proxy_headers": True}
    if settings.proxy:
        behind |= {"trusted_proxy": settings.proxy, "trusted_proxy_headers": {"x-forwarded-for", "x-forwarded-proto"}}
    app = create_app(
        store, secret=settings.instance.secret(), reach=settings.reach, words=BenchWords(settings.instance.words)
    )
    server = waitress.create_server(
        app,
        sockets=[listening],
        threads=THREADS,
        ident=None,
        max_request_body_size=bodies.USUAL,
        connection_limit=MOST_CONNECTIONS,
        **behind,
    )
    server.channel_class = bodies.channel_for(
        app, shared_addresses=frozenset({settings.proxy} if settings.proxy else ())
    )
    return server


def serve_in_several(settings: Settings, listening: socket.socket, stop: Stop, number: int) -> None:
    """Serve in so many processes until asked to end; one that dies is begun again, after a pause if it died soon."""
    children = [_Child(partial(_begun, settings, listening, slot)) for slot in range(1, number + 1)]
    heard, said = socket.socketpair()
    with heard, said, logbook.opened(settings.log_to, f"serve-{listening.getsockname()[1]}-0"):
        stop.wakes(lambda: said.send(b"."))
        while not stop.asked.is_set():
            for child in children:
                child.keep()
            wait([heard, *(child.process.sentinel for child in children if child.process)], timeout=1.0)
        listening.close()
        _end([child.process for child in children if child.process], stop)
        stop.wakes(lambda: None)


class _Child:
    """A place for one process of several."""

    def __init__(self, begin: Callable[[], SpawnProcess]) -> None:
        self.process: SpawnProcess | None = None
        self._begin = begin
        self._begun_at = 0.0
        self._not_before = 0.0
        self._pause_s = FIRST_PAUSE_S

    def keep(self) -> None:
        """Begin the process where it has not begun or has died."""
        now = time.monotonic()
        if self.process is not None and not self.process.is_alive():
            self._mourn(now)
        if self.process is None and now >= self._not_before:
            self.process, self._begun_at = self._begin(), now

    def _mourn(self, now: float) -> None:
        assert self.process is not None  # noqa: S101 - `keep` asks
        soon = now - self._begun_at < _SOON_S
        self._not_before = now + self._pause_s if soon else now
        _log.error("Process %d ended with %d and is begun again.", self.process.pid, self.process.exitcode)
        self._pause_s = min(self._pause_s * 2, LONGEST_PAUSE_S) if soon else FIRST_PAUSE_S
        self.process.close()
        self.process = None


def _begun(settings: Settings, listening: socket.socket, slot: int) -> SpawnProcess:
    process = multiprocessing.get_context("spawn").Process(
        target=_serve_as_one, args=(settings, listening, slot), name=f"spoolkeep-{slot}"
    )
    process.start()
    return process


def _serve_as_one(settings: Settings, listening: socket.socket, number: int) -> None:
    """Serve as one process of several: the first one's word ends it, and so does the first one's end."""
    stop = Stop(hurries=False)
    first = multiprocessing.parent_process()
    assert first is not None  # noqa: S101 - it was begun by one
    threading.Thread(target=_end_with, args=(first.sentinel, stop), name="first", daemon=True).start()
    with stopping.heeding(stop, asks=("SIGTERM",), deaf=("SIGINT",)):
        serve_here(settings, listening, stop, number=number)


def _end_with(sentinel: int, stop: Stop) -> None:
    wait([sentinel])
    stop.ask()


def _end(processes: list[SpawnProcess], stop: Stop) -> None:
    for process in processes:
        process.terminate()
    until = time.monotonic() + LONGEST_END_S
    while processes:
        wait([process.sentinel for process in processes], timeout=0.1)
        processes = [process for process in processes if process.is_alive()]
        if processes and (stop.at_once or time.monotonic() > until):
            click.echo(f"{len(processes)} processes were ended before they had answered all.", err=True)
            for process in processes:
                process.kill()
            return
