"""Every page for everybody: axe finds nothing in either scheme at either width, and nothing comes from elsewhere."""

from dataclasses import replace
from typing import Literal

import pytest
from axe_playwright_python.sync_playwright import Axe
from playwright.sync_api import Page, expect

from spoolkeep.domain.words import OrderState, Outcome
from spoolkeep.services import catalogue, joblist, jobs, money, orders
from spoolkeep.services.catalogue import OfferEntry
from spoolkeep.services.jobs import FeedGrams, JobReport
from spoolkeep.services.orders import Wanted
from tests.workshop import TestWorkshop, by

pytestmark = pytest.mark.browser

PAGES = (
    "/",
    "/stock",
    "/stock/1",
    "/spools/{spool}",
    "/jobs",
    "/jobs/{job}/end",
    "/jobs/{bare}/end",
    "/jobs/{bare}/end?machine={machine}",
    "/deliveries",
    "/deliveries?order={order}",
    "/deliveries/1",
    "/orders",
    "/orders/{order}",
    "/money",
    "/setup",
    "/setup/acts",
)


@pytest.fixture
def paths(shop: TestWorkshop) -> list[str]:
    """Give the path of every page of a workshop in which something of everything has happened."""
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
        lambda s: money.enter_takings(session=s, now=now, by=by(), shop_day=day, channel="Counter", amount_minor=90_000)
    )
    return [path.format(spool=spool, job=job, bare=bare, machine=machine_id, order=order) for path in PAGES]


def _ordered(shop: TestWorkshop) -> int:
    now = shop.now
    supplier = shop.do(lambda s: catalogue.add_supplier(session=s, now=now, by=by(), name="North Quay")).row_id
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
        violations = Axe().run(page).response["violations"]
        found += [f"{path}: {one['id']} {[node['target'] for node in one['nodes']]}" for one in violations]
        if page.evaluate("document.documentElement.scrollWidth > document.documentElement.clientWidth"):
            found.append(f"{path}: wider than the screen")
    assert found == []


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
        ("/orders", "Every item whose pace is known lasts"),
        ("/money", "No figures yet"),
        ("/jobs", "No job has ended yet"),
    ):
        page.goto(address + path)
        expect(page.locator("main")).to_contain_text(words)
    assert complaints == []
