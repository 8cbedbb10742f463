"""How many pages are worked out at once: all but the quick ones wait for their turn, so that a scan never does.

The lock asks it before each request. It must not know who asks.
"""

import threading
from collections.abc import Callable
from dataclasses import dataclass, field

from flask import Flask, g

QUICK = frozenset(
    {
        "static",
        "bench.page",
        "bench.board",
        "bench.scan",
        "bench.keep_on",
        "bench.undo",
        "bench.after_undo",
        "bench.who",
        "count.scan",
        "door.sign_in",
        "door.enter",
        "door.join",
        "door.use_link",
        "door.sign_out",
        "api.scan",
        "api.weighing",
        "api.report",
        "api.plan",
        "api.start",
        "api.resume",
        "api.end",
        "imports.progress",
    }
)
"""What a person at a machine waits for, or a machine; and the door, which has a bound of its own."""
AT_ONCE, WAITING, WAIT_S = 2, 8, 20.0
"""How many are worked out, how many wait, and how long in seconds: ten of a server's sixteen threads at most.

Source: measured, tests/benchmarks/hostile.py --floods; more at once are no faster, and a scan beside them is slower.
"""


@dataclass
class Turns:
    """The turns of one process."""

    free: threading.Semaphore = field(default_factory=lambda: threading.Semaphore(AT_ONCE))
    seats: threading.Semaphore = field(default_factory=lambda: threading.Semaphore(AT_ONCE + WAITING))

    def take(self) -> bool:
        """Wait for a turn; give whether one came."""
        if not self.seats.acquire(blocking=False):
            return False
        if self.free.acquire(timeout=WAIT_S):
            return True
        self.seats.release()
        return False

    def give_back(self) -> None:
        """End a turn."""
        self.free.release()
        self.seats.release()


def attach(app: Flask) -> None:
    """Let an app's requests have turns, which end with the request whatever becomes of it."""
    app.extensions["spoolkeep_turns"] = Turns()

    def over(_error: BaseException | None) -> None:
        ends: Callable[[], None] | None = g.pop("turn_ends", None)
        if ends is not None:
            ends()

    app.teardown_request(over)


def taken(app: Flask, endpoint: str) -> bool:
    """Wait for a turn of this request, where it needs one; give whether it may go on."""
    if endpoint in QUICK or "turn_ends" in g:
        return True
    turns = app.extensions["spoolkeep_turns"]
    assert isinstance(turns, Turns)  # noqa: S101 - `attach` is the only writer
    if not turns.take():
        return False
    g.turn_ends = turns.give_back
    return True
