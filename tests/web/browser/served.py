"""A workshop served on a made-up name of a plain-http network, with a note of every request that reaches it.

The browser tests' fixtures use it. `localhost` counts as secure in a browser and would hide what a network shows.
"""

import time
from collections.abc import Callable, Iterable, Iterator, Mapping
from contextlib import contextmanager
from dataclasses import dataclass, field
from datetime import timedelta
from typing import TYPE_CHECKING, Any

import pytest
import waitress.server

from spoolkeep.domain.words import Role
from spoolkeep.services import people, stations, tokens
from spoolkeep.web.app import create_app
from spoolkeep.web.lock import PERSON_COOKIE, STATION_COOKIE, Reach
from spoolkeep.web.processes import THREADS
from tests.web.running import running
from tests.workshop import TestWorkshop, somebody

if TYPE_CHECKING:
    from _typeshed.wsgi import StartResponse, WSGIApplication, WSGIEnvironment
    from playwright.sync_api import BrowserContext, Page

HOST = "larch.workshop.test"
"""No network has it. Source: RFC 6761, section 6.2: names under test are never looked up outside."""
TO_LOOPBACK = "--host-resolver-rules=MAP *.test 127.0.0.1"
OWNER = "Ada Holm"


@dataclass(frozen=True)
class Reached:
    """One request as it reached the workshop, and how it was answered."""

    method: str
    path: str
    query: str
    host: str
    origin: str | None
    cookie: str
    status: int


@dataclass(frozen=True)
class Served:
    """A workshop that is being served."""

    port: int
    reached: list[Reached] = field(default_factory=list)

    @property
    def address(self) -> str:
        """Give the address by which the workshop's own people ask for it."""
        return self.at(HOST)

    def at(self, host: str) -> str:
        """Give the address of this very server under another name."""
        return f"http://{host}:{self.port}"

    def posts(self) -> list[Reached]:
        """Give what reached it and would change something."""
        return [one for one in self.reached if one.method not in {"GET", "HEAD", "OPTIONS"}]


@contextmanager
def serving(
    shop: TestWorkshop, reach: Reach | None = None, *, elsewhere_before: Mapping[str, str] | None = None
) -> Iterator[Served]:
    """Serve a workshop; its clock starts at the workshop's moment and runs, and `shop.now` moves it.

    `elsewhere_before` are pages by path that a name showed before it was made to lead here.
    """
    started = time.monotonic()
    app = create_app(
        shop.store,
        secret=b"only for tests",
        clock=lambda: shop.now + timedelta(seconds=time.monotonic() - started),
        reach=reach or Reach(hosts=frozenset({HOST})),
    )
    reached: list[Reached] = []
    with listening(_led_here(_noting(app.wsgi_app, reached), elsewhere_before or {})) as port:
        yield Served(port, reached)


@contextmanager
def listening(app: "WSGIApplication") -> Iterator[int]:
    """Give the port of the loopback on which an app answers."""
    server = waitress.server.create_server(app, host="127.0.0.1", port=0, threads=THREADS)
    with running(server) as port:
        yield port


def _led_here(app: "WSGIApplication", before: Mapping[str, str]) -> "WSGIApplication":
    def led(environ: "WSGIEnvironment", start_response: "StartResponse") -> Iterable[bytes]:
        page = before.get(environ["PATH_INFO"])
        if page is None:
            return app(environ, start_response)
        start_response("200 OK", [("Content-Type", "text/html; charset=utf-8")])
        return [page.encode()]

    return led


def _noting(app: "WSGIApplication", reached: list[Reached]) -> "WSGIApplication":
    def noted(environ: "WSGIEnvironment", start_response: "StartResponse") -> Iterable[bytes]:
        def start(status: str, headers: list[tuple[str, str]], *rest: Any) -> Callable[[bytes], object]:  # noqa: ANN401 - as WSGI has it
            reached.append(
                Reached(
                    method=environ["REQUEST_METHOD"],
                    path=environ["PATH_INFO"],
                    query=environ["QUERY_STRING"],
                    host=environ.get("HTTP_HOST", ""),
                    origin=environ.get("HTTP_ORIGIN"),
                    cookie=environ.get("HTTP_COOKIE", ""),
                    status=int(status.split(maxsplit=1)[0]),
                )
            )
            return start_response(status, headers, *rest)

        return app(environ, start)

    return noted


def asked_for(page: "Page", served: Served, path: str, query: str = "") -> Reached:
    """Give what reached the workshop from any tab: a PDF that opens in one is not told of to a test."""
    for _ in range(300):
        found = [one for one in served.reached if one.path.endswith(path) and query in one.query]
        if found:
            return found[-1]
        page.wait_for_timeout(100)
    pytest.fail(f"Nobody asked for {path}?{query}; asked was for {[one.path for one in served.reached][-8:]}.")


def sign_in(context: "BrowserContext", shop: TestWorkshop, address: str, role: Role = Role.OWNER) -> str:
    """Let a browser be signed in as a person of a part, made on first use; give the sign-in's secret."""
    name = OWNER if role is Role.OWNER else f"A {role}"
    with shop.store.read() as session:
        known = people.named(session, name)
    actor_id = known[1].id if known else somebody(shop.store, shop.now, name, role)
    secret = shop.do(lambda s: tokens.for_browser(s, shop.now, actor_id=actor_id, label="computer"))
    context.add_cookies([{"name": PERSON_COOKIE, "value": secret, "url": address, "httpOnly": True, "sameSite": "Lax"}])
    return secret


def sign_in_station(context: "BrowserContext", shop: TestWorkshop, address: str, label: str = "Phone") -> int:
    """Let a browser be a station's; give the number of its token."""
    new = shop.do(lambda s: stations.sign_in(session=s, now=shop.now, label=label))
    context.add_cookies(
        [{"name": STATION_COOKIE, "value": new.secret, "url": address, "httpOnly": True, "sameSite": "Lax"}]
    )
    return new.token_id
