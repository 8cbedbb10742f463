"""A server that runs in a thread of its own until a test is over, and ends without a race.

The tests that ask a real server use it.
"""

import threading
from collections.abc import Iterator
from contextlib import contextmanager
from typing import Any

from waitress import wasyncore

LONGEST_S = 10


@contextmanager
def running(server: Any) -> Iterator[int]:  # noqa: ANN401 - waitress ships no types
    """Run a waitress server; give its port.

    It is ended in its own thread: whoever closes what another thread waits on makes that one fail. What it waits on is
    closed with browsers' connections, which stay open; but the trigger that wakes it stays until every thread is done,
    since another may pull it between our word and our pull.
    """
    thread = threading.Thread(target=server.run, daemon=True)
    thread.start()
    yield int(server.effective_port)

    def hang_up() -> None:
        server.trigger.del_channel()
        for one in list(server._map.values()):  # noqa: SLF001 - it has no other way
            wasyncore.dispatcher.close(one) if one is server else one.close()
        server._map.clear()  # noqa: SLF001 - as above

    server.trigger.pull_trigger(hang_up)
    thread.join(LONGEST_S)
    server.task_dispatcher.shutdown()
    server.trigger.close()
