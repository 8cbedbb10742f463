"""The app over a small workshop, and a client that is a station."""

from collections.abc import Callable
from datetime import datetime

import pytest
from flask import Flask
from flask.testing import FlaskClient

from spoolkeep.store.engine import Store
from spoolkeep.web.app import create_app
from tests.workshop import TestWorkshop

HOST = "http://localhost"


@pytest.fixture
def shop(store: Store, now: datetime) -> TestWorkshop:
    return TestWorkshop(store, now)


@pytest.fixture
def app(shop: TestWorkshop) -> Flask:
    app = create_app(shop.store, secret=b"a secret for tests", clock=lambda: shop.now)
    app.testing = True
    return app


@pytest.fixture
def client(app: Flask) -> FlaskClient:
    client = app.test_client()
    client.get("/bench", base_url=HOST)
    return client


@pytest.fixture
def key() -> Callable[[], str]:
    numbers = iter(range(1, 1000))
    return lambda: f"form-{next(numbers)}"
