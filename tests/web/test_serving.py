"""While a workshop is served, somebody looks each minute for what is due though nobody asks."""

import http.client
import threading
from collections.abc import Iterator
from contextlib import closing, suppress
from pathlib import Path

import pytest

from spoolkeep.services import assumed
from spoolkeep.services.instance import Instance
from spoolkeep.services.notices import sending
from spoolkeep.store.engine import Store
from spoolkeep.web import bodies, serving
from spoolkeep.web.app import create_app
from spoolkeep.web.lock import Reach
from spoolkeep.web.rules import MOTION_FILE, PHOTO, SHEET
from tests.web.running import running


def test_somebody_looks_each_minute_and_goes_on_when_a_look_fails(
    store: Store, monkeypatch: pytest.MonkeyPatch, caplog: pytest.LogCaptureFixture
) -> None:
    looks, thrice = [], threading.Event()

    def look(where: Store, **_: object) -> None:
        looks.append(where)
        if len(looks) >= 3:
            thrice.set()
        raise RuntimeError("the disk is full")

    monkeypatch.setattr(serving, "LOOKS_EACH_S", 0.001)
    monkeypatch.setattr(assumed, "take_all", look)
    with serving._looking(store):  # noqa: SLF001 - `serve` runs until it is stopped
        assert thrice.wait(20)
    seen = len(looks)
    assert set(map(id, looks)) == {id(store)}
    assert "tried again in a minute" in caplog.text
    assert len(looks) == seen, "nobody looks once it is over"


def test_notices_are_looked_at_beside_the_pages_and_go_on_when_a_round_fails(
    sqlite_store: Store, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, caplog: pytest.LogCaptureFixture
) -> None:
    rounds, thrice = [], threading.Event()

    def fails(teller: sending.Teller) -> int:
        rounds.append(teller.folder)
        if len(rounds) >= 3:
            thrice.set()
        raise RuntimeError("the disk is full")

    monkeypatch.setattr(sending, "ROUND_EACH_S", 0.001)
    monkeypatch.setattr(sending.Teller, "round", fails)
    with sending.keep_telling(serving._teller(Instance(tmp_path), sqlite_store)):  # noqa: SLF001 - as above
        assert thrice.wait(20)
    seen = len(rounds)
    assert set(rounds) == {tmp_path}
    assert "Notices could not be looked at: RuntimeError: the disk is full" in caplog.text
    assert len(rounds) == seen, "nobody looks once it is over"


@pytest.fixture
def port(sqlite_store: Store, tmp_path: Path) -> Iterator[int]:
    """Give the port of a workshop that is served as `spoolkeep serve` serves it."""
    server = serving._server(  # noqa: SLF001 - `serve` runs until it is stopped
        Instance(tmp_path / "served"), sqlite_store, Reach(), host="127.0.0.1", port=0, proxy=None
    )
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
