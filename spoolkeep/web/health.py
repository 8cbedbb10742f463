"""What a program that watches over the server asks: does it answer, and would it book. It says nothing of the workshop.

The app factory registers it, and the lock lets everybody in. It must not know a use case.
"""

import threading
import time
from dataclasses import dataclass, field

from flask import Blueprint, Response, current_app, jsonify

from spoolkeep.store.engine import Store
from spoolkeep.store.probe import OK, state_of
from spoolkeep.store.troubles import AWAY
from spoolkeep.web import doors

pages = Blueprint("health", __name__)
ANSWER_WITHIN_S = 1.8
KEPT_S = 1.0
"""How old an answer may be: however many ask, the database is asked once a second."""


@pages.get("/health")
def alive() -> Response:
    """Say that the process answers; the database is not asked."""
    return jsonify(code="ok")


@pages.get("/ready")
def ready() -> tuple[Response, int]:
    """Say whether a scan would be booked just now, and if not why, within two seconds."""
    code = _watch().code()
    return jsonify(code=code), 200 if code == OK else 503


@dataclass
class _Watch:
    """The last answer of the database. One thread asks at a time, and nobody waits for it longer than the bound."""

    lock: threading.Lock = field(default_factory=threading.Lock)
    asked: threading.Event | None = None
    asked_at: float = 0.0
    last: str = "no_answer"
    last_at: float = float("-inf")

    def code(self) -> str:
        with self.lock:
            if time.monotonic() - self.last_at < KEPT_S:
                return self.last
            if self.asked is None:
                self.asked, self.asked_at = threading.Event(), time.monotonic()
                threading.Thread(target=self._ask, args=(doors.store(), self.asked), daemon=True).start()
            asked, until = self.asked, self.asked_at + ANSWER_WITHIN_S
        return self.last if asked.wait(max(until - time.monotonic(), 0)) else "no_answer"

    def _ask(self, store: Store, asked: threading.Event) -> None:
        try:
            self.last = state_of(store)
        except Exception:  # noqa: BLE001 - whatever it is, nothing would be booked
            self.last = AWAY.code
        with self.lock:
            self.last_at, self.asked = time.monotonic(), None
        asked.set()


def _watch() -> _Watch:
    found = current_app.extensions.setdefault("spoolkeep_watch", _Watch())
    assert isinstance(found, _Watch)  # noqa: S101 - the only writer
    return found
