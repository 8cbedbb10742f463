"""The server takes bodies as large as the rules say, and no others."""

import http.client
import select
import socket
import tempfile
import time
from collections.abc import Iterator
from contextlib import ExitStack, closing, contextmanager, suppress
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import pytest

from spoolkeep.domain.words import Scope
from spoolkeep.services import stations, tokens
from spoolkeep.services.instance import Instance
from spoolkeep.store.engine import Store
from spoolkeep.web import bodies, serving
from spoolkeep.web.app import create_app
from spoolkeep.web.lock import PERSON_COOKIE, STATION_COOKIE, Reach
from spoolkeep.web.processes import Settings, server_on
from spoolkeep.web.rules import MOTION_FILE, PHOTO, SHEET
from tests.web.running import running


@dataclass(frozen=True)
class Door:
    """A workshop that is served as `spoolkeep serve` serves it: its port, and secrets of a station and of a program."""

    port: int
    station: str
    program: str


@pytest.fixture
def door(sqlite_store: Store, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Iterator[Door]:
    """Give the door of a workshop; what comes in large lies in a folder of its own meanwhile."""
    monkeypatch.setattr(tempfile, "tempdir", str(tmp_path))
    with sqlite_store.write() as session:
        station = stations.sign_in(session=session, now=datetime.now(UTC), label="Bench").secret
        program = tokens.for_program(
            session=session, now=datetime.now(UTC), by_id=1, label="Script", scopes=tuple(Scope)
        )
    settings = Settings(Instance(tmp_path / "served"), Reach())
    server = server_on(serving.listening_on("127.0.0.1", 0), settings, sqlite_store)
    with running(server) as port:
        yield Door(port, station, program)


@pytest.fixture
def port(door: Door) -> int:
    return door.port


def headers_for(port: int, **more: str) -> dict[str, str]:
    """Give the head that a browser sends."""
    at = f"localhost:{port}"
    return {"Host": at, "Origin": f"http://{at}", "Content-Type": "application/octet-stream"} | more


def sent(port: int, path: str, size: int, **more: str) -> int:
    """Give the status of a body of so many bytes; 0 where the server hung up on it."""
    line = http.client.HTTPConnection("127.0.0.1", port, timeout=20)
    with closing(line):
        with suppress(ConnectionError):
            line.request("POST", path, b"x" * size, headers_for(port, **more))
        try:
            with line.getresponse() as answer:
                return answer.status
        except (ConnectionError, http.client.HTTPException):
            return 0


LARGE_PATHS = ("/jobs/file", "/api/motion-files", "/imports", "/bench/photo")


def cookie(door: Door) -> dict[str, str]:
    return {"Cookie": f"{STATION_COOKIE}={door.station}"}


def test_the_server_takes_motion_files_sheets_and_photos_as_large_as_their_rules_say(door: Door) -> None:
    for path in LARGE_PATHS:
        # the page answers, and not the server
        assert sent(door.port, path, 3_000_000, **cookie(door)) in {403, 422}, path
    assert sent(door.port, "/api/motion-files", 3_000_000, Authorization=f"Bearer {door.program}") == 422


@pytest.mark.parametrize(
    "head",
    [
        {},
        {"Cookie": "theme=dark"},
        {"Cookie": f"{STATION_COOKIE}=nobody"},
        {"Cookie": f"{PERSON_COOKIE}=nobody; __Host-{STATION_COOKIE}=no; x"},
        {"Authorization": "Bearer nobody"},
        {"Authorization": "Basic eDp5"},
    ],
)
def test_who_is_not_known_sends_no_large_body_at_all(port: int, head: dict[str, str]) -> None:
    """Source: OWASP ASVS 5.0.0, V5.2.1 and V15.2.2."""
    for path in LARGE_PATHS:
        assert sent(port, path, 3_000_000, **head) in {401, 413, 0}, path


@contextmanager
def half_sent(door: Door, size: int, **head: str) -> Iterator[socket.socket]:
    """Give a line on which a body of so many bytes has begun to come, and goes no further than we say."""
    told = headers_for(door.port, **{"Content-Length": str(size)}, **head)
    lines = "".join(f"{name}: {value}\r\n" for name, value in told.items())
    with closing(socket.create_connection(("127.0.0.1", door.port), timeout=20)) as line:
        line.sendall(f"POST /jobs/file HTTP/1.1\r\n{lines}\r\n".encode())
        yield line


def answer_on(line: socket.socket) -> bytes:
    """Give the first bytes that come back, nothing where the server hung up."""
    with suppress(ConnectionError):
        return line.recv(300)
    return b""


def test_nothing_of_a_strangers_large_body_is_taken_before_who_it_is_was_looked_up(door: Door) -> None:
    with half_sent(door, 500_000_000, Cookie=f"{STATION_COOKIE}=nobody") as line:
        assert answer_on(line).startswith(b"HTTP/1.1 401")


def test_only_some_large_bodies_come_in_at_once_and_of_one_device_two(door: Door) -> None:
    size = 500_000_000
    with ExitStack() as stack:
        mine = [stack.enter_context(half_sent(door, size, **cookie(door))) for _ in range(bodies.AT_ONCE_OF_ONE + 1)]
        answered, _, _ = select.select(mine, [], [], 20)
        assert [answer_on(line)[:12] for line in answered] == [b"HTTP/1.1 503"]
        # a program's token is somebody else
        assert sent(door.port, "/api/motion-files", 3_000_000, Authorization=f"Bearer {door.program}") == 422
    for _ in range(200):
        if (status := sent(door.port, "/jobs/file", 3_000_000, **cookie(door))) == 422:
            break
        time.sleep(0.02)
    assert status == 422, "what was broken off has left room"


def test_what_comes_in_large_leaves_nothing_behind(door: Door, tmp_path: Path) -> None:
    before = set(tmp_path.iterdir())
    with half_sent(door, 500_000_000, **cookie(door)) as line:
        line.sendall(b"x" * 3_000_000)
    sent(door.port, "/jobs/file", 3_000_000, **cookie(door))
    sent(door.port, "/imports", 3_000_000, **cookie(door))
    assert set(tmp_path.iterdir()) <= before | {tmp_path / "served"}
    for _ in range(200):  # the server hears of a line that was cut off a moment later
        if not (lying := _deleted_but_held(tmp_path)):
            break
        time.sleep(0.02)
    assert not lying


def _deleted_but_held(folder: Path) -> list[str]:
    """Give the files of a folder that have no name any more and that this process holds."""
    found = []
    for one in Path("/proc/self/fd").iterdir():
        with suppress(OSError):
            found.append(str(one.readlink()))
    return [one for one in found if one.startswith(str(folder)) and "deleted" in one]


def test_a_head_that_does_not_end_is_let_go(door: Door, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(bodies, "HEAD_S", 0.2)
    with closing(socket.create_connection(("127.0.0.1", door.port), timeout=20)) as line:
        line.sendall(b"GET / HTTP/1.1\r\nX-Slow: ")
        assert answer_on(line) == b""


def test_a_body_that_trickles_is_let_go(door: Door, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(bodies, "PATIENCE_S", 0.2)
    with half_sent(door, 500_000_000, **cookie(door)) as line:
        line.sendall(b"x" * 10)
        assert answer_on(line) == b""


def test_one_address_has_only_so_many_connections_and_a_proxy_as_many_as_there_are() -> None:
    def server(*addresses: str) -> Any:  # noqa: ANN401 - what waitress has
        lines = {at: SimpleNamespace(addr=(one, 5)) for at, one in enumerate(addresses)}
        return SimpleNamespace(active_channels=lines)

    most = bodies.CONNECTIONS_OF_ONE
    for one, other in (("192.0.2.7", "192.0.2.8"), ("2001:db8::1", "2001:db8:0:1::1")):
        full = server(*[one] * (most + 1))
        assert bodies.too_many(full, (one, 9), frozenset())
        assert not bodies.too_many(full, (other, 9), frozenset())
        assert not bodies.too_many(full, (one, 9), frozenset({one}))
        assert not bodies.too_many(server(*[one] * most), (one, 9), frozenset())
    assert bodies.too_many(server(*["2001:db8::1"] * (most + 1)), ("2001:db8::2", 9), frozenset()), "one house"
    assert not bodies.too_many(server(*["127.0.0.1"] * 300), ("127.0.0.1", 9), frozenset())


def test_the_server_takes_no_large_body_for_anything_else(door: Door) -> None:
    for path in ("/bench", "/jobs", "/nowhere", "/api/scans"):
        assert sent(door.port, path, 3_000_000, **cookie(door)) in {413, 0}, path


def test_what_may_be_large_is_named_by_the_rules(sqlite_store: Store) -> None:
    app = create_app(sqlite_store, secret=b"only for its map")
    found = bodies.largest_by_path(app)
    assert set(found.values()) == {PHOTO, SHEET, MOTION_FILE}
    assert not any("<" in path for path in found)
