"""The server takes bodies as large as the rules say, and no others."""

import http.client
from collections.abc import Iterator
from contextlib import closing, suppress
from pathlib import Path

import pytest

from spoolkeep.services.instance import Instance
from spoolkeep.store.engine import Store
from spoolkeep.web import bodies, serving
from spoolkeep.web.app import create_app
from spoolkeep.web.lock import Reach
from spoolkeep.web.processes import Settings, server_on
from spoolkeep.web.rules import MOTION_FILE, PHOTO, SHEET
from tests.web.running import running


@pytest.fixture
def port(sqlite_store: Store, tmp_path: Path) -> Iterator[int]:
    """Give the port of a workshop that is served as `spoolkeep serve` serves it."""
    settings = Settings(Instance(tmp_path / "served"), Reach())
    server = server_on(serving.listening_on("127.0.0.1", 0), settings, sqlite_store)
    with running(server) as port:
        yield port


def sent(port: int, path: str, size: int, **more: str) -> int:
    """Give the status of a body of so many bytes; 0 where the server hung up on it."""
    line = http.client.HTTPConnection("127.0.0.1", port, timeout=20)
    headers = {"Host": f"localhost:{port}", "Origin": f"http://localhost:{port}", "Content-Type": "application/x-none"}
    headers |= more
    with closing(line):
        with suppress(ConnectionError):
            line.request("POST", path, b"x" * size, headers)
        try:
            with line.getresponse() as answer:
                return answer.status
        except (ConnectionError, http.client.HTTPException):
            return 0


def test_the_server_takes_motion_files_sheets_and_photos_as_large_as_their_rules_say(port: int) -> None:
    for path in ("/jobs/file", "/api/motion-files", "/imports", "/bench/photo"):
        # the door answers, and not the server: the cookie lets nobody in
        assert sent(port, path, 3_000_000, Cookie="spoolkeep-person=nobody") in {401, 303}, path


def test_a_stranger_sends_no_large_body_at_all(port: int) -> None:
    assert sent(port, "/jobs/file", 3_000_000) in {413, 0}


def test_the_server_takes_no_large_body_for_anything_else(port: int) -> None:
    for path in ("/bench", "/jobs", "/nowhere", "/api/scans"):
        assert sent(port, path, 3_000_000, Cookie="spoolkeep-person=nobody") in {413, 0}, path


def test_what_may_be_large_is_named_by_the_rules(sqlite_store: Store) -> None:
    app = create_app(sqlite_store, secret=b"only for its map")
    found = bodies.largest_by_path(app)
    assert set(found.values()) == {PHOTO, SHEET, MOTION_FILE}
    assert not any("<" in path for path in found)
