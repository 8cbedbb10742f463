"""What a page says where something broke, and what it offers: nothing inner, and nothing that may not be done."""

import logging
import re
from collections.abc import Callable, Iterator
from datetime import datetime
from html.parser import HTMLParser
from pathlib import Path

import pytest
from flask import Flask
from flask.testing import FlaskClient
from sqlalchemy import text
from sqlalchemy.exc import StatementError
from sqlalchemy.orm import Session

from spoolkeep.services import today, tokens
from spoolkeep.services.imports import drafts
from spoolkeep.store.engine import Store
from spoolkeep.store.seeds import FIRST_ACTOR
from spoolkeep.store.tables import Spool
from spoolkeep.web import doors, lock
from spoolkeep.web.app import create_app, template_folder
from tests.web.conftest import Browser
from tests.web.door import DELIVERY, count
from tests.web.test_rules import WHO
from tests.workshop import TestWorkshop, somebody

Key = Callable[[], str]


@pytest.fixture
def store(sqlite_store: Store) -> Store:
    """Give a store on one database: what is asked here is not asked of it, but for one test, which takes both."""
    return sqlite_store


# ------------------------------------------------------------------ errors without internals

INNER = "a word that stands inside only"


def _breaks(**_how: object) -> None:
    raise RuntimeError(INNER)


@pytest.mark.parametrize("path", ["/", "/api/stock"])
def test_an_error_says_nothing_of_the_inside(
    app: Flask,
    client: FlaskClient,
    monkeypatch: pytest.MonkeyPatch,
    caplog: pytest.LogCaptureFixture,
    path: str,
) -> None:
    """Source: OWASP ASVS 5.0.0, V16.5.1: a general message, and the log has the rest."""
    app.testing = False
    monkeypatch.setattr(today, "needed", _breaks)
    monkeypatch.setattr("spoolkeep.services.figures.runout", _breaks)
    with caplog.at_level(logging.ERROR):
        answer = client.get(path)
    assert answer.status_code == 500
    for hidden in (INNER, "RuntimeError", "Traceback", "spoolkeep/", "site-packages", "SELECT", "line "):
        assert hidden not in answer.text, hidden
    assert "Something went wrong on our side" in answer.text
    assert INNER in caplog.text


@pytest.mark.parametrize("database", ["sqlite_store", "postgres_store"])
@pytest.mark.parametrize(
    "statement",
    [
        "INSERT INTO nowhere (secret_hash) VALUES (:given)",
        "INSERT INTO person (actor_id, role, password_hash) VALUES (1, 'king', :given)",
    ],
)
def test_no_error_of_the_database_says_what_was_written(
    request: pytest.FixtureRequest,
    now: datetime,
    monkeypatch: pytest.MonkeyPatch,
    caplog: pytest.LogCaptureFixture,
    database: str,
    statement: str,
) -> None:
    """Source: OWASP ASVS 5.0.0, V16.2.5: no secret in a log."""
    store: Store = request.getfixturevalue(database)
    app = create_app(store, secret=b"a secret for tests", clock=lambda: now)
    client = app.test_client()
    secret = _let_in_owner(store, now)
    client.set_cookie(lock.PERSON_COOKIE, secret)
    raised: list[StatementError] = []

    def writes(*, session: Session, **_how: object) -> None:
        try:
            session.execute(text(statement), {"given": INNER})
        except StatementError as error:
            raised.append(error)
            raise

    monkeypatch.setattr(today, "needed", writes)
    # a check that is broken: of that PostgreSQL's own words repeat the row
    monkeypatch.setattr(doors, "reading", doors.writing)
    with caplog.at_level(logging.DEBUG):
        answer = client.get("/")
    assert answer.status_code == 500
    assert len(raised) == 1
    assert "SQL parameters hidden" in str(raised[0])
    for hidden in (INNER, secret, tokens.digest(secret)):
        assert hidden not in caplog.text
    assert statement.split(" VALUES", maxsplit=1)[0] in caplog.text
    assert "INSERT" not in answer.text


def _let_in_owner(store: Store, now: datetime) -> str:
    owner = somebody(store, now, "Ada")
    with store.write() as session:
        return tokens.for_browser(session, now, actor_id=owner, label="computer")


def test_no_page_that_is_not_there_says_what_was_asked(client: FlaskClient, stranger: FlaskClient) -> None:
    for asking in (client, stranger):
        answer = asking.get("/nothing/<script>alert(1)</script>")
        assert answer.status_code == 404
        assert "alert(1)" not in answer.text


def test_a_page_that_is_not_there_still_has_its_tabs_for_whoever_is_signed_in(
    client: FlaskClient, stranger: FlaskClient
) -> None:
    """Its words say to choose a page above."""
    for path in ("/nothing", "/stock/999", "/deliveries/2147483648"):
        assert 'aria-label="Pages"' in client.get(path).text, path
    assert 'aria-label="Pages"' not in stranger.get("/nothing").text


NOWHERE = (
    "/.git/config /.env /instance/secret /instance/spoolkeep.sqlite /static/ /static /static/css /static/../app.py "
    "/static/..%2fapp.py /static/%2e%2e/lock.py /static/css/../../rules.py /templates/base.html "
    "/robots.txt /console /_debug_toolbar/ /metrics /admin /api /api/ /spoolkeep/cli.py"
)


@pytest.mark.parametrize("path", NOWHERE.split())
def test_nothing_but_pages_and_static_files_is_served(client: FlaskClient, path: str) -> None:
    """Source: OWASP ASVS 5.0.0, V13.4: no source, no settings, no lists of folders, no debugger."""
    with client.get(path) as answer:
        assert answer.status_code == 404
    with client.get(f"{path}?__debugger__=yes&cmd=resource&f=style.css") as answer:
        assert answer.status_code == 404


def test_no_template_marks_anything_as_safe() -> None:
    """Source: OWASP ASVS 5.0.0, V1.2.1: what was typed is escaped where it is written."""
    found = [*template_folder().glob("*.html"), *Path(lock.__file__).parent.glob("*.py")]
    assert len(found) > 30
    for path in found:
        told = path.read_text(encoding="utf-8")
        assert not re.search(r"\|\s*safe\b|autoescape|\bMarkup\(|render_template_string", told), path.name


def test_what_a_person_typed_is_written_as_text_everywhere(client: FlaskClient, key: Key) -> None:
    name = "<img src=x onerror=alert(1)>\"'"
    assert client.post("/setup", data={"key": key(), "do": "supplier", "name": name}).status_code == 302
    assert client.post("/people", data={"do": "person", "name": name}).status_code == 200
    assert client.post("/people", data={"do": "token", "label": name, "scope": "see"}).status_code == 200
    for path in ("/setup", "/people", f"/search?q={name}"):
        told = client.get(path).text
        assert "<img src=x" not in told, path
        assert "&lt;img src=x" in told, path


# ------------------------------------------------------------------ what a page offers


class _Forms(HTMLParser):
    """The forms of a page that are sent, and whether each is shown."""

    def __init__(self) -> None:
        super().__init__()
        self.found: list[tuple[str, bool]] = []

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        given = dict(attrs)
        if tag == "form" and (given.get("method") or "").lower() == "post":
            self.found.append((given.get("action") or "", not {"hidden", "inert"} & set(given)))


@pytest.fixture
def lively(client: FlaskClient, shop: TestWorkshop, key: Key) -> TestWorkshop:
    """Give a workshop whose pages have all their forms: spools, a load, jobs, an open draw, a stop, an order."""
    first, _ = shop.deliver(2)
    for code in (first, shop.feeds[0]):
        client.post("/bench", data={"key": key(), "code": code})
    job = {"machine": "1", "title": "Hook", "feed-1": "5", "feed-2": "5"}
    offer = {"do": "offer", "supplier": "1", "article": "1", "spool_grams": "1000", "price": "19"}
    for path, form in (
        ("/jobs", {"do": "plan", **job}),
        ("/jobs", {"do": "report", **job}),
        ("/jobs", {"do": "report", **job, "feed-2": "7"}),
        ("/jobs/stops", {"machine": "1", "from_at": "2026-03-04 10:00"}),
        ("/setup", {"do": "supplier", "name": "North Quay"}),
        ("/setup", offer),
        ("/setup", {"do": "place", "kind": "drawer", "name": "Low drawer"}),
        ("/orders", {"offer-1": "2"}),
    ):
        assert client.post(path, data={"key": key(), **form}).status_code == 302, form
    return shop


@pytest.mark.parametrize("part", ["reader", "operator", "station", "owner"])
def test_no_page_shows_a_form_that_whoever_looks_may_not_send(
    app: Flask, browser: Browser, lively: TestWorkshop, part: str
) -> None:
    looking = browser(part)
    shown: set[str] = set()
    hidden: set[str] = set()
    routes = app.url_map.bind("")
    for endpoint, path in opened(app, lively):
        if part not in WHO[endpoint].split():
            continue
        answer = looking.get(path)
        assert answer.status_code == 200, path
        forms = _Forms()
        forms.feed(answer.text)
        for action, is_shown in forms.found:
            sends, _ = routes.match(action.partition("#")[0], method="POST")
            assert (part in WHO[sends].split()) or not is_shown, (path, action)
            (shown if is_shown else hidden).add(sends)
    if part == "reader":
        assert shown <= {"me.change", "door.sign_out"}
        assert len(hidden) > 10
    if part == "owner":
        assert hidden == set()
        assert len(shown) > 15


def opened(app: Flask, shop: TestWorkshop) -> Iterator[tuple[str, str]]:
    """Give every page that is shown, with numbers that are there."""
    given = {"code": shop.deliver()[0], "month": f"{shop.now:%Y-%m}", "kind": "place"}
    parts = {"bench.after_undo", "imports.progress"}
    sheet = {"sheet": "takings", "source": "till.csv", "data": b"day,amount\n"}
    shop.do(lambda s: drafts.send(session=s, now=shop.now, actor_id=FIRST_ACTOR, **sheet))  # type: ignore[arg-type]
    for route in app.url_map.iter_rules():
        own = "GET" in (route.methods or ()) and not route.endpoint.startswith(("api.", "static", "door.", "health."))
        if own and not route.rule.endswith((".pdf", ".csv", ".xlsx")) and route.endpoint not in parts:
            built = route.build({name: given.get(name, 1) for name in route.arguments})
            assert built is not None
            yield route.endpoint, built[1]


@pytest.mark.parametrize("part", ["reader", "operator", "station"])
def test_no_page_leads_to_one_that_whoever_looks_may_not_open(
    app: Flask, browser: Browser, lively: TestWorkshop, part: str
) -> None:
    looking, routes = browser(part), app.url_map.bind("")
    for endpoint, path in opened(app, lively):
        if part in WHO[endpoint].split():
            for href in set(re.findall(r'<a [^>]*href="(/[^"#?]*)', looking.get(path).text)):
                leads, _ = routes.match(href, method="GET")
                assert part in WHO[leads].split(), (path, href)


def test_a_reader_who_sends_a_form_anyway_is_told_and_it_is_noted(browser: Browser, shop: TestWorkshop) -> None:
    reader, owner = browser("reader"), browser("owner")
    answer = reader.post("/deliveries", data=DELIVERY)
    assert answer.status_code == 403
    assert "That is not your part here, and nothing was booked" in answer.text
    assert count(shop, Spool) == 0
    assert "Asked for what is not theirs" in owner.get("/people").text
