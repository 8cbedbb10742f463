"""The app over a small workshop, and clients: its owner's browser, others by their part, a station, a program."""

import sqlite3
from collections.abc import Callable, Iterator
from contextlib import closing, contextmanager
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path

import pytest
from flask import Flask
from flask.testing import FlaskClient
from jinja2 import BytecodeCache
from jinja2.bccache import Bucket

from spoolkeep.domain.words import Role, Scope
from spoolkeep.services import passwords, people, stations, tokens
from spoolkeep.store.engine import Store, open_store
from spoolkeep.web.app import create_app
from spoolkeep.web.lock import PERSON_COOKIE, STATION_COOKIE
from tests.workshop import TestWorkshop, somebody

HOST = "http://localhost"
PASSWORD = "tin kettle under slow rain"  # noqa: S105 - made up
Browser = Callable[[str], FlaskClient]


class CompiledPages(BytecodeCache):
    """The pages that some app has compiled, for those that come after it: each test has an app of its own."""

    def __init__(self) -> None:
        self._compiled: dict[str, bytes] = {}

    def load_bytecode(self, bucket: Bucket) -> None:
        """Give a page as it was compiled; one whose words have changed since is compiled anew."""
        if bucket.key in self._compiled:
            bucket.bytecode_from_string(self._compiled[bucket.key])

    def dump_bytecode(self, bucket: Bucket) -> None:
        """Remember a page that was compiled."""
        self._compiled[bucket.key] = bucket.bytecode_to_string()


@pytest.fixture(scope="session", autouse=True)
def pages() -> Iterator[None]:
    """Let every app share the pages that were compiled: compiling takes longer than most tests."""
    Flask.jinja_options["bytecode_cache"] = CompiledPages()
    yield
    del Flask.jinja_options["bytecode_cache"]


@pytest.fixture
def shop(store: Store, now: datetime) -> TestWorkshop:
    return TestWorkshop(store, now)


@pytest.fixture
def app(shop: TestWorkshop) -> Flask:
    app = create_app(shop.store, secret=b"a secret for tests", clock=lambda: shop.now)
    app.testing = True
    return app


@pytest.fixture
def stranger(app: Flask) -> FlaskClient:
    """Give a browser in which nobody is signed in; like every browser it says from where a form comes."""
    client = app.test_client()
    client.environ_base["HTTP_ORIGIN"] = HOST
    return client


@pytest.fixture
def browser(app: Flask, shop: TestWorkshop) -> Browser:
    """Give a maker of browsers in which somebody of a part is signed in: owner, operator, reader, or a station."""

    def made(part: str) -> FlaskClient:
        client = app.test_client()
        client.environ_base["HTTP_ORIGIN"] = HOST
        if part == "station":
            new = shop.do(lambda s: stations.sign_in(session=s, now=shop.now, label="Bench"))
            client.set_cookie(STATION_COOKIE, new.secret)
            return client
        with shop.store.read() as session:
            known = people.named(session, f"A {part}")
        actor_id = known[1].id if known else somebody(shop.store, shop.now, f"A {part}", Role(part))
        secret = shop.do(lambda s: tokens.for_browser(s, shop.now, actor_id=actor_id, label="computer"))
        client.set_cookie(PERSON_COOKIE, secret)
        return client

    return made


@pytest.fixture
def client(browser: Browser) -> FlaskClient:
    """Give the owner's browser."""
    return browser("owner")


@pytest.fixture
def token(shop: TestWorkshop) -> Callable[..., dict[str, str]]:
    """Give a maker of the header that a program sends, with a token for these scopes."""

    def made(*scopes: Scope) -> dict[str, str]:
        label = f"Script for {' '.join(scopes)}"
        given = shop.do(
            lambda s: tokens.for_program(session=s, now=shop.now, by_id=1, label=label, scopes=scopes or tuple(Scope))
        )
        return {"Authorization": f"Bearer {given}"}

    return made


@pytest.fixture
def key() -> Callable[[], str]:
    numbers = iter(range(1, 1000))
    return lambda: f"form-{next(numbers)}"


@pytest.fixture(scope="session")
def kept() -> str:
    """Give what is kept of the password of tests, made once: it takes time on purpose."""
    return passwords.hashed(PASSWORD)


@pytest.fixture
def ada(shop: TestWorkshop, kept: str) -> int:
    """Give the number of an owner who has that password."""
    number = shop.do(lambda s: people.add(session=s, now=shop.now, by_id=None, name="Ada", role=Role.OWNER))
    shop.do(lambda s: people.choose_password(session=s, now=shop.now, actor_id=number, password_hash=kept))
    return number


@dataclass(frozen=True)
class Impatient:
    """A workshop on a SQLite file, whose server gives up after a second while another program holds it."""

    shop: TestWorkshop
    path: Path

    @contextmanager
    def held(self) -> Iterator[None]:
        """Hold the database as another program would."""
        with closing(sqlite3.connect(self.path, isolation_level=None)) as other:
            other.execute("BEGIN IMMEDIATE")
            yield
            other.execute("ROLLBACK")


@pytest.fixture
def impatient(
    sqlite_template: bytes, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, now: datetime
) -> Iterator[Impatient]:
    """Give a workshop that another program can hold."""
    monkeypatch.setattr("spoolkeep.store.engine.BUSY_SECONDS", 1)
    path = tmp_path / "held.sqlite"
    path.write_bytes(sqlite_template)
    store = open_store(f"sqlite:///{path}")
    yield Impatient(TestWorkshop(store, now), path)
    store.close()
