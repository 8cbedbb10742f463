"""Booking in twenty spools with a wedge scanner: few acts, once, and the labels open."""

from collections.abc import Callable
from dataclasses import replace

import pytest
from axe_playwright_python.sync_playwright import Axe
from playwright.sync_api import Page, expect

from spoolkeep.domain.words import OrderState
from spoolkeep.services import catalogue, counting, orderbook, orders
from spoolkeep.services.catalogue import OfferEntry, SupplierEntry
from spoolkeep.services.orderbook import OrderView
from spoolkeep.services.orders import Wanted
from spoolkeep.store.acts import By
from tests.paper.pictures import codes_in, pages_of
from tests.web.browser.served import Served, asked_for
from tests.workshop import TestWorkshop, by, station_at

pytestmark = pytest.mark.browser
EAN = "6291041500213"
Scan = Callable[[str], None]


@pytest.fixture
def order(shop: TestWorkshop) -> OrderView:
    """Give an order of twenty spools, of an offer whose maker's code is known."""
    entry = SupplierEntry(name="North Quay")
    supplier = shop.do(lambda s: catalogue.add_supplier(session=s, now=shop.now, by=by(), entry=entry)).row_id
    offer = OfferEntry(supplier, shop.articles[0], 1_000_000, 1900, tare_mg=210_000, retail_code=EAN)
    made = shop.do(lambda s: catalogue.add_offer(session=s, now=shop.now, by=by(), entry=offer)).row_id
    wanted = [Wanted(made, 20)]
    number = shop.do(lambda s: orders.draft(session=s, now=shop.now, by=by(), wanted=wanted)).order_ids[0]
    sent = OrderState.SENT
    shop.do(lambda s: orders.move_on(session=s, now=shop.now, by=by(), order_id=number, state=sent))
    with shop.store.read() as session:
        return orderbook.view(session=session, now=shop.now, order_id=number)


def by_station(shop: TestWorkshop) -> By:
    """Give the first actor at a station."""
    return replace(by(), station_id=shop.do(lambda s: station_at(s, shop.now)))


def book(page: Page, served: Served) -> bytes:
    """Press the one button, and give the labels that open."""
    page.get_by_role("button", name="Book it in").click()
    labels = asked_for(page, served, "/labels.pdf")
    read = "async (address) => Array.from(new Uint8Array(await (await fetch(address)).arrayBuffer()))"
    return bytes(page.evaluate(read, labels.path))


def test_twenty_spools_are_booked_in_by_a_scan_and_a_press(
    page: Page, address: str, served: Served, scan: Scan, order: OrderView
) -> None:
    page.goto(f"{address}/deliveries")
    expect(page.get_by_label("Scan")).to_be_focused()
    scan(EAN)
    expect(page.locator(".badge.good", has_text="scanned")).to_be_visible()
    expect(page.locator(f"[name=spools-{order.lines[0].line_id}]")).to_have_value("20")
    labels = book(page, served)
    assert len([code for one in pages_of(labels, 300) for code in codes_in(one)]) == 20
    expect(page.locator("input[name=spool]")).to_have_count(20)


def test_the_keyboard_alone_books_a_delivery_in(page: Page, address: str, scan: Scan, order: OrderView) -> None:
    page.goto(f"{address}/deliveries")
    scan(order.code)
    expect(page.get_by_role("heading", name="What came of order")).to_be_visible()
    page.wait_for_load_state("domcontentloaded")  # a key pressed before the page's script has run is lost
    page.keyboard.press("Control+Enter")
    expect(page.locator("input[name=spool]")).to_have_count(20)


def test_an_orders_code_and_a_places_code_are_heard_wherever_the_focus_is(
    page: Page, address: str, shop: TestWorkshop, scan: Scan, order: OrderView
) -> None:
    page.goto(f"{address}/deliveries")
    page.get_by_role("heading", name="Book in").click()
    scan(order.code)
    expect(page.get_by_role("heading", name="What came of order")).to_be_visible()
    page.wait_for_load_state("domcontentloaded")  # a key pressed before the page's script has run is lost
    scan(shop.places[0])
    expect(page.locator(".message-words")).to_have_text("It goes to Long shelf.")
    expect(page.get_by_label("Place", exact=True).locator("option:checked")).to_have_text("Long shelf")


@pytest.mark.parametrize("scheme", ["light", "dark"])
@pytest.mark.parametrize("width", [1400, 390])
def test_the_pages_of_a_delivery_can_be_read_by_everybody(
    page: Page, address: str, shop: TestWorkshop, order: OrderView, scheme: str, width: int
) -> None:
    codes = shop.deliver(spools=2)
    page.emulate_media(color_scheme="dark" if scheme == "dark" else "light")
    page.set_viewport_size({"width": width, "height": 900})
    walked = by_station(shop)
    for code in (shop.places[0], codes[0]):
        shop.do(lambda s, c=code: counting.scan(session=s, now=shop.now, by=replace(walked, key=c), text=c))  # type: ignore[misc] # in a loop
    for path in (f"/deliveries?order={order.order_id}", "/deliveries/1", "/labels", "/count"):
        page.goto(f"{address}{path}")
        page.evaluate("document.querySelectorAll('iframe').forEach((one) => one.remove())")  # the browser's own viewer
        found = Axe().run(page)
        assert found.violations_count == 0, (path, found.generate_report())
        wide = "document.documentElement.scrollWidth - document.documentElement.clientWidth"
        assert page.evaluate(wide) <= 0, path


def test_shelves_are_counted_with_a_wedge_scanner_and_settled_by_a_press(
    page: Page, address: str, shop: TestWorkshop, scan: Scan
) -> None:
    codes = shop.deliver(spools=3)
    page.goto(f"{address}/count")
    expect(page.locator("form[data-scan]")).to_have_attribute("data-state", "ready")
    for code in (shop.places[0], *codes):
        scan(code)
    expect(page.locator("#scan-live .message-words")).to_contain_text("3 seen here")
    expect(page.locator("#scan-code")).to_be_focused()
    page.get_by_role("button", name="Settle the count").click()
    expect(page.locator(".said")).to_contain_text("Settled: 3 moved, 0 missing")
