"""What a workshop that is served does by itself: looks, each in a thread of its own, all ended by one word.

`serving` begins them. To add one, give it a place in `of`. It must not know a page.
"""

import logging
import threading
import time
from collections.abc import Callable, Iterator, Sequence
from contextlib import closing, contextmanager
from dataclasses import dataclass
from datetime import UTC, datetime

from spoolkeep.services import assumed, keeping, outlooks, standstill, untold
from spoolkeep.services.instance import Instance
from spoolkeep.services.notices.sending import ROUND_EACH_S, Teller
from spoolkeep.services.shop import load_shop
from spoolkeep.services.steady import Steady
from spoolkeep.store.engine import Store
from spoolkeep.store.turn import Turn
from spoolkeep.web.logbook import Own

EACH_S = 60.0
LONGEST_END_S = 5.0
"""How long the end of all looks is waited for; what they had not committed by then is undone by the database."""
_log = logging.getLogger(__name__)


@dataclass(frozen=True)
class Look:
    """Something that is done again and again while a workshop is served, though nobody asks."""

    name: str
    """As a thread and a log are told it."""
    do: Callable[[Store, datetime], object]
    """Takes the store and this moment. What it raises is logged, and it is tried again at the next look."""
    each_s: float = EACH_S
    """How long it waits before each look."""
    first_s: float | None = None
    """How long it waits before the first, where that is another."""
    ends: Callable[[float], object] | None = None
    """Waits at most so many seconds for what its last look began elsewhere."""
    everywhere: bool = False
    """Whether each process looks for itself; else one of all that serve the same database does."""


def of(instance: Instance, store: Store, *, is_demo: bool) -> tuple[Look, ...]:
    """Give the looks of a workshop; the demo is not copied, since it can be built again."""
    teller = Teller(store, folder=instance.folder, secret=instance.secret())
    own = () if is_demo else (Look("copy", _keep_a_copy),)
    return (
        Look("due", _take_what_is_due),
        Look("ahead", _reckon_ahead, first_s=0.0, everywhere=True),
        Look("tell", lambda _store, _now: teller.round(), each_s=ROUND_EACH_S, ends=teller.wait),
        *own,
    )


@contextmanager
def looking(store: Store, looks: Sequence[Look], *, over: threading.Event | None = None) -> Iterator[None]:
    """Look while the workshop is served; at its end none begins any more, and those on their way are awaited.

    `over` is the word by which the serving ends, where that may come before the end of the block.
    """
    over = over or threading.Event()
    with closing(Turn(store)) as turn:
        threads = [
            threading.Thread(target=_again, args=(store, look, over, turn), name=look.name, daemon=True)
            for look in looks
        ]
        for thread in threads:
            thread.start()
        try:
            yield
        finally:
            if not over.is_set():
                over.set()
            _await(threads, [look.ends for look in looks if look.ends])


def _again(store: Store, look: Look, over: threading.Event, turn: Turn) -> None:
    wait_s, clock = look.each_s if look.first_s is None else look.first_s, Steady()
    while not over.wait(wait_s):
        wait_s = look.each_s
        try:
            if look.everywhere or turn.is_ours():
                look.do(store, _moment(store, clock))
        except Exception:  # noqa: BLE001 - the next look comes all the same
            words = "The look “%s” could not be done; it is tried again in %g s."
            _log.exception(words, Own(look.name), look.each_s)


def _moment(store: Store, clock: Steady) -> datetime:
    with store.read() as session:
        return clock.moment(session, datetime.now(UTC))


def _await(threads: Sequence[threading.Thread], more: Sequence[Callable[[float], object]]) -> None:
    until = time.monotonic() + LONGEST_END_S
    for wait in (*(thread.join for thread in threads), *more):
        wait(max(until - time.monotonic(), 0))
    late = [thread.name for thread in threads if thread.is_alive()]
    if late:
        _log.warning("Not awaited to its end: %s. What it had not booked is not booked.", Own(", ".join(late)))


def _take_what_is_due(store: Store, now: datetime) -> None:
    assumed.take_all(store, now=now)
    standstill.look_at_all(store, now=now)


def _keep_a_copy(store: Store, now: datetime) -> None:
    keeping.look(store, now=now, apart=True)


def _reckon_ahead(store: Store, now: datetime) -> None:
    """Reckon what pages would wait for after a weighing, or in the morning."""
    with store.read() as session:
        untold.learned(session)
        outlooks.told(session, today=load_shop(session).today(now))
