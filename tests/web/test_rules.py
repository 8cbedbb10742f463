"""Every route by everybody: the rules, this file's own table, DEVELOPERS.md and what is answered say the same.

The routes come from the app's own map, so that one without a rule, or that stands in no table, fails here. A right that
changes is changed twice on purpose: in `spoolkeep.web.rules` and in `WHO` below.
"""

import re
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import NamedTuple

import pytest
from flask import Blueprint, Flask
from flask.testing import FlaskClient
from sqlalchemy import func, select
from werkzeug.routing import Rule as Route

from spoolkeep.domain.words import LinkKind, Role, Scope
from spoolkeep.services import links, people
from spoolkeep.services.tokens import Caller
from spoolkeep.store.engine import Store
from spoolkeep.store.tables import Act
from spoolkeep.web import doors, lock
from spoolkeep.web.rules import RULES, may
from tests.web.conftest import HOST, PASSWORD, Browser
from tests.workshop import TestWorkshop

TOP = Path(__file__).parent.parent.parent
CALLERS = ("nobody", "reader", "operator", "owner", "station")
EVERYBODY = "nobody reader operator owner station token"
LOOK = "reader operator owner station"
READ = "reader operator owner"
FLOOR = "operator owner station"
OFFICE = "operator owner"

WHO = {
    "static": EVERYBODY,
    "health.alive": EVERYBODY,
    "health.ready": EVERYBODY,
    "door.sign_in": EVERYBODY,
    "door.enter": EVERYBODY,
    "door.join": EVERYBODY,
    "door.use_link": EVERYBODY,
    "door.sign_out": EVERYBODY,
    "me.page": READ,
    "me.change": READ,
    "people.page": "owner",
    "people.change": "owner",
    "notices.page": "owner",
    "notices.change": "owner",
    "today.page": LOOK,
    "firsthour.page": READ,
    "firsthour.enter": OFFICE,
    "firsthour.name_workshop": "owner",
    "search.page": LOOK,
    "guide.words": LOOK,
    "wall.page": LOOK,
    "bench.page": LOOK,
    "bench.board": LOOK,
    "bench.scan": FLOOR,
    "bench.photo": FLOOR,
    "bench.keep_on": FLOOR,
    "bench.undo": FLOOR,
    "bench.after_undo": LOOK,
    "bench.who": "station",
    "tonight.page": LOOK,
    "tonight.half_sheet_pdf": LOOK,
    "stock.page": LOOK,
    "stock.item": LOOK,
    "stock.know_item": OFFICE,
    "stock.labels_pdf": LOOK,
    "spools.page": LOOK,
    "spools.made_from": LOOK,
    "spools.act": FLOOR,
    "spools.label_pdf": LOOK,
    "onhand.page": LOOK,
    "onhand.tell": FLOOR,
    "onhand.close": FLOOR,
    "jobs.page": LOOK,
    "jobs.enter": FLOOR,
    "jobs.failing": LOOK,
    "jobs.weigh_bin": FLOOR,
    "jobs.drop": FLOOR,
    "jobs.start": FLOOR,
    "jobs.once_more": FLOOR,
    "jobs.go_on": FLOOR,
    "jobs.ticket": FLOOR,
    "jobs.ticket_pdf": LOOK,
    "jobs.ending": FLOOR,
    "jobs.end": FLOOR,
    "jobs.settle": FLOOR,
    "jobs.name_item": FLOOR,
    "jobs.stand_still": FLOOR,
    "jobs.run_again": FLOOR,
    "standing.one": LOOK,
    "standing.correct": FLOOR,
    "deliveries.page": LOOK,
    "deliveries.book": FLOOR,
    "deliveries.one": LOOK,
    "deliveries.change": FLOOR,
    "deliveries.labels_pdf": LOOK,
    "orders.page": READ,
    "orders.credit_came": OFFICE,
    "orders.draft": OFFICE,
    "orders.one": READ,
    "orders.move_on": OFFICE,
    "orders.change": OFFICE,
    "orders.send_all": OFFICE,
    "orders.sheet_csv": READ,
    "orders.sheet_pdf": READ,
    "orders.sheet_workbook": READ,
    "orders.sheets_pdf": READ,
    "suppliers.page": READ,
    "suppliers.change": OFFICE,
    "money.page": READ,
    "money.enter": OFFICE,
    "money.why": READ,
    "money.behind": READ,
    "money.products": READ,
    "books.page": READ,
    "books.close": "owner",
    "books.one": READ,
    "books.month_csv": READ,
    "books.month_workbook": READ,
    "books.stock_pdf": READ,
    "books.stock_csv": READ,
    "books.stock_workbook": READ,
    "buys.page": READ,
    "worth.page": READ,
    "standing.costs": READ,
    "imports.page": READ,
    "imports.send": OFFICE,
    "imports.one": READ,
    "imports.progress": READ,
    "imports.change": OFFICE,
    "setup.page": READ,
    "setup.program_doors": READ,
    "setup.enter": OFFICE,
    "setup.settings": "owner",
    "setup.all_offers": READ,
    "mending.item": READ,
    "mending.change_item": OFFICE,
    "mending.named": READ,
    "mending.change_named": OFFICE,
    "mending.spool": READ,
    "mending.move": OFFICE,
    "columns.page": READ,
    "machines.page": READ,
    "machines.change": OFFICE,
    "materials.page": READ,
    "materials.change": OFFICE,
    "ahead.page": LOOK,
    "ahead.know": OFFICE,
    "ahead.track_record": LOOK,
    "rests.page": LOOK,
    "rests.scrap": FLOOR,
    "count.page": LOOK,
    "count.scan": FLOOR,
    "count.settle": FLOOR,
    "labels.page": LOOK,
    "labels.keep": OFFICE,
    "labels.places_pdf": LOOK,
    "labels.all_pdf": LOOK,
    "labels.cards_pdf": LOOK,
    "labels.calibration_pdf": LOOK,
    "setup.last_acts": READ,
    "setup.undo": OFFICE,
    "api.scan": f"{FLOOR} scan",
    "api.report": f"{FLOOR} report",
    "api.plan": f"{FLOOR} report",
    "api.start": f"{FLOOR} report",
    "api.resume": f"{FLOOR} report",
    "api.weighing": f"{FLOOR} report scan",
    "api.take": f"{OFFICE} report",
    "api.orders_on_hand": f"{FLOOR} report",
    "api.end": f"{FLOOR} report",
    "api.motion_file": f"{FLOOR} report",
    "api.stock": f"{LOOK} see",
    "api.document": f"{LOOK} any",
}
"""By endpoint: who may, and the scope of a token, `any` where any token will do, `token` where none is needed."""

MADE_UP = {"code": "S00000175", "filename": "css/paper.css"}
HELD_BACK = {401, 403}


class Asked(NamedTuple):
    """One endpoint by one of its methods."""

    endpoint: str
    method: str
    route: Route

    @property
    def path(self) -> str:
        """Give its address, with numbers and codes that are made up."""
        given = {name: MADE_UP.get(name, 1) for name in self.route.arguments}
        built = self.route.build(given)
        assert built is not None
        return built[1]


def _asked(app: Flask) -> list[Asked]:
    return [
        Asked(route.endpoint, method, route)
        for route in app.url_map.iter_rules()
        for method in sorted((route.methods or set()) - {"HEAD", "OPTIONS"})
    ]


@pytest.fixture
def store(sqlite_store: Store) -> Store:
    """Give a store on one database: who may what is not asked of it."""
    return sqlite_store


@pytest.fixture
def send(app: Flask, shop: TestWorkshop, kept: str) -> Callable[[FlaskClient, Asked], int]:
    """Give a sender of a real request, with what the door itself asks for; the answer's status comes back."""
    app.testing = False
    visitor = shop.do(lambda s: people.add(session=s, now=shop.now, by_id=None, name="Visitor", role=Role.READER))
    shop.do(lambda s: people.choose_password(session=s, now=shop.now, actor_id=visitor, password_hash=kept))

    def form(endpoint: str) -> dict[str, str]:
        if endpoint == "door.enter":
            return {"name": "Visitor", "password": PASSWORD}
        if endpoint != "door.use_link":
            return {}
        kind, lasts = LinkKind.STATION, links.AT_HAND_LASTS
        secret = shop.do(lambda s: links.make(session=s, now=shop.now, kind=kind, lasts=lasts, label="Phone"))
        return {"secret": secret}

    def sent(client: FlaskClient, one: Asked) -> int:
        with client.open(one.path, method=one.method, data=form(one.endpoint)) as answer:
            return answer.status_code

    return sent


def _browser_of(app: Flask, headers: dict[str, str]) -> FlaskClient:
    client = app.test_client()
    client.environ_base["HTTP_ORIGIN"] = HOST
    if headers:
        client.environ_base["HTTP_AUTHORIZATION"] = headers["Authorization"]
    return client


@pytest.mark.parametrize("caller", CALLERS)
def test_every_route_is_open_to_whom_it_should_be_and_to_nobody_else(
    app: Flask, browser: Browser, send: Callable[[FlaskClient, Asked], int], caller: str
) -> None:
    for one in _asked(app):
        client = _browser_of(app, {}) if caller == "nobody" else browser(caller)
        status = send(client, one)
        assert status < 500, (one.endpoint, one.path, status)
        assert (status not in HELD_BACK) == (caller in WHO[one.endpoint].split()), (one.endpoint, one.method, status)


@pytest.mark.parametrize("held", ["the scope that it asks for", "every other scope"])
def test_a_token_opens_what_its_scope_is_for_and_nothing_else(
    app: Flask, token: Callable[..., dict[str, str]], send: Callable[[FlaskClient, Asked], int], held: str
) -> None:
    for one in _asked(app):
        wanted = set(WHO[one.endpoint].split()) & set(Scope)
        right = held == "the scope that it asks for"
        scopes = (wanted or set(Scope)) if right else set(Scope) - wanted
        status = send(_browser_of(app, token(*sorted(Scope(word) for word in scopes))), one)
        opened = bool({"any", "token"} & set(WHO[one.endpoint].split())) or (right and bool(wanted))
        assert status < 500, (one.endpoint, one.path, status)
        assert (status not in HELD_BACK) == opened, (one.endpoint, one.method, status)


def test_the_rules_say_the_same_as_the_table_here(app: Flask, browser: Browser) -> None:
    assert {one.endpoint for one in _asked(app)} == set(WHO)
    callers = {caller: _caller_of(browser(caller)) for caller in CALLERS if caller != "nobody"}
    for endpoint, who in WHO.items():
        found = {name for name, caller in callers.items() if may(caller, endpoint)}
        found |= {"nobody"} if may(None, endpoint) else set()
        assert found == set(who.split()) & set(CALLERS), endpoint


def _caller_of(client: FlaskClient) -> Caller:
    """Give who is asking, as the lock finds it at a page that everybody may open."""
    with client:
        client.get("/sign-in")
        found = doors.caller()
    assert found is not None
    return found


def test_an_endpoint_without_a_rule_is_refused_at_start() -> None:
    app = Flask("annex")
    annex = Blueprint("annex", __name__)
    annex.get("/annex")(lambda: "an annex that nobody thought of")
    app.register_blueprint(annex)
    with pytest.raises(LookupError, match=r"no rule for \['annex"):
        lock.attach(app, lock.Reach())


def test_an_endpoint_without_a_rule_is_for_nobody(browser: Browser) -> None:
    owner = _caller_of(browser("owner"))
    assert not may(owner, "annex.page")
    assert not may(None, "annex.page")


def test_no_rule_is_for_an_endpoint_that_does_not_exist(app: Flask) -> None:
    assert set(RULES) == {one.endpoint for one in _asked(app)}


def test_no_get_changes_more_than_what_its_page_shows(app: Flask, browser: Browser, shop: TestWorkshop) -> None:
    """A link that somebody else wrote books nothing, whoever follows it. Source: RFC 9110, section 9.2.1."""
    owner, station = browser("owner"), browser("station")
    before = _acts(shop)
    for one in _asked(app):
        if one.method == "GET":
            for client in (owner, station):
                client.get(one.path).close()
    assert _acts(shop) == before


def _acts(shop: TestWorkshop) -> int:
    with shop.store.read() as session:
        return session.scalars(select(func.count()).select_from(Act)).one()


# ------------------------------------------------------------------ the same table, on paper

TICK, DASH = "✓", "–"  # noqa: RUF001 - a dash, on purpose
HEAD = ("route", "methods", "nobody", "reader", "operator", "owner", "station", "token")


def rendered(app: Flask) -> str:
    """Give the table as it stands in DEVELOPERS.md, from the rules: a tick for whoever may, a dash for who may not."""
    rows = [HEAD, tuple("---" for _ in HEAD), *_rows(app)]
    return "".join(f"| {' | '.join(row)} |\n" for row in rows)


def _rows(app: Flask) -> Iterator[tuple[str, ...]]:
    for one in sorted(_asked(app), key=lambda asked: (asked.route.rule, asked.method)):
        who = WHO[one.endpoint].split()
        ticks = tuple(TICK if caller in who else DASH for caller in CALLERS)
        scope = ", ".join(word for word in who if word in {*Scope, "any"}) or (TICK if "token" in who else DASH)
        yield (f"`{_plain(one.route.rule)}`", one.method, *ticks, scope)


def _plain(rule: str) -> str:
    return re.sub(r"<(?:\w+:)?(\w+)>", r"<\1>", rule)


def test_the_developers_paper_has_the_table_of_who_may(app: Flask) -> None:
    paper = (TOP / "DEVELOPERS.md").read_text(encoding="utf-8")
    part = paper.partition("\n## Who may")[2].partition("\n## ")[0]
    assert [line for line in part.splitlines() if line.startswith("|")] == rendered(app).splitlines()


def test_every_proof_that_the_developers_paper_names_is_in_the_suite() -> None:
    named = set(re.findall(r"`(test_\w+)`", (TOP / "DEVELOPERS.md").read_text(encoding="utf-8")))
    told = "".join(path.read_text(encoding="utf-8") for path in (TOP / "tests").rglob("*.py"))
    assert {name for name in named if f"def {name}(" not in told} == set()
