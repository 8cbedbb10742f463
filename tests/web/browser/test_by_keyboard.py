"""The ten commonest journeys (tests/benchmarks/journeys.py) by the keyboard alone, each from the first page."""

import io
from collections.abc import Iterator
from datetime import timedelta

import pytest
from playwright.sync_api import Page, expect

from spoolkeep.services import catalogue, choices, deliveries, joblist, motionfiles, orderbook, spools, takings
from spoolkeep.services.catalogue import OfferEntry, SupplierEntry
from spoolkeep.services.jobs import FeedGrams
from spoolkeep.services.motionfiles import FilePlan
from spoolkeep.services.takings import Taken
from tests.web.browser.keys import Keys
from tests.web.browser.served import Served, asked_for
from tests.web.browser.test_book_in import order as order  # noqa: PLC0414 - the same order of twenty spools
from tests.web.browser.test_jobs_life import METRE_MG, PROGRAM
from tests.workshop import TestWorkshop, by

pytestmark = pytest.mark.browser
MOST_KEYS = 60
"""The letters of codes and names with them."""


@pytest.fixture
def keys(page: Page, address: str) -> Iterator[Keys]:
    """Give the keyboard, the first page open, and hold at the end that all that had the focus was seen."""
    page.goto(address)
    given = Keys(page)
    yield given
    assert given.faults == []
    assert given.pressed <= MOST_KEYS


def at_the_bench(keys: Keys, *codes: str) -> None:
    """Open the Bench and type codes, as they stand on labels."""
    keys.open("Bench")
    expect(keys.page.locator("form[data-scan]")).to_have_attribute("data-state", "ready")
    for code in codes:
        keys.write(code)
        keys.press("Enter")


def heard(page: Page, words: str) -> None:
    """Hold what the page says of what was done."""
    expect(page.locator(".message-words").first).to_contain_text(words)


def left_g(shop: TestWorkshop, *codes: str) -> list[float]:
    """Give the grams that are left on spools."""
    with shop.store.read() as session:
        return [spools.view(session=session, spool_code=code).left_mg / 1000 for code in codes]


def test_a_spool_is_loaded(keys: Keys, page: Page, shop: TestWorkshop) -> None:
    (spool,) = shop.deliver()
    at_the_bench(keys, spool, shop.feeds[0])
    heard(page, "is on Larch feed 1")
    with shop.store.read() as session:
        assert spools.view(session=session, spool_code=spool).feed == "Larch feed 1"


def test_a_spool_is_put_on_another_shelf(keys: Keys, page: Page, shop: TestWorkshop) -> None:
    (spool,) = shop.deliver()
    at_the_bench(keys, spool, shop.places[0])
    heard(page, "is at Long shelf")
    with shop.store.read() as session:
        assert spools.view(session=session, spool_code=spool).place == "Long shelf"


def test_a_good_job_on_four_feeds_is_ended(keys: Keys, page: Page, shop: TestWorkshop) -> None:
    shop.do(lambda s: catalogue.add_machine(session=s, now=shop.now, by=by(), name="Alder", feeds=4))
    with shop.store.read() as session:
        feeds = [one for one in choices.feeds(session=session) if one.name.startswith("Alder")]
        numbers = [one.feed_id for one in joblist.feeds_of(session=session, machine_id=shop.machine("Alder"))]
    four = shop.deliver(4)
    for spool, feed in zip(four, feeds, strict=True):
        shop.scan(spool, feed.code)
    grams = [FeedGrams(mg, feed) for mg, feed in zip((10_000, 20_000, 30_000, 40_000), numbers, strict=True)]
    shop.start(shop.plan("Mosaic", *grams, machine="Alder"))
    keys.open("Jobs")
    keys.part("Running and planned")
    keys.enter(page.get_by_role("link", name="End Mosaic"))
    expect(page.get_by_role("heading", name="End Mosaic")).to_be_visible()
    keys.skip()
    keys.enter(page.get_by_role("button", name="Book what it drew"))
    heard(page, "100 g drawn")
    assert left_g(shop, *four) == [990, 980, 970, 960]


def test_a_job_that_failed_at_a_layer_is_ended(keys: Keys, page: Page, shop: TestWorkshop) -> None:
    (spool,) = shop.deliver()
    shop.scan(spool, shop.feeds[0])
    file = motionfiles.read(io.BytesIO(PROGRAM.encode()), name="lamp.gcode")
    plan = FilePlan(machine_id=shop.machine())
    shop.do(lambda s: motionfiles.plan_file(session=s, now=shop.now, by=by(), file=file, plan=plan))
    keys.open("Jobs")
    keys.part("Running and planned")
    keys.enter(page.get_by_role("link", name="End lamp"))
    expect(page.get_by_role("heading", name="End lamp")).to_be_visible()
    keys.skip()
    keys.to(page.get_by_label("Where", exact=True))
    keys.choose("at layer")
    keys.to(page.get_by_label("Layer, line or per cent"), within=1)
    keys.write("11")
    keys.press("Enter")
    heard(page, "31")
    assert left_g(shop, spool) == [pytest.approx(1000 - 10.5 * METRE_MG / 1000, abs=0.5)]


def test_twenty_spools_of_an_order_are_booked_in_and_printed(
    keys: Keys, page: Page, served: Served, order: orderbook.OrderView
) -> None:
    keys.open("Deliveries")
    keys.write(order.code)
    keys.press("Enter")
    expect(page.get_by_role("heading", name="What came of order")).to_be_visible()
    page.wait_for_load_state()
    keys.press("Control+Enter")
    expect(page.locator("input[name=spool]")).to_have_count(20)
    keys.skip()
    with page.expect_popup():
        keys.enter(page.get_by_role("link", name="Open the labels"))
    assert asked_for(page, served, "/labels.pdf").status == 200


def test_twenty_spools_without_an_order_are_booked_in_and_nothing_holds_the_focus_fast(
    keys: Keys, page: Page, shop: TestWorkshop
) -> None:
    keys.open("Deliveries")
    keys.to(page.get_by_label("Item", exact=True))
    keys.choose("PLA Chalk white")
    keys.to(page.get_by_label("Spools", exact=True))
    keys.write("20")
    keys.press("Control+Enter")
    expect(page.locator("input[name=spool]")).to_have_count(20)
    keys.part("Labels")
    # the labels are open in a frame of the page: the focus goes into it and out of it again, or past it
    keys.to(page.locator("summary", has_text="On other stock"))
    page.reload()
    keys.part("Spools")
    keys.to(page.locator("input[name=spool]").first, within=1)
    with shop.store.read() as session:
        assert [one.spools for one in deliveries.recent(session=session)] == [20]


def test_a_spool_is_weighed_on_its_page(keys: Keys, page: Page, shop: TestWorkshop) -> None:
    (spool,) = shop.deliver()
    keys.find(spool)
    keys.skip()
    keys.to(page.get_by_label("Reading of the scale"), within=8)
    keys.write("812")
    keys.press("Enter")
    heard(page, "612 g left")
    assert left_g(shop, spool) == [612]


def test_a_spool_is_weighed_at_the_bench(keys: Keys, page: Page, shop: TestWorkshop) -> None:
    (spool,) = shop.deliver()
    at_the_bench(keys, spool, "812 g")
    heard(page, "612 g left")
    assert left_g(shop, spool) == [612]


def test_what_runs_out_first_is_the_first_row(keys: Keys, page: Page, shop: TestWorkshop) -> None:
    shop.run_low(days=30)
    shop.deliver(5, article=1)
    keys.open("Stock")
    keys.skip()
    first = page.locator("tbody tr").first
    keys.to(first.get_by_role("link"))
    expect(first).to_contain_text("PLA Slate black")
    expect(first.locator("[data-label='Days of stock']")).to_contain_text("6")


def test_the_night_is_looked_at_and_its_half_sheet_opened(
    keys: Keys, page: Page, shop: TestWorkshop, served: Served
) -> None:
    (spool,) = shop.deliver(grams=40)
    shop.scan(spool, shop.feeds[0])
    with shop.store.read() as session:
        feed = joblist.feeds_of(session=session, machine_id=shop.machine())[0].feed_id
    shop.start(shop.plan("Bowl", FeedGrams(200_000, feed), duration_s=36_000))
    keys.open("Tonight")
    expect(page.locator(".night").first).to_contain_text("Larch feed 1")
    keys.skip()
    with page.expect_popup():
        keys.enter(page.get_by_role("link", name="Print half a sheet"), within=2)
    assert asked_for(page, served, "/half-sheet.pdf").status == 200
    keys.to(page.locator("form.until").get_by_role("button", name="Show"))


def of_three_suppliers(shop: TestWorkshop, items: int) -> None:
    """Have planned jobs need more of so many items than lies, each sold by one of three suppliers."""
    sellers = []
    for name in ("North Quay", "Quarry Lane", "Weir House"):
        known = SupplierEntry(name=name)
        made = shop.do(lambda s, entry=known: catalogue.add_supplier(session=s, now=shop.now, by=by(), entry=entry))  # type: ignore[misc] # in a loop
        sellers.append(made.row_id)
    for number in range(items):
        article = shop.item("PLA", f"Shade {number + 1}", f"#{number * 9:02x}6080")
        entry = OfferEntry(sellers[number % 3], article, 1_000_000, 1900 + number)
        shop.do(lambda s, entry=entry: catalogue.add_offer(session=s, now=shop.now, by=by(), entry=entry))  # type: ignore[misc]
        shop.plan(f"Job {number + 1}", FeedGrams(800_000, article_id=article))


def test_enter_in_a_field_gives_no_spool_up(keys: Keys, page: Page, shop: TestWorkshop) -> None:
    (spool,) = shop.deliver()
    keys.find(spool)
    keys.enter(page.locator("summary", has_text="Give it up"), within=45)
    keys.to(page.get_by_label("Grams", exact=True), within=1)
    keys.write("100")
    keys.press("Enter")
    keys.to(page.get_by_role("button", name="Scrap"), within=1)
    assert left_g(shop, spool) == [1000]
    keys.press("Space")
    heard(page, "900 g")
    assert left_g(shop, spool) == [900]


def test_enter_in_the_hours_of_a_job_to_come_reports_none_that_ended(
    keys: Keys, page: Page, shop: TestWorkshop
) -> None:
    (spool,) = shop.deliver()
    shop.scan(spool, shop.feeds[0])
    keys.open("Jobs")
    keys.part("Report or plan")
    keys.to(page.get_by_label("Title"))
    keys.write("Bowl")
    keys.to(page.get_by_label("Feed 1", exact=True))
    keys.write("100")
    keys.to(page.get_by_label("It takes"))
    keys.write("5")
    keys.press("Enter")
    heard(page, "Plan it")
    assert left_g(shop, spool) == [1000]


def test_twenty_five_items_are_ordered_from_three_suppliers(
    keys: Keys, page: Page, shop: TestWorkshop, served: Served
) -> None:
    of_three_suppliers(shop, 25)
    keys.open("Orders")
    keys.part("Draft the orders")
    keys.enter(page.get_by_role("button", name="Draft the orders"), within=3)
    expect(page.locator(".said")).to_contain_text("3 orders")
    keys.part("Orders")
    with page.expect_popup():
        keys.enter(page.get_by_role("link", name="All sheets to print"), within=3)
    assert asked_for(page, served, "/orders/sheets.pdf").status == 200
    keys.enter(page.get_by_role("button", name="All 3 drafted orders are sent"), within=3)
    heard(page, "sent")
    with shop.store.read() as session:
        open_ = orderbook.listed(session=session, now=shop.now)
    assert sorted(len(one.lines) for one in open_) == [8, 8, 9]
    assert {one.state for one in open_} == {"sent"}


def test_the_takings_of_two_channels_are_entered(keys: Keys, page: Page, shop: TestWorkshop) -> None:
    day = shop.now.date() - timedelta(days=2)
    before = [Taken(shop_day=day, channel=channel, amount_minor=50_000) for channel in ("Counter", "Market")]
    shop.do(lambda s: takings.enter(session=s, now=shop.now, by=by(), taken=before))
    page.reload()
    keys.skip()
    keys.enter(page.get_by_role("link", name="Enter them"))
    expect(page.get_by_role("heading", name="Enter takings")).to_be_visible()
    page.wait_for_load_state()
    keys.to(page.get_by_label("Counter"))
    keys.write("120.50")
    keys.to(page.get_by_label("Market"), within=1)
    keys.write("80")
    keys.press("Enter")
    heard(page, "200.50")
    with shop.store.read() as session:
        entered = {one.channel: one.amount_minor for one in takings.recent(session=session) if one.shop_day > day}
    assert entered == {"Counter": 12_050, "Market": 8_000}
