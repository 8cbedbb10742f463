"""Every page for everybody: axe finds nothing in either scheme at either width, and nothing comes from elsewhere."""

from dataclasses import replace
from datetime import date, timedelta
from typing import Literal

import pytest
from playwright.sync_api import Page, expect

from spoolkeep.domain.words import DigestWhen, NoticeKind, NoticeWay, OrderState, Outcome
from spoolkeep.services import (
    asked,
    assumed,
    catalogue,
    deliveries,
    endings,
    joblist,
    jobs,
    onhand,
    orders,
    stops,
    takings,
    wastebin,
)
from spoolkeep.services.catalogue import OfferEntry, SupplierEntry
from spoolkeep.services.endings import Early
from spoolkeep.services.imports import drafts
from spoolkeep.services.jobs import FeedGrams, JobReport
from spoolkeep.services.notices import addressees, outbox
from spoolkeep.services.notices.addressees import Wants
from spoolkeep.services.notices.matters import About
from spoolkeep.services.orders import Wanted
from spoolkeep.services.takings import Taken
from spoolkeep.store.seeds import FIRST_ACTOR
from spoolkeep.web.app import create_app
from tests.web.browser.everybody import faults
from tests.workshop import TestWorkshop, by

pytestmark = pytest.mark.browser

QUERIES = {
    "jobs.ending": ("", "?machine={machine}"),
    "deliveries.page": ("", "?order={order}"),
    "stock.page": ("", "?show=due", "?colour=no+such"),
    "buys.page": ("", "?item=1", "?item=99"),
    "worth.page": (
        "",
        "?what=price&price=14&minutes=20",
        "?what=price&item=1&each=spool&price=19&minutes=20&months=6&spools=12",
        "?what=freight&add=30&freight=7.90&basket=60&parcels=1&minutes=5",
    ),
    "standing.costs": ("", "?item=none"),
    "mending.item": ("", "?into=2"),
    "mending.spool": ("", "?into=2"),
    "search.page": ("", "?q=slate", "?q=no+such+thing"),
}
"""Pages that show something else by what stands in the address."""

PARTS = {"bench.after_undo", "bench.board", "health.alive", "health.ready", "imports.progress", "static"}
"""What answers to GET and is no page of its own."""


@pytest.fixture
def paths(shop: TestWorkshop) -> list[str]:
    """Give the path of every page that the app knows, of a workshop in which something of everything has happened."""
    made = _lived_in(shop)
    both = [path for job in (made["job"], made["bare"]) for path in _paths(shop, {**made, "job": job})]
    return list(dict.fromkeys(both))


def _paths(shop: TestWorkshop, made: dict[str, int | str]) -> list[str]:
    given = {
        "code": made["spool"],
        "article_id": 1,
        "delivery_id": 1,
        "job_id": made["job"],
        "order_id": made["order"],
        "draft_id": made["draft"],
        "machine_id": made["machine"],
        "kind": "supplier",
        "number": 1,
        "month": f"{shop.now:%Y-%m}",
        "stop_id": 1,
        "supplier_id": 1,
    }
    app = create_app(shop.store, secret=b"only for its map")
    found = []
    for rule in app.url_map.iter_rules():
        if "GET" not in (rule.methods or ()) or rule.endpoint in PARTS or rule.rule.startswith("/api/"):
            continue
        if rule.rule.endswith((".pdf", ".csv", ".xlsx")):
            continue
        assert rule.arguments <= set(given), f"Say in this test what {rule.rule} is to show."
        built = rule.build({name: given[name] for name in rule.arguments})
        assert built is not None
        found += [built[1] + query.format(**made) for query in QUERIES.get(rule.endpoint, ("",))]
    return found


def _lived_in(shop: TestWorkshop) -> dict[str, int | str]:
    """Let something of everything happen."""
    spool = shop.deliver(spools=3)[0]
    with shop.store.read() as session:
        machine_id = joblist.machines(session=session)[0][0]
        feed_id = joblist.feeds_of(session=session, machine_id=machine_id)[0].feed_id
    report = JobReport(title="Herb planter", machine_id=machine_id, grams=(FeedGrams(120_000, feed_id),))
    now = shop.now
    shop.do(lambda s: jobs.report_job(session=s, now=now, by=by(), report=report, outcome=Outcome.FAILED))
    job = shop.do(lambda s: jobs.plan_job(session=s, now=now, by=by(), report=report)).job_id
    running = shop.do(lambda s: jobs.plan_job(session=s, now=now, by=by(), report=report)).job_id
    shop.do(lambda s: jobs.start_job(session=s, now=now, by=by(), job_id=running))
    bare = shop.do(lambda s: jobs.plan_job(session=s, now=now, by=by(), report=replace(report, machine_id=None))).job_id
    order = _ordered(shop)
    day = shop.now.date()
    shop.do(
        lambda s: takings.enter(
            session=s, now=now, by=by(), taken=[Taken(shop_day=day, channel="Counter", amount_minor=90_000)]
        )
    )
    since, before = now - timedelta(hours=2), now - timedelta(hours=4)
    shop.do(
        lambda s: stops.book_stop(session=s, now=now, by=by(), machine_id=machine_id, from_at=before, until_at=since)
    )
    shop.do(
        lambda s: stops.book_stop(session=s, now=now, by=by(), machine_id=machine_id, from_at=since, why="no white")
    )
    _went_on(shop, machine_id, feed_id)
    _gets_notices(shop)
    data = b"day,amount,channel,Till\n2026-03-01,120,Web,1\nsoon,120,Web,1\n"
    told = {"sheet": "takings", "source": "till.csv", "data": data}
    draft = shop.do(lambda s: drafts.send(session=s, now=now, actor_id=FIRST_ACTOR, **told))  # type: ignore[arg-type]
    return {"spool": spool, "job": job, "bare": bare, "machine": machine_id, "order": order, "draft": draft}


def _went_on(shop: TestWorkshop, machine_id: int, feed_id: int) -> None:
    """Let a job be stopped, one be taken as done, an order be on hand, a spool go back and the bin be weighed."""
    now = shop.now
    report = JobReport("Trug", machine_id, (FeedGrams(20_000, feed_id),), duration_s=60)
    stopped, taken = (
        shop.do(lambda s: jobs.plan_job(session=s, now=now, by=by(), report=report)).job_id for _ in range(2)
    )
    early, outcome = Early({"share": 0.5}), Outcome.STOPPED
    shop.do(lambda s: endings.end_early(session=s, now=now, by=by(), job_id=stopped, outcome=outcome, early=early))
    shop.do(lambda s: catalogue.set_silent(session=s, now=now, by=by(), machine_id=machine_id, silent=True))
    shop.do(lambda s: jobs.start_job(session=s, now=now - timedelta(hours=1), by=by(), job_id=taken))
    assert assumed.take_all(shop.store, now=now)
    entry = catalogue.ProductEntry("Trug", None, ((shop.articles[0], 4_000_000),))
    shop.do(lambda s: catalogue.add_product(session=s, now=now, by=by(), entry=entry))
    line = asked.Wanted("1042", "Trug", due_on=date(2026, 3, 1))
    shop.do(lambda s: onhand.tell(session=s, now=now, by=by(), wanted=[line]))
    back = shop.deliver()
    shop.do(lambda s: deliveries.send_back(session=s, now=now, by=by(), spool_codes=back, note="crushed"))
    since = now - timedelta(days=7)
    shop.do(lambda s: wastebin.weigh(session=s, now=now, by=by(), held_mg=300_000, since_at=since))


def _gets_notices(shop: TestWorkshop) -> None:
    """Let somebody get notices, and one be given up."""
    now, about = shop.now, frozenset(About)
    wants = Wants("Ada", NoticeWay.WEBHOOK, "https://hooks.example/x", DigestWhen.EVERY_DAY, 7, about)
    number = shop.do(lambda s: addressees.add(session=s, now=now, by_id=FIRST_ACTOR, wants=wants))
    kind = NoticeKind.DIGEST
    shop.do(lambda s: outbox.put(s, now, addressee_id=number, kind=kind, key="digest:2026-03-04"))
    shop.do(lambda s: addressees.trial(session=s, now=now, addressee_id=number, key="form-1"))
    with shop.store.write() as session:
        (first, *_) = outbox.due(session, now)
        ours = outbox.claim(session, now, first.notice_id, was="")
        assert ours is not None
        late = now + timedelta(days=2)
        outbox.not_sent(session, late, ours, subject="Larch stands still", words="Nothing answers at hooks.example.")


def _ordered(shop: TestWorkshop) -> int:
    now = shop.now
    supplier = shop.do(
        lambda s: catalogue.add_supplier(session=s, now=now, by=by(), entry=SupplierEntry(name="North Quay"))
    ).row_id
    entry = OfferEntry(supplier, shop.articles[0], 1_000_000, 1900, pack=2, breaks=((6, 1700),))
    offer = shop.do(lambda s: catalogue.add_offer(session=s, now=now, by=by(), entry=entry)).row_id
    wanted = [Wanted(offer, 2)]
    order = shop.do(lambda s: orders.draft(session=s, now=now, by=by(), wanted=wanted)).order_ids[0]
    sent = OrderState.SENT
    shop.do(lambda s: orders.move_on(session=s, now=now, by=by(), order_id=order, state=sent))
    return order


@pytest.mark.parametrize("width", [1400, 390])
@pytest.mark.parametrize("scheme", ["light", "dark"])
def test_axe_finds_nothing_on_any_page(
    page: Page, address: str, paths: list[str], *, scheme: Literal["light", "dark"], width: int
) -> None:
    page.set_viewport_size({"width": width, "height": 900})
    page.emulate_media(color_scheme=scheme)
    found = []
    for path in paths:
        page.goto(address + path)
        found += faults(page, path)
    assert found == []


@pytest.mark.parametrize("scheme", ["light", "dark"])
def test_axe_finds_nothing_in_the_search_that_opens_anywhere(
    page: Page, address: str, shop: TestWorkshop, scheme: Literal["light", "dark"]
) -> None:
    shop.deliver()
    page.emulate_media(color_scheme=scheme)
    page.goto(f"{address}/money")
    page.keyboard.press("/")
    page.keyboard.type("slate")
    expect(page.locator(".finder .hit")).not_to_have_count(0)
    assert faults(page, "the search") == []


def test_no_page_asks_another_host_nor_breaks_its_own_rules(
    page: Page, address: str, paths: list[str], complaints: list[str]
) -> None:
    for path in paths:
        answer = page.goto(address + path)
        assert answer is not None
        assert answer.status == 200
        assert "'unsafe-inline'" not in answer.headers["content-security-policy"]
    assert complaints == []


def test_an_empty_workshop_says_where_to_begin(page: Page, address: str, complaints: list[str]) -> None:
    page.goto(f"{address}/stock")
    expect(page.locator("tfoot")).to_contain_text("2 items")
    for path, words in (
        ("/orders", "An item is weighed here after its first whole day of draws"),
        ("/money", "No figures yet"),
        ("/jobs", "No job has ended yet"),
    ):
        page.goto(address + path)
        expect(page.locator("main")).to_contain_text(words)
    assert complaints == []
