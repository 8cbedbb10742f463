"""What another site makes an owner's browser send: refused, nothing written, no answer read; in a real browser.

The owner is signed in on a made-up name of a plain-http network. Each test ends with the same thing done from our own
page, which works, so that a test in which nothing could have worked fails.
"""

from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass
from html import escape
from typing import TYPE_CHECKING, Any
from urllib.parse import quote

import pytest
from playwright.sync_api import BrowserContext, Page, expect
from sqlalchemy import func, select

from spoolkeep.store.tables import Act, OneTimeLink, Person, TakingsLine, Token, Visit
from spoolkeep.web.lock import Reach
from tests.web.browser.served import HOST, Reached, Served, listening, serving, sign_in
from tests.workshop import TestWorkshop, somebody

if TYPE_CHECKING:
    from _typeshed.wsgi import StartResponse, WSGIEnvironment

pytestmark = pytest.mark.browser

ELSEWHERE, SIBLING = "printer-offers.elsewhere.test", "guests.workshop.test"
"""Another site, and another host of the same site: to the latter's requests the browser adds SameSite cookies."""
FORMS: dict[str, dict[str, str]] = {
    "/deliveries": {"key": "crossing-1", "article": "1", "spools": "2", "spool_grams": "1000", "price": "1.00"},
    "/money": {"key": "crossing-2", "day": "2026-03-03", "channel": "Counter", "amount": "5000.00", "kind": "sale"},
    "/people": {"key": "crossing-3", "do": "person", "name": "Nobody Known", "role": "owner"},
}
SEND_FORM = """([address, fields]) => {
  const form = Object.assign(document.createElement("form"), { method: "post", action: address });
  for (const [name, value] of Object.entries(fields)) {
    form.append(Object.assign(document.createElement("input"), { type: "hidden", name, value }));
  }
  document.body.append(form);
  form.submit();
}"""
FETCH = """async ([address, options]) => {
  try {
    const answer = await fetch(address, { credentials: "include", ...options });
    return { type: answer.type, status: answer.status, text: await answer.text() };
  } catch (error) {
    return { type: "failed", status: 0, text: "" };
  }
}"""
TEXT, JSON, FORM = "text/plain", "application/json", "application/x-www-form-urlencoded"


@dataclass(frozen=True)
class Attack:
    """A site of somebody else's, on a port of its own, whatever name it is asked by."""

    port: int
    pages: dict[str, str]

    def page(self, host: str, path: str, html: str) -> str:
        """Give the address of a new page of that site, under a name."""
        self.pages[path] = f"<!doctype html><html lang=en><title>Offers</title><body>{html}"
        return f"http://{host}:{self.port}{path}"


@pytest.fixture
def attack() -> Iterator[Attack]:
    """Give somebody else's site, being served."""
    pages: dict[str, str] = {}

    def app(environ: "WSGIEnvironment", start_response: "StartResponse") -> Iterable[bytes]:
        found = pages.get(environ["PATH_INFO"])
        start_response("200 OK" if found else "404 Not Found", [("Content-Type", "text/html; charset=utf-8")])
        return [(found or "").encode()]

    with listening(app) as port:
        yield Attack(port, pages)


def written(shop: TestWorkshop) -> tuple[int, ...]:
    """Give how many rows there are of all that a form of ours can write."""
    with shop.store.read() as session:
        tables = (Act, TakingsLine, Person, OneTimeLink, Token, Visit)
        return tuple(session.scalars(select(func.count()).select_from(table)).one() for table in tables)


def auto_form(address: str, fields: dict[str, str]) -> str:
    """Give a page's part that sends a form by itself."""
    inputs = "".join(f'<input type=hidden name="{name}" value="{escape(value)}">' for name, value in fields.items())
    return f'<form id=f method=post action="{address}">{inputs}</form><script>document.forms[0].submit()</script>'


def refused(served: Served, path: str, count: int = 1) -> list[Reached]:
    """Give what reached the workshop on a path and would change something; each was refused as another site's."""
    came = [one for one in served.posts() if one.path == path]
    assert [one.status for one in came] == [403] * count
    return came


def until(page: Page, done: Callable[[], bool]) -> None:
    """Wait for what the browser does by itself."""
    for _ in range(200):
        if done():
            return
        page.wait_for_timeout(25)
    pytest.fail("the browser sent nothing")


def works_from_our_own_page(page: Page, address: str, shop: TestWorkshop, path: str) -> None:
    """Send the same form from our own page, which writes."""
    before = written(shop)
    page.goto(address + path)
    with page.expect_navigation():
        page.evaluate(SEND_FORM, [address + path, FORMS[path]])
    expect(page.locator(".message.refused")).to_have_count(0)
    assert written(shop) > before


@pytest.mark.parametrize("path", FORMS)
@pytest.mark.parametrize("host", [ELSEWHERE, SIBLING, HOST])
def test_a_form_that_another_site_or_port_sends_by_itself_books_nothing(
    page: Page, address: str, served: Served, shop: TestWorkshop, attack: Attack, *, host: str, path: str
) -> None:
    before = written(shop)
    page.goto(attack.page(host, "/form", auto_form(address + path, FORMS[path])))
    page.wait_for_url(address + path)
    expect(page.locator("main")).to_contain_text("That came from another site, and nothing was booked")
    (came,) = refused(served, path)
    assert came.origin == f"http://{host}:{attack.port}"
    # on the same site the browser adds the sign-in, and only the origin tells: another port is no other site to it
    assert ("spoolkeep_person" in came.cookie) == (host != ELSEWHERE)
    assert written(shop) == before
    works_from_our_own_page(page, address, shop, path)


@pytest.mark.parametrize("path", FORMS)
@pytest.mark.parametrize("by", ["sandbox", "data", "no referrer"])
def test_a_form_of_no_origin_books_nothing(
    page: Page, address: str, served: Served, shop: TestWorkshop, attack: Attack, *, by: str, path: str
) -> None:
    before = written(shop)
    form = auto_form(address + path, FORMS[path])
    frame = f'<iframe sandbox="allow-scripts allow-forms" srcdoc="{escape(form)}"></iframe>'
    opened = {
        "data": f"data:text/html,{quote(form)}",
        "sandbox": attack.page(HOST, "/frame", frame),
        "no referrer": attack.page(SIBLING, "/form", f'<meta name=referrer content="no-referrer">{form}'),
    }
    page.goto(opened[by], wait_until="commit")
    until(page, lambda: bool(served.posts()))
    if by != "sandbox":  # there the frame's page goes on, and the page around it stays
        page.wait_for_url(address + path)
    (came,) = refused(served, path)
    assert came.origin == "null"
    assert written(shop) == before
    works_from_our_own_page(page, address, shop, path)


@pytest.mark.parametrize("mode", ["cors", "no-cors"])
@pytest.mark.parametrize("host", [ELSEWHERE, SIBLING, HOST])
def test_a_script_of_another_site_or_port_neither_writes_nor_reads(
    page: Page, address: str, served: Served, shop: TestWorkshop, attack: Attack, *, host: str, mode: str
) -> None:
    (spool,) = shop.deliver()
    before = written(shop)
    page.goto(attack.page(host, "/script", "Offers"))
    scan = f'{{"key": "crossing-4", "code": "{spool}"}}'
    asked: list[tuple[str, dict[str, Any]]] = [
        ("/deliveries", _post(mode, FORM, "&".join(f"{name}={value}" for name, value in FORMS["/deliveries"].items()))),
        ("/api/scans", _post(mode, TEXT, scan)),
        ("/api/scans", _post(mode, JSON, scan)),
        ("/bench", _post(mode, FORM, f"key=crossing-5&code={spool}")),
        ("/api/stock", {"mode": mode}),
        ("/money", {"mode": mode}),
        ("/people", {"mode": mode}),
    ]
    answers = [page.evaluate(FETCH, [address + path, options]) for path, options in asked]
    assert {one["text"] for one in answers} == {""}
    assert {one["status"] for one in answers} == {0}
    assert {one["type"] for one in answers[4:]} == {"failed"}  # what is read does not even reach its memory
    assert {one.status for one in served.posts()} <= {401, 403}
    assert len(served.posts()) >= 3  # a script asks first only where the type is JSON
    assert written(shop) == before
    page.goto(f"{address}/bench")
    ours = [page.evaluate(FETCH, [address + path, {**options, "mode": "cors"}]) for path, options in asked]
    assert [one["status"] for one in ours] == [200, 415, 200, 200, 200, 200, 200]
    assert "PLA Slate black" in ours[4]["text"]
    assert written(shop) > before


def _post(mode: str, kind: str, body: str) -> dict[str, Any]:
    return {"method": "POST", "mode": mode, "headers": {"Content-Type": kind}, "body": body}


@pytest.mark.parametrize("guest", [False, True])
def test_a_rebound_name_reads_nothing_and_books_nothing(
    page: Page, context: BrowserContext, shop: TestWorkshop, *, guest: bool
) -> None:
    """Where whoever opens the demo on this machine is its owner, a name that leads to this machine is not enough."""
    shop.deliver()
    owner_id = somebody(shop.store, shop.now, "Rebound Owner")
    reach = Reach(hosts=frozenset({HOST}), guest_id=owner_id if guest else None)
    # the name leads to the other site while its page is fetched, and to this machine from then on
    with serving(shop, reach, elsewhere_before={"/rebound": "<!doctype html><title>Offers</title>"}) as served:
        if not guest:
            sign_in(context, shop, served.address)
        before = written(shop)
        theirs = served.at(ELSEWHERE)
        page.goto(f"{theirs}/rebound")
        answers = [page.evaluate(FETCH, [theirs + path, options]) for path, options in REBOUND.items()]
        assert [one["type"] for one in answers] == ["basic"] * len(answers)  # to the browser it is one origin
        assert [one["status"] for one in answers] == [403] * len(answers)
        secrets = ("PLA Slate black", "Rebound Owner", "Money", "Workshop")
        assert [word for one in answers for word in secrets if word in one["text"]] == []
        assert {one.host for one in served.reached} == {f"{ELSEWHERE}:{served.port}"}
        assert {one["name"] for one in context.cookies(theirs)} == set()
        assert written(shop) == before
        page.goto(f"{served.address}/stock")
        ours = [page.evaluate(FETCH, [served.address + path, options]) for path, options in REBOUND.items()]
        assert [one["status"] for one in ours] == [200] * len(ours)
        assert "PLA Slate black" in ours[0]["text"]
        assert written(shop) > before


REBOUND: dict[str, dict[str, Any]] = {
    "/api/stock": {},
    "/": {},
    "/people": {},
    "/deliveries": _post("cors", FORM, "&".join(f"{name}={value}" for name, value in FORMS["/deliveries"].items())),
}


@pytest.mark.parametrize("host", [ELSEWHERE, SIBLING, HOST])
def test_our_page_in_the_frame_of_another_site_or_port_stays_empty(
    page: Page, address: str, served: Served, attack: Attack, host: str
) -> None:
    attack.page(host, "/own", "<p id=shown>A page of theirs")
    framing = f'<iframe name=own src="/own"></iframe><iframe name=ours src="{address}/money"></iframe>'
    page.goto(attack.page(host, "/framing", framing), wait_until="load")
    own, ours = (page.locator(f"iframe[name={name}]").element_handle().content_frame() for name in ("own", "ours"))
    assert own is not None
    assert ours is not None
    expect(own.locator("#shown")).to_be_visible()
    until(page, lambda: ours.url not in {"", "about:blank"})
    assert [one.status for one in served.reached if one.path == "/money"] == [401 if host == ELSEWHERE else 200]
    assert ours.url.startswith("chrome-error:")
    assert "Money" not in ours.content()
    page.goto(f"{address}/money")
    expect(page.locator("h1")).to_have_text("Money")
