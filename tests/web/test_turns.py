"""Pages that take their time wait for a turn, and a scan for none."""

import threading
import time
from concurrent.futures import ThreadPoolExecutor
from http import HTTPStatus

import pytest
from flask import Flask

from spoolkeep.web import turns
from spoolkeep.web.app import create_app
from spoolkeep.web.rules import RULES
from tests.web.conftest import Browser
from tests.workshop import TestWorkshop


@pytest.fixture
def app(shop: TestWorkshop) -> Flask:
    return create_app(shop.store, secret=b"a secret for tests", clock=lambda: shop.now)


def all_sit(app: Flask) -> None:
    """Wait until as many ask as may."""
    seats = app.extensions["spoolkeep_turns"].seats
    until = time.monotonic() + 20
    while seats.acquire(blocking=False):
        seats.release()
        assert time.monotonic() < until, "somebody has not asked yet"
        time.sleep(0.01)


def test_a_scan_is_taken_while_many_pages_are_worked_out_and_who_asks_too_much_is_told(
    app: Flask, browser: Browser, monkeypatch: pytest.MonkeyPatch, shop: TestWorkshop
) -> None:
    """Source: OWASP ASVS 5.0.0, V2.4.1 and V15.2.2."""
    shop.deliver()
    go_on, begun = threading.Event(), threading.Semaphore(0)

    def slow() -> str:
        begun.release()
        go_on.wait(20)
        raise RuntimeError("its answer does not matter")

    page = app.view_functions["today.page"]
    monkeypatch.setitem(app.view_functions, "today.page", slow)
    clients = [browser("owner") for _ in range(turns.AT_ONCE + turns.WAITING)]
    with ThreadPoolExecutor(len(clients)) as people:
        asked = [people.submit(client.get, "/") for client in clients]
        for _ in range(turns.AT_ONCE):
            assert begun.acquire(timeout=20)
        all_sit(app)
        station = browser("station")
        assert station.get("/bench").status_code == HTTPStatus.OK
        assert station.post("/bench", data={"code": shop.places[0], "key": "k"}).status_code == HTTPStatus.OK
        told = browser("owner").get("/stock")
        assert told.status_code == HTTPStatus.SERVICE_UNAVAILABLE
        assert "Wait a moment" in told.text
        go_on.set()
        answered = {one.result(20).status_code for one in asked}
    assert answered == {HTTPStatus.INTERNAL_SERVER_ERROR}, "each came to its turn"
    monkeypatch.setitem(app.view_functions, "today.page", page)
    assert browser("owner").get("/").status_code == HTTPStatus.OK, "every turn ended"


def test_what_needs_no_turn_is_an_endpoint() -> None:
    assert set(RULES) >= turns.QUICK


def test_who_waited_for_long_enough_is_told(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(turns, "WAIT_S", 0.01)
    found = turns.Turns()
    assert all(found.take() for _ in range(turns.AT_ONCE))
    assert not found.take()
    found.give_back()
    assert found.take()
    assert all(found.seats.acquire(blocking=False) for _ in range(turns.WAITING)), "nobody sits who gave up"
