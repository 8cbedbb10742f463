"""A workshop served by a process of its own, programs that press it, and what its books hold in the end.

`kills.py`, `mishaps.py` and `full_speed.py` use it. A program sends one act after the other, each under a key of its
own, and sends what was not answered again under the same key, as a station does.
"""

import http.client
import json
import os
import random
import signal
import socket
import subprocess
import sys
import threading
import time
from collections import Counter, defaultdict
from collections.abc import Callable, Iterator
from contextlib import closing, contextmanager
from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta
from pathlib import Path

from sqlalchemy import func, select
from sqlmodel import col

from spoolkeep.domain.words import Scope
from spoolkeep.services import tokens
from spoolkeep.services.instance import SETTING, Instance
from spoolkeep.store.engine import Store
from spoolkeep.store.proof import differences
from spoolkeep.store.seeds import FIRST_ACTOR
from spoolkeep.store.tables import Act, Movement, TakingsLine
from tests.workshop import TestWorkshop, somebody

HOST = "127.0.0.1"
ANSWERS_WITHIN_S = 60.0
TARE_MG = 200_000
"""Of the reels that `TestWorkshop` delivers."""
KINDS = ("draw", "weighing", "takings")


@dataclass(frozen=True)
class Acted:
    """One act as a program tells it."""

    key: str
    path: str
    body: dict[str, object]
    comes_to: int
    """The amount that the books must hold of it: drawn, or left by a scale, in mg, or taken."""


@dataclass
class Pressed:
    """A workshop in a folder, on SQLite or at a database's address, and what its programs need."""

    folder: Path
    database: str | None
    secrets: list[str] = field(default_factory=list)
    feeds: list[str] = field(default_factory=list)
    spools: list[str] = field(default_factory=list)

    def store(self) -> Store:
        """Open its books, beside whatever else has them open."""
        with self._setting():
            return Instance(self.folder).open()

    def build(self, programs: int) -> None:
        """Make it: two feeds with a spool each, and a token for each program."""
        now = datetime.now(UTC) - timedelta(hours=1)
        with self._setting(), closing(Instance(self.folder).open_or_make(now=now - timedelta(days=1))) as store:
            shop = TestWorkshop(store, now)
            somebody(store, now, "Ada Holm")
            self.feeds, self.spools = shop.feeds, list(shop.deliver(2, grams=10_000))
            for spool, feed in zip(self.spools, self.feeds, strict=True):
                shop.scan(spool, feed)
            for number in range(programs):
                secret = shop.do(
                    lambda s, number=number: tokens.for_program(  # type: ignore[misc]
                        session=s, now=now, by_id=FIRST_ACTOR, label=f"Program {number}", scopes=tuple(Scope)
                    )
                )
                self.secrets.append(secret)

    @contextmanager
    def _setting(self) -> Iterator[None]:
        before = os.environ.pop(SETTING, None)
        if self.database:
            os.environ[SETTING] = self.database
        yield
        os.environ.pop(SETTING, None)
        if before:
            os.environ[SETTING] = before

    def start(self, port: int, *words: str) -> subprocess.Popen[bytes]:
        """Start a server for it, and wait until it answers."""
        command = [
            str(Path(sys.executable).parent / "spoolkeep"),
            "serve",
            "--instance",
            str(self.folder),
            "--port",
            str(port),
        ]
        given = {**os.environ, **({SETTING: self.database} if self.database else {})}
        process = subprocess.Popen([*command, *words], env=given, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL)
        until = time.monotonic() + 120
        while time.monotonic() < until and process.poll() is None:
            with socket.socket() as tried:
                if tried.connect_ex((HOST, port)) == 0:
                    return process
            time.sleep(0.05)
        raise TimeoutError("The server did not start.")

    def acts_of(self, program: int) -> Iterator[Acted]:
        """Give what a program tells, without end: draws, weighings and takings by chance."""
        chance = random.Random(program)  # noqa: S311 - a seeded load
        number = 0
        while True:
            number += 1
            key = f"{program} {number}"
            kind = chance.choices(KINDS, (8, 1, 1))[0]
            if kind == "draw":
                mg = chance.randint(100, 900)
                given = {"feed": chance.choice(self.feeds), "drawn_mg": mg}
                yield Acted(key, "/api/jobs", {"key": key, "title": "Hook", "outcome": "good", "feeds": [given]}, mg)
            elif kind == "weighing":
                gross = chance.randint(5_000_000, 10_000_000)
                told = {"key": key, "spool": chance.choice(self.spools), "gross_mg": gross}
                yield Acted(key, "/api/weighings", told, gross - TARE_MG)
            else:
                minor = chance.randint(1, 5_000)
                line = {"channel": "Market", "amount_minor": minor}
                yield Acted(key, "/api/takings", {"key": key, "lines": [line]}, minor)


def free_port() -> int:
    """Give a port that nobody uses."""
    with socket.socket() as free:
        free.bind((HOST, 0))
        return int(free.getsockname()[1])


class Program(threading.Thread):
    """One program: it sends act after act until it is stopped, and what was not answered again."""

    def __init__(self, pressed: Pressed, number: int, port_of: Callable[[], int], *, every_s: float = 0.0) -> None:
        super().__init__(daemon=True, name=f"program {number}")
        self.answered: list[Acted] = []
        self.waiting: Acted | None = None
        self.statuses: Counter[int | str] = Counter()
        self.took: list[tuple[float, float]] = []
        """When each answered act was begun, and how many seconds it took."""
        self.over = threading.Event()
        self._secret, self._port_of, self._every_s = pressed.secrets[number], port_of, every_s
        self._acts = pressed.acts_of(number)
        self._line: http.client.HTTPConnection | None = None

    def run(self) -> None:
        """Send until it is stopped."""
        while not self.over.is_set():
            self.waiting = self.waiting or next(self._acts)
            began = time.monotonic()
            status = self._send(self.waiting)
            self.statuses[status] += 1
            if status == http.client.OK:
                self.took.append((began, time.monotonic() - began))
                self.answered.append(self.waiting)
                self.waiting = None
                self.over.wait(max(0.0, self._every_s - (time.monotonic() - began)))
            else:
                self.over.wait(0.05)
        if self._line:
            self._line.close()

    def _send(self, act: Acted) -> int | str:
        headers = {"Authorization": f"Bearer {self._secret}", "Content-Type": "application/json"}
        try:
            if self._line is None:
                port = self._port_of()
                self._line = http.client.HTTPConnection(HOST, port, timeout=ANSWERS_WITHIN_S)
            self._line.request("POST", act.path, json.dumps(act.body), headers | {"Host": "localhost"})
            answer = self._line.getresponse()
            answer.read()
        except (OSError, http.client.HTTPException) as error:
            if self._line:
                self._line.close()
            self._line = None
            return type(error).__name__
        return answer.status


@dataclass(frozen=True)
class Held:
    """What the books hold of what programs were answered, or not yet."""

    answered: int
    missing: int
    doubled: int
    wrong: int
    """Acts whose amount is another than was told."""
    unanswered_booked: int
    first_difference: str | None

    @property
    def sound(self) -> bool:
        """Give whether nothing is lost, doubled or otherwise wrong."""
        return not self.missing and not self.doubled and not self.wrong and self.first_difference is None


def held(store: Store, programs: list[Program]) -> Held:
    """Hold the books against what was answered; each act must have written its one movement or line of takings."""
    answered = {one.key: one for program in programs for one in list(program.answered)}
    waiting = {one.key: one for program in programs if (one := program.waiting)}
    asked = func.coalesce(-col(Movement.asked_mg), col(Movement.leaves_mg))
    found: dict[str, list[int]] = defaultdict(list)
    with store.read() as session:
        for table, amount in ((Movement, asked), (TakingsLine, col(TakingsLine.amount_minor))):
            query = select(col(Act.key), amount).join(table, col(table.act_id) == col(Act.id))
            for key, of in session.execute(query.where(col(Act.key).like("% %"))):
                found[key].append(int(of or 0))
        different = next(differences(session), None)
    return Held(
        answered=len(answered),
        missing=sum(1 for key in answered if key not in found),
        doubled=sum(1 for key in found if len(found[key]) > 1),
        wrong=sum(1 for key, act in (answered | waiting).items() if key in found and act.comes_to != found[key][0]),
        unanswered_booked=sum(1 for key in waiting.keys() - answered.keys() if key in found),
        first_difference=different,
    )


def kill(process: subprocess.Popen[bytes]) -> None:
    """Kill a server at once."""
    process.send_signal(signal.SIGKILL)
    process.wait()
