"""How a server ends: it takes in nothing new, answers what is on its way, and is bounded in time.

`serving` runs it. It knows no page and no store.
"""

import signal
import sys
import threading
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from types import FrameType
from typing import Any

from waitress import wasyncore
from waitress.channel import HTTPChannel
from waitress.server import BaseWSGIServer
from waitress.task import WSGITask

LONGEST_DRAIN_S = 10.0
"""How long what is on its way may take, once a server was asked to end."""
QUIET_S = 0.25
"""How long a connection that stays open for a further request is left open for it."""
_TURN_S = 1.0
_SHORT_TURN_S = 0.05
_ASKS = ("SIGTERM", "SIGINT", "SIGBREAK")
"""What asks a program to end: a service's manager, Ctrl+C, and on Windows Ctrl+Break and a closed window."""


class Stop:
    """The word that ends a server; a second one ends it without waiting, where it `hurries`."""

    def __init__(self, *, hurries: bool = True) -> None:
        self.asked = threading.Event()
        self.at_once = False
        self._hurries = hurries
        self._wake: Callable[[], object] = lambda: None

    def ask(self, _number: int = 0, _frame: FrameType | None = None) -> None:
        """Ask for the end, from a signal or from any thread; asked a second time, it is at once."""
        if self.asked.is_set():
            self.at_once = self._hurries
        else:  # `set` takes a lock, which a second signal in the midst of it would wait for
            self.asked.set()
        self._wake()

    def wakes(self, wake: Callable[[], object]) -> None:
        """Tell what wakes whoever waits for something else than this word."""
        self._wake = wake


@contextmanager
def heeding(stop: Stop, *, asks: tuple[str, ...] = _ASKS, deaf: tuple[str, ...] = ()) -> Iterator[None]:
    """Let this process' signals ask for the end while the block runs; those in `deaf` do nothing.

    A hang-up ends it where a person sits at its terminal, which went away, and does nothing to a service.
    """
    wanted: dict[str, Any] = dict.fromkeys(asks, stop.ask) | dict.fromkeys(deaf, signal.SIG_IGN)
    if hasattr(signal, "SIGHUP") and signal.getsignal(signal.SIGHUP) is not signal.SIG_IGN:
        wanted["SIGHUP"] = stop.ask if sys.stdin is not None and sys.stdin.isatty() else signal.SIG_IGN
    before = {}
    for name, does in wanted.items():
        if hasattr(signal, name):
            number = getattr(signal, name)
            before[number] = signal.signal(number, does)
    try:
        yield
    finally:
        for number, did in before.items():
            signal.signal(number, did)


class Task(WSGITask):  # type: ignore[misc] # waitress ships no types
    """A request that is answered: while the server ends, the answer says that its connection does too."""

    def build_response_header(self) -> bytes:
        """Give the head of the answer."""
        if getattr(self.channel.server, "ending", False):
            self.request.headers["CONNECTION"] = "close"
        return bytes(super().build_response_header())


def run(server: Any, stop: Stop) -> int:  # noqa: ANN401 - waitress ships no types
    """Run a server until it is asked to end; give how many connections were left without an answer."""
    channels: dict[int, Any] = getattr(server, "map", None) or server._map  # noqa: SLF001 - it has no other way
    listeners = [one for one in channels.values() if isinstance(one, BaseWSGIServer)]
    stop.wakes(listeners[0].pull_trigger)
    while not stop.asked.is_set():
        _turn(channels, _TURN_S)
    until = time.monotonic() + LONGEST_DRAIN_S
    for one in listeners:
        one.ending = True
        _take_in_what_waits(one)
        wasyncore.dispatcher.close(one)  # its trigger stays: threads that answer pull it
    left = _drain(channels, stop, until)
    stop.wakes(lambda: None)
    server.task_dispatcher.shutdown(timeout=0 if stop.at_once else max(until - time.monotonic(), 0.5))
    if not server.task_dispatcher.threads:  # a thread that is late would pull a trigger that is closed
        wasyncore.close_all(channels, ignore_all=True)
    return left


def _turn(channels: dict[int, Any], seconds: float) -> None:
    wasyncore.loop(timeout=seconds, map=channels, count=1)


def _take_in_what_waits(listener: Any) -> None:  # noqa: ANN401 - waitress ships no types
    """Take in every connection that the system has already made, since whoever made it has perhaps sent a request."""
    before = -1
    while before != len(listener.active_channels):
        before = len(listener.active_channels)
        listener.handle_accept()


def _drain(channels: dict[int, Any], stop: Stop, until: float) -> int:
    """Answer what is on its way; give how many connections still had something on their way at the end."""
    while True:
        _turn(channels, _SHORT_TURN_S)
        still = [one for one in channels.values() if isinstance(one, HTTPChannel)]
        busy = [one for one in still if one.requests or one.request is not None or one.total_outbufs_len]
        if not still or stop.at_once or time.monotonic() > until:
            return len(busy)
        for one in still:
            if one not in busy and time.time() - one.last_activity > QUIET_S:
                one.will_close = True
