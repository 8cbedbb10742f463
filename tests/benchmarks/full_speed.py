"""Eight programs at full speed for ten minutes: errors, memory and the slowest answers, minute by minute.

Run it: python tests/benchmarks/full_speed.py [--minutes 10] [--programs 8] [--database sqlite|postgresql]. SQLite is
served by one process, PostgreSQL by two behind one address. Beside the programs two readers open Today, Stock and the
Bench one after the other, as people do.
"""

import argparse
import http.client
import itertools
import subprocess
import sys
import tempfile
import threading
import time
from collections import Counter
from contextlib import closing
from datetime import UTC, datetime
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).parents[2]))  # run as a script, the tests' folder is not on the path

from spoolkeep.services import tokens
from spoolkeep.web.lock import PERSON_COOKIE
from tests.benchmarks.kills import books
from tests.benchmarks.pressed import HOST, Pressed, Program, free_port, held
from tests.workshop import TestWorkshop, somebody

PAGES = ("/", "/stock", "/bench", "/jobs")
MIB = 1024


class Reader(threading.Thread):
    """A person who opens one page after the other."""

    def __init__(self, secret: str, port: int) -> None:
        super().__init__(daemon=True)
        self.over, self.statuses = threading.Event(), Counter[int]()
        self._secret, self._port = secret, port

    def run(self) -> None:
        """Read until it is stopped."""
        for page in itertools.cycle(PAGES):
            if self.over.wait(0.5):
                return
            line = http.client.HTTPConnection(HOST, self._port, timeout=60)
            cookie = f"{PERSON_COOKIE}={self._secret}"
            line.request("GET", page, headers={"Cookie": cookie, "Host": f"localhost:{self._port}"})
            answer = line.getresponse()
            answer.read()
            line.close()
            self.statuses[answer.status] += 1


def resident_mib(process: subprocess.Popen[bytes]) -> float:
    """Give the memory that a process and its children hold."""
    children = Path(f"/proc/{process.pid}/task/{process.pid}/children").read_text(encoding="ascii").split()
    total = 0
    for number in (str(process.pid), *children):
        for line in Path(f"/proc/{number}/status").read_text(encoding="utf-8").splitlines():
            if line.startswith("VmRSS:"):
                total += int(line.split()[1])
    return total / MIB


def reader_of(pressed: Pressed, port: int) -> Reader:
    """Give an owner who reads."""
    with closing(pressed.store()) as store:
        now = datetime.now(UTC)
        number = somebody(store, now, "Ida Berg")
        secret = TestWorkshop(store, now).do(lambda s: tokens.for_browser(s, now, actor_id=number, label="computer"))
    return Reader(secret, port)


def main() -> None:
    """Press and print."""
    asked = argparse.ArgumentParser(description=__doc__)
    asked.add_argument("--minutes", type=int, default=10)
    asked.add_argument("--programs", type=int, default=8)
    asked.add_argument("--database", choices=("sqlite", "postgresql"), default="sqlite")
    given = asked.parse_args()
    with tempfile.TemporaryDirectory() as folder, books(given.database) as (address, cluster):
        pressed, port = Pressed(Path(folder), address), free_port()
        pressed.build(given.programs)
        server = pressed.start(port, *(("--processes", "2") if cluster else ()))
        reader = reader_of(pressed, port)
        programs = [Program(pressed, number, lambda: port) for number in range(given.programs)]
        began = time.monotonic()
        for one in (*programs, reader):
            one.start()
        memory = []
        for minute in range(1, given.minutes + 1):
            time.sleep(max(0.0, began + 60 * minute - time.monotonic()))
            memory.append(resident_mib(server))
            answered = sum(len(one.answered) for one in programs)
            print(f"minute {minute}: {answered} answered so far, {memory[-1]:.0f} MiB", flush=True)
        reader.over.set()
        for one in programs:
            one.over.set()
        for one in (*programs, reader):
            one.join()
        server.terminate()
        server.wait()
        with closing(pressed.store()) as store:
            print(held(store, programs))
    took = [(at - began, seconds) for one in programs for at, seconds in one.took]
    for minute in range(given.minutes):
        of = [1000 * seconds for at, seconds in took if 60 * minute <= at < 60 * (minute + 1)]
        half, late = np.quantile(of, (0.5, 0.99))
        print(f"minute {minute + 1}: {len(of)} acts, median {half:.0f} ms, p99 {late:.0f} ms, {memory[minute]:.0f} MiB")
    statuses: Counter[int | str] = Counter()
    for one in programs:
        statuses.update(one.statuses)
    print(f"programs met {dict(statuses)}, the reader {dict(reader.statuses)}")


if __name__ == "__main__":
    main()
