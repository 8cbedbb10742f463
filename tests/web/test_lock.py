"""The lock on every request: by which name and from where, how much is taken, and what every answer says."""

import re
from collections.abc import Callable, Iterator
from contextlib import closing, contextmanager
from datetime import datetime
from http.client import HTTPConnection, HTTPMessage
from pathlib import Path
from typing import Any

import pytest
from flask import Flask
from flask.testing import FlaskClient

from spoolkeep.domain.words import Scope
from spoolkeep.services import today, visits
from spoolkeep.services.instance import Instance
from spoolkeep.store.engine import Store, open_store
from spoolkeep.store.tables import Act, Spool
from spoolkeep.web import lock, serving
from spoolkeep.web.app import create_app
from spoolkeep.web.lock import Reach
from spoolkeep.web.processes import Settings, server_on
from spoolkeep.web.rules import RULES
from tests.web.conftest import HOST, Browser
from tests.web.door import DELIVERY, count
from tests.web.running import running
from tests.workshop import TestWorkshop

Key = Callable[[], str]


@pytest.fixture
def store(sqlite_store: Store) -> Store:
    """Give a store on one database: what is asked here is not asked of it, but for one test, which takes both."""
    return sqlite_store


def _code(answer: Any) -> str:  # noqa: ANN401 - the client's own answer
    return str(answer.json["code"]) if answer.is_json else ""


# ------------------------------------------------------------------ by which name it is asked


@pytest.mark.parametrize("host", ["localhost", "localhost:8460", "127.0.0.1", "127.0.0.1:80", "[::1]", "[::1]:8460"])
def test_this_machine_is_asked_by_its_own_names(stranger: FlaskClient, host: str) -> None:
    assert stranger.get("/sign-in", headers={"Host": host}).status_code == 200


@pytest.mark.parametrize(
    "host",
    [
        "spools.example",
        "localhost.example",
        "localhost.",
        "localhost@spools.example",
        "spools.example:80@localhost",
        "192.168.1.20",
        "127.0.0.2",
        "0.0.0.0",  # noqa: S104 - it is refused
        "[fd00::7]",
        "[bad",
        "bad]",
        "[::1",
        "::1",
        "lo calhost",
        "localhost/path",
        "localhost?x",
        "localhost#x",
        "localhost\\x",
        "",
        ":8460",
        "\u00e9",
        "x" * 5000,
    ],
)
def test_a_foreign_or_malformed_host_is_refused_whoever_asks(client: FlaskClient, host: str) -> None:
    """A page of a rebound name has its owner's cookies not, yet a station's network would answer it."""
    for path in ("/api/stock", "/", "/static/css/paper.css", "/sign-in", "/nothing"):
        with client.get(path, headers={"Host": host}) as answer:
            assert answer.status_code in {400, 403}, path
            assert b"PLA" not in answer.data
            assert answer.headers["X-Content-Type-Options"] == "nosniff"


def test_a_refused_host_is_told_in_a_sentence(client: FlaskClient) -> None:
    answer = client.get("/", headers={"Host": "spools.example"})
    assert answer.status_code == 403
    assert "This Spoolkeep does not answer as “spools.example”" in answer.text
    assert _code(client.get("/api/stock", headers={"Host": "spools.example"})) == "foreign_host"


def test_a_form_that_comes_by_a_rebound_name_books_nothing(client: FlaskClient, shop: TestWorkshop) -> None:
    """A name of another site that was pointed at this machine: page and form agree, the name is not ours."""
    there = {"Host": "rebound.example:8460", "Origin": "http://rebound.example:8460"}
    before = count(shop, Act)
    assert client.post("/deliveries", data=DELIVERY, headers=there).status_code == 403
    assert count(shop, Act) == before


@pytest.fixture
def served(shop: TestWorkshop) -> Callable[[Reach], FlaskClient]:
    """Give a maker of browsers of an app that is served elsewhere too."""

    def made(reach: Reach) -> FlaskClient:
        app = create_app(shop.store, secret=b"a secret for tests", clock=lambda: shop.now, reach=reach)
        app.testing = True
        client = app.test_client()
        client.environ_base["HTTP_ORIGIN"] = HOST
        return client

    return made


def test_on_the_network_it_is_asked_by_any_address_and_by_its_names(served: Callable[[Reach], FlaskClient]) -> None:
    client = served(Reach(hosts=lock.LOOPBACK | {"alder.local"}, any_address=True))
    for host in ("192.168.1.20:8460", "10.0.0.5", "[fd00::7]:8460", "alder.local", "localhost", "ALDER.local"):
        assert client.get("/sign-in", headers={"Host": host}).status_code == 200, host
    for host in ("spools.example", "192.168.1.20.example", "1.2.3", "0x7f000001", "[fd00::7%25x.example]", "local"):
        assert client.get("/sign-in", headers={"Host": host}).status_code in {400, 403}, host


def test_what_a_proxy_would_say_changes_nothing(client: FlaskClient, browser: Browser, shop: TestWorkshop) -> None:
    """The server alone reads such headers, from one trusted proxy; the app believes none."""
    said = {
        "X-Forwarded-Host": "localhost",
        "X-Forwarded-Proto": "https",
        "X-Forwarded-For": "127.0.0.1",
        "X-Forwarded-Port": "443",
        "X-Forwarded-Prefix": "/elsewhere",
        "X-Real-IP": "127.0.0.1",
        "Forwarded": "for=127.0.0.1;host=localhost;proto=https",
        "X-Original-URL": "/people",
        "X-Rewrite-URL": "/people",
        "X-HTTP-Method-Override": "POST",
    }
    assert client.get("/", headers=said | {"Host": "spools.example"}).status_code == 403
    answer = client.get("/", headers=said)
    assert "Strict-Transport-Security" not in answer.headers
    assert "/elsewhere" not in answer.text
    assert client.post("/deliveries", data=DELIVERY, headers=said | {"Origin": "https://localhost"}).status_code == 403
    assert browser("reader").get("/stock", headers=said).status_code == 200
    assert count(shop, Spool) == 0


# ------------------------------------------------------------------ from where a form comes

FOREIGN = [
    "null",
    "",
    "http://spools.example",
    "http://localhost:8461",
    "https://localhost",
    "http://localhost.example",
    "http://localhost@spools.example",
    "http://127.0.0.1",
    "http://localhost/",
    "http://localhost, http://spools.example",
    "localhost",
    "//localhost",
    "file://",
    "chrome-extension://localhost",
    "[bad",
    "http://[bad",
]


@pytest.mark.parametrize("origin", FOREIGN)
def test_a_form_from_another_site_port_or_nobody_in_particular_books_nothing(
    client: FlaskClient, shop: TestWorkshop, origin: str
) -> None:
    """Source: OWASP, Cross-Site Request Forgery Prevention Cheat Sheet; RFC 6454, section 7.3, on `null`."""
    answer = client.post("/deliveries", data=DELIVERY, headers={"Origin": origin})
    assert answer.status_code == 403
    assert "That came from another site, and nothing was booked" in answer.text
    assert count(shop, Spool) == 0


@pytest.mark.parametrize("referrer", [*FOREIGN, "http://spools.example/http://localhost/", "http://"])
def test_without_an_origin_the_referrer_says_from_where(client: FlaskClient, shop: TestWorkshop, referrer: str) -> None:
    del client.environ_base["HTTP_ORIGIN"]
    if referrer != "http://localhost/":
        assert client.post("/deliveries", data=DELIVERY, headers={"Referer": referrer}).status_code == 403
        assert count(shop, Spool) == 0
    for ours in ("http://localhost/deliveries?order=1", "http://localhost/"):
        assert client.post("/deliveries", data=DELIVERY, headers={"Referer": ours}).status_code == 302
    assert count(shop, Spool) == int(DELIVERY["spools"])


def test_a_form_that_says_nothing_of_where_it_comes_from_is_refused(client: FlaskClient, shop: TestWorkshop) -> None:
    del client.environ_base["HTTP_ORIGIN"]
    assert client.post("/deliveries", data=DELIVERY).status_code == 403
    assert count(shop, Spool) == 0


def test_a_foreign_origin_is_not_mended_by_our_referrer(client: FlaskClient, shop: TestWorkshop) -> None:
    headers = {"Origin": "null", "Referer": f"{HOST}/deliveries"}
    assert client.post("/deliveries", data=DELIVERY, headers=headers).status_code == 403
    assert count(shop, Spool) == 0


def test_the_port_and_the_scheme_belong_to_the_origin(client: FlaskClient) -> None:
    for base in ("http://localhost:8460", "http://127.0.0.1:8460"):
        for other in ("http://localhost", "http://localhost:8461", "https://localhost:8460"):
            assert client.post("/bench", base_url=base, headers={"Origin": other}).status_code == 403
    own = {"Origin": "http://localhost:8460"}
    assert client.post("/bench", base_url="http://localhost:8460", headers=own).status_code == 422


@pytest.mark.parametrize("path", ["/sign-in", "/sign-out", "/join", "/me", "/people", "/bench/who", "/api/scans"])
def test_no_door_is_pushed_from_another_site(client: FlaskClient, browser: Browser, path: str) -> None:
    """Not the sign-in either: a person would book under somebody else's name."""
    for one in (client, browser("station")):
        assert one.post(path, headers={"Origin": "http://spools.example"}).status_code == 403
    assert client.get("/me").status_code == 200, "still signed in"


def test_a_link_from_elsewhere_may_be_followed(client: FlaskClient) -> None:
    for headers in ({"Origin": "http://spools.example"}, {"Referer": "http://spools.example/"}):
        assert client.get("/stock", headers=headers).status_code == 200


@pytest.mark.parametrize("method", ["PUT", "PATCH", "DELETE", "BREW"])
def test_a_kind_of_request_that_is_not_known_is_refused(client: FlaskClient, method: str) -> None:
    assert client.open("/deliveries", method=method).status_code == 405
    assert client.open("/deliveries", method=method, headers={"Origin": "null"}).status_code == 403


# ------------------------------------------------------------------ programs


def test_a_program_needs_no_origin_because_no_page_can_send_its_token(
    app: Flask, shop: TestWorkshop, token: Callable[..., dict[str, str]]
) -> None:
    program = app.test_client()
    code = shop.deliver()[0]
    for origin in ({}, {"Origin": "null"}, {"Origin": "http://spools.example"}):
        answer = program.post("/api/scans", json={"key": "a", "code": code}, headers=token(Scope.SCAN) | origin)
        assert answer.status_code == 200


def test_a_token_does_not_open_the_pages_of_whoever_is_signed_in_there(
    client: FlaskClient, token: Callable[..., dict[str, str]]
) -> None:
    """With a token only the token counts: else any word after `Bearer` would let another site's form pass."""
    foreign = {"Origin": "http://spools.example"}
    assert client.post("/deliveries", data=DELIVERY, headers=token(Scope.SCAN) | foreign).status_code == 403
    for made_up in ("Bearer", "Bearer ", "Bearer x", "bearer x", "BEARER  x y"):
        answer = client.post("/deliveries", data=DELIVERY, headers={"Authorization": made_up} | foreign)
        assert answer.status_code in {401, 403}, made_up
        assert client.get("/me", headers={"Authorization": made_up}).status_code == 401, made_up


@pytest.mark.parametrize("header", ["Basic b3duZXI6eA==", "Token x", "Bearer", "x", ""])
def test_without_a_token_a_program_is_told_which_header_to_send(app: Flask, header: str) -> None:
    """Source: RFC 6750, section 3: the answer names the scheme."""
    answer = app.test_client().get("/api/stock", headers={"Authorization": header})
    assert answer.status_code == 401
    assert answer.headers["WWW-Authenticate"] == "Bearer"
    assert answer.json is not None
    assert set(answer.json) == {"code", "words"}
    assert answer.json["code"] == "no_token"
    assert "Authorization: Bearer" in answer.json["words"]


def test_a_token_without_the_scope_is_told_so(app: Flask, token: Callable[..., dict[str, str]]) -> None:
    answer = app.test_client().get("/api/stock", headers=token(Scope.SCAN, Scope.REPORT))
    assert answer.status_code == 403
    assert answer.json == {
        "code": "no_scope",
        "words": "This token is not for that. Make one that is, under Setup, People and devices.",
    }


def test_a_token_sent_as_a_cookie_or_in_the_address_is_none(app: Flask, token: Callable[..., dict[str, str]]) -> None:
    secret = token(Scope.SEE)["Authorization"].removeprefix("Bearer ")
    program = app.test_client()
    for name in (lock.PERSON_COOKIE, lock.STATION_COOKIE):
        program.set_cookie(name, secret)
    for query in ("", f"?access_token={secret}", f"?token={secret}"):
        assert program.get(f"/api/stock{query}").status_code == 401


# ------------------------------------------------------------------ how much is taken


def _sent(app: Flask) -> Iterator[tuple[str, str]]:
    for route in app.url_map.iter_rules():
        if "POST" in (route.methods or ()):
            built = route.build({name: "S00000175" if name == "code" else 1 for name in route.arguments})
            assert built is not None
            yield route.endpoint, built[1]


LARGEST_SENT = 1 << 20
"""A body that may be larger than this is not made for a test: its length is enough."""


def test_more_than_a_page_takes_is_refused(app: Flask, client: FlaskClient, browser: Browser) -> None:
    """Source: OWASP ASVS 5.0.0, V5.2.1, told of bodies: only as much as can be handled."""
    station = browser("station")
    for endpoint, path in _sent(app):
        if endpoint == "door.sign_out":  # which reads nothing that is sent
            continue
        asking = station if endpoint == "bench.who" else client
        largest = RULES[endpoint].largest
        kind = "application/json" if endpoint.startswith("api.") else "application/x-www-form-urlencoded"
        if largest > LARGEST_SENT:  # told by its length, and not sent
            kind = "application/octet-stream" if endpoint.startswith("api.") else kind
            told = {"CONTENT_LENGTH": str(largest + 1)}
            answer = asking.post(f"{path}?key=a&name=b", data=b"key=x", content_type=kind, environ_overrides=told)
        else:
            answer = asking.post(path, data=b"key=" + b"x" * largest, content_type=kind)
        assert answer.status_code == 413, endpoint
        assert "nothing was booked" in (answer.json["words"] if answer.is_json else answer.text), endpoint  # type: ignore[index] # it is JSON
        if largest > LARGEST_SENT:
            continue
        within = asking.post(path, data=b"key=" + b"x" * (largest - 30_000), content_type=kind)
        assert within.status_code != 413, endpoint


def test_a_form_too_large_to_be_kept_is_let_go_before_a_sign_in(app: Flask, stranger: FlaskClient) -> None:
    for endpoint, path in _sent(app):
        if not endpoint.startswith(("api.", "door.")) and RULES[endpoint].largest <= LARGEST_SENT:
            answer = stranger.post(path, data={"key": "x" * (RULES[endpoint].largest + 1)})
            assert answer.status_code in {401, 413}, endpoint
            assert "x" * 1000 not in answer.text


def test_a_form_of_as_many_lines_as_a_large_order_is_taken(client: FlaskClient, key: Key) -> None:
    lines = {f"offer-{n}": "0" for n in range(1, 10_001)}
    assert client.post("/orders", data={"key": key(), **lines}).status_code != 413


# ------------------------------------------------------------------ what every answer says


def _every_answer(app: Flask, client: FlaskClient, stranger: FlaskClient, **how: Any) -> Iterator[Any]:  # noqa: ANN401 - keywords of the client
    for route in app.url_map.iter_rules():
        given = {"code": "S00000175", "filename": "css/paper.css"}
        built = route.build({name: given.get(name, 1) for name in route.arguments})
        assert built is not None
        for method in sorted(route.methods or ()):
            if route.endpoint != "door.sign_out":
                for asking in (client, stranger):
                    yield asking.open(built[1], method=method, **how)
    for path in ("/nothing", "/static/nothing.css", "/stock/x", "/api/nothing", "/static/../lock.py"):
        yield client.get(path, **how)
    yield client.get("/", headers={"Host": "spools.example"}, **how)
    yield client.post("/bench", headers={"Origin": "null"}, **how)


def test_every_answer_carries_the_headers(app: Flask, client: FlaskClient, stranger: FlaskClient) -> None:
    """Source: OWASP ASVS 5.0.0, V3.4: content policy, nosniff, referrer, frame-ancestors; no CORS header at all.

    Labels may stand in a frame of our own page.
    """
    app.testing = False
    seen = set()
    for answer in _every_answer(app, client, stranger):
        with answer:
            where = (answer.request.method, answer.request.path, answer.status_code)
            seen.add(answer.status_code)
            policy, ours = answer.headers["Content-Security-Policy"], answer.mimetype == "application/pdf"
            framed = "'self'" if ours else "'none'"
            for part in ("default-src 'none'", f"frame-ancestors {framed}", "base-uri 'none'", "form-action 'self'"):
                assert part in policy, where
            assert "object-src 'none'" in policy
            assert "unsafe" not in policy
            assert answer.headers["X-Content-Type-Options"] == "nosniff", where
            assert answer.headers["Referrer-Policy"] == "same-origin", where
            assert answer.headers["X-Frame-Options"] == ("SAMEORIGIN" if ours else "DENY"), where
            assert answer.headers["Cross-Origin-Resource-Policy"] == "same-origin", where
            assert "Strict-Transport-Security" not in answer.headers, where
            assert not [name for name, _ in answer.headers if name.startswith("Access-Control-")], where
            assert "Werkzeug" not in answer.headers.get("Server", ""), where
            if not answer.request.path.startswith("/static/"):
                assert answer.headers["Cache-Control"] == "no-store", where
    assert seen >= {200, 302, 401, 403, 404, 422}


def test_the_headers_stand_on_an_answer_to_what_broke(
    app: Flask, client: FlaskClient, monkeypatch: pytest.MonkeyPatch
) -> None:
    app.testing = False
    monkeypatch.setattr(today, "needed", _breaks)
    answer = client.get("/")
    assert answer.status_code == 500
    assert "default-src 'none'" in answer.headers["Content-Security-Policy"]
    assert answer.headers["Cache-Control"] == "no-store"


def _breaks(**_how: object) -> None:
    raise RuntimeError


def test_where_the_way_is_encrypted_it_stays_so(app: Flask, client: FlaskClient, stranger: FlaskClient) -> None:
    """Source: RFC 6797, section 7.2; OWASP ASVS 5.0.0, V3.4.1: at least a year."""
    app.testing = False
    for answer in _every_answer(app, client, stranger, base_url="https://localhost"):
        with answer:
            assert answer.headers["Strict-Transport-Security"] == "max-age=31536000"
            assert answer.headers["Cross-Origin-Opener-Policy"] == "same-origin"


def test_no_address_is_led_to_outside_of_here(app: Flask, client: FlaskClient, stranger: FlaskClient) -> None:
    app.testing = False
    for answer in _every_answer(app, client, stranger):
        with answer:
            where = answer.headers.get("Location", "/")
            assert re.match(r"/(?![/\\])", where), where
            assert "secret" not in where


def test_no_page_names_an_address_of_another_site(client: FlaskClient) -> None:
    for path in ("/", "/bench", "/stock", "/jobs", "/deliveries", "/orders", "/money", "/setup", "/people", "/me"):
        found = re.findall(r"""(?:src|href|action)=["'](?:https?:)?//[^"']+""", client.get(path).text)
        assert found == [], path


# ------------------------------------------------------------------ through the server itself


@contextmanager
def _served(folder: Path, now: datetime, proxy: str | None) -> Iterator[Callable[..., HTTPMessage]]:
    """Serve a workshop on a free port of the loopback, and give a sender that gives an answer's headers."""
    instance = Instance(folder)
    with closing(instance.open_or_make(now=now)) as store:
        listening = serving.listening_on("127.0.0.1", 0)
        server = server_on(listening, Settings(instance, Reach(), proxy=proxy), store)
        with running(server) as port:

            def send(path: str, **headers: str) -> HTTPMessage:
                with closing(HTTPConnection("127.0.0.1", port, timeout=10)) as connection:
                    named = {name.replace("_", "-"): value for name, value in headers.items()}
                    connection.request("POST", path, body="name=a&password=b", headers=KIND | named)
                    answer = connection.getresponse()
                    answer.msg["Status"] = str(answer.status)
                    return answer.msg

            yield send


KIND = {"Content-Type": "application/x-www-form-urlencoded"}
SAYS = {"X_Forwarded_For": "203.0.113.9", "X_Forwarded_Proto": "https", "X_Forwarded_Host": "spools.example"}


def _addresses(folder: Path) -> set[str]:
    with closing(open_store(f"sqlite:///{folder / 'spoolkeep.sqlite'}")) as store, store.read() as session:
        return {one.address for one in visits.recent(session=session)}


def test_what_a_visitor_says_of_a_proxy_is_not_believed(tmp_path: Path, now: datetime) -> None:
    """Source: OWASP ASVS 5.0.0, V4.1.3: a visitor cannot set what a proxy in between sets."""
    with _served(tmp_path, now, None) as send:
        answer = send("/sign-in", Host="localhost", Origin="http://localhost", **SAYS)
        assert answer["Status"] == "401"
        assert "Strict-Transport-Security" not in answer
        assert send("/sign-in", Host="localhost", Origin="https://localhost", **SAYS)["Status"] == "403"
        assert send("/sign-in", Host="spools.example", Origin="http://spools.example", **SAYS)["Status"] == "403"
    assert _addresses(tmp_path) == {"127.0.0.1"}


def test_what_a_named_proxy_says_is_believed_of_the_address_and_the_way_only(tmp_path: Path, now: datetime) -> None:
    with _served(tmp_path, now, "127.0.0.1") as send:
        answer = send("/sign-in", Host="localhost", Origin="https://localhost", **SAYS)
        assert answer["Status"] == "401"
        assert "Strict-Transport-Security" in answer
        assert send("/sign-in", Host="spools.example", Origin="https://spools.example", **SAYS)["Status"] == "403"
    assert _addresses(tmp_path) == {"203.0.113.9"}


def test_another_machine_than_the_named_proxy_is_not_believed(tmp_path: Path, now: datetime) -> None:
    with _served(tmp_path, now, "192.0.2.1") as send:
        answer = send("/sign-in", Host="localhost", Origin="http://localhost", **SAYS)
        assert answer["Status"] == "401"
        assert "Strict-Transport-Security" not in answer
    assert _addresses(tmp_path) == {"127.0.0.1"}
