"""`spoolkeep serve` as a program of its own, and clients that keep on sending to it until it is gone.

The tests of what happens between processes use it.
"""

import http.client
import itertools
import json
import os
import socket
import subprocess
import sys
import threading
import time
from collections.abc import Iterator
from contextlib import closing, contextmanager
from dataclasses import dataclass, field
from pathlib import Path

from spoolkeep.domain.words import Scope
from spoolkeep.services import people, tokens
from spoolkeep.services.instance import SETTING
from spoolkeep.store.engine import Store
from tests.workshop import TestWorkshop, somebody

TOP = Path(__file__).parent.parent.parent
MAIN = "from spoolkeep.cli import main; main()"
READY_S = 40.0


def free_port() -> int:
    """Give a port that nobody has just now."""
    with socket.socket() as asked:
        asked.bind(("127.0.0.1", 0))
        return int(asked.getsockname()[1])


def program_token(store: Store, shop: TestWorkshop) -> str:
    """Give a token that a program may send reports with, in a workshop that has an owner."""
    with store.read() as session:
        owned = people.has_owner(session)
    if not owned:
        somebody(store, shop.now, "An owner")
    with store.write() as session:
        return tokens.for_program(session=session, now=shop.now, by_id=1, label="Script", scopes=tuple(Scope))


@dataclass
class Program:
    """A program that serves a workshop."""

    process: subprocess.Popen[str]
    port: int

    def get(self, path: str, **headers: str) -> tuple[int, str]:
        """Give the status and the words of an answer; a status of 0 where there is none."""
        line = http.client.HTTPConnection("127.0.0.1", self.port, timeout=20)
        with closing(line):
            try:
                line.request("GET", path, headers={"Host": "localhost", **headers})
                answer = line.getresponse()
                return answer.status, answer.read().decode()
            except (OSError, http.client.HTTPException):
                return 0, ""

    def wait_until_ready(self) -> None:
        """Wait until it answers."""
        until = time.monotonic() + READY_S
        while self.get("/sign-in")[0] != 200:
            assert self.process.poll() is None, self.rest()
            assert time.monotonic() < until
            time.sleep(0.05)

    def end(self, number: int, within_s: float = 20.0) -> int:
        """Send a signal, and give with what the program ends."""
        self.process.send_signal(number)
        return self.process.wait(within_s)

    def rest(self) -> str:
        """Give what it printed, once it has ended."""
        said, told = self.process.communicate(timeout=20)
        return said + told


def command(*words: str | Path) -> list[str]:
    """Give the command line of a command of ours."""
    return [sys.executable, "-c", MAIN, *map(str, words)]


@contextmanager
def serving(folder: Path, *options: str, database: str | None = None, port: int | None = None) -> Iterator[Program]:
    """Serve a workshop by a program of its own until the block ends."""
    port = port or free_port()
    env = {name: value for name, value in os.environ.items() if name != SETTING}
    env |= {"PYTHONPATH": str(TOP), **({SETTING: database} if database else {})}
    words = command("serve", "--instance", folder, "--port", str(port), *options)
    process = subprocess.Popen(
        words, env=env, stdin=subprocess.DEVNULL, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True, cwd=folder
    )
    served = Program(process, port)
    try:
        served.wait_until_ready()
        yield served
    finally:
        if process.poll() is None:
            process.kill()
        process.communicate()


@dataclass
class Load:
    """Clients that enter takings one after the other on connections that stay open, until nobody answers."""

    port: int
    token: str
    name: str = ""
    answered: set[str] = field(default_factory=set)
    unanswered: set[str] = field(default_factory=set)
    odd: list[tuple[int, str]] = field(default_factory=list)
    over: threading.Event = field(default_factory=threading.Event)

    def run(self, clients: int) -> list[threading.Thread]:
        """Begin to send."""
        threads = [threading.Thread(target=self._send, args=(number,)) for number in range(clients)]
        for thread in threads:
            thread.start()
        return threads

    def _send(self, client: int) -> None:
        line = http.client.HTTPConnection("127.0.0.1", self.port, timeout=30)
        headers = {"Host": "localhost", "Authorization": f"Bearer {self.token}", "Content-Type": "application/json"}
        for number in itertools.count():
            key = f"load-{self.name}-{client}-{number}"
            body = json.dumps({"key": key, "lines": [{"channel": "Market", "amount_minor": 100 + number}]})
            try:
                line.request("POST", "/api/takings", body, headers)
                answer = line.getresponse()
                words = answer.read().decode()
            except ConnectionRefusedError:
                return
            except (OSError, http.client.HTTPException):
                self.unanswered.add(key)
                line.close()
                if self.over.is_set():
                    return
                continue
            if answer.status == 200:
                self.answered.add(key)
            else:
                self.odd.append((answer.status, words))


def is_quiet(port: int) -> bool:
    """Give whether nobody listens on a port any more."""
    with socket.socket() as asked:
        return asked.connect_ex(("127.0.0.1", port)) != 0
