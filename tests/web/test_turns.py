"""Pages that take their time wait for a turn, and a scan for none."""

import threading
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
    monkeypatch.setattr(turns, "WAIT_S", 0.2)
    clients = [browser("owner") for _ in range(turns.AT_ONCE + turns.WAITING)]
    with ThreadPoolExecutor(len(clients)) as people:
        asked = [people.submit(client.get, "/") for client in clients]
        for _ in range(turns.AT_ONCE):
            assert begun.acquire(timeout=20)
        station = browser("station")
        assert station.get("/bench").status_code == HTTPStatus.OK
        assert station.post("/bench", data={"code": shop.places[0], "key": "k"}).status_code == HTTPStatus.OK
        told = browser("owner").get("/stock")
        assert told.status_code == HTTPStatus.SERVICE_UNAVAILABLE
        assert "Wait a moment" in told.text
        go_on.set()
        answered = [one.result(20).status_code for one in asked]
    assert answered.count(HTTPStatus.INTERNAL_SERVER_ERROR) == turns.AT_ONCE
    assert answered.count(HTTPStatus.SERVICE_UNAVAILABLE) == turns.WAITING
    monkeypatch.setitem(app.view_functions, "today.page", page)
    assert browser("owner").get("/").status_code == HTTPStatus.OK, "every turn ended"


def test_what_needs_no_turn_is_an_endpoint() -> None:
    assert set(RULES) >= turns.QUICK
