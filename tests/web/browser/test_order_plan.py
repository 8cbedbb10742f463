"""The Sunday review in a browser: numbers move as they are typed, as the server reckons them, and become orders."""

import pytest
from playwright.sync_api import Page, expect

from spoolkeep.services.catalogue import SupplierEntry
from spoolkeep.store.ledger import workshop
from spoolkeep.store.tables import BasketBreak, Offer
from tests.workshop import TestWorkshop

pytestmark = pytest.mark.browser
CELLS = ("Runs out", "Lasts", "A spool", "Sum")


@pytest.fixture
def offer(shop: TestWorkshop) -> int:
    """Give the offer of an item of which 100 g a day are drawn and 600 g are left: breaks, a basket and a parcel."""
    shop.run_low()
    supplier = SupplierEntry(name="Quarry Lane", lead_days=4, parcel_minor=490, free_freight_minor=30_000)
    number = shop.offered(supplier, 2005, (10, 1815))
    with shop.store.write() as session:
        sold_by = session.get_one(Offer, number).supplier_id
        session.add(BasketBreak(supplier_id=sold_by, from_spools=14, off_ppm=33_000))
    return number


def _shown(page: Page) -> list[str]:
    row = page.locator("#plan tr", has=page.locator("input[data-after]"))
    cells = [row.locator(f"[data-label='{name}']").inner_text().strip() for name in CELLS]
    return [
        *cells,
        page.locator("#plan [data-shows=parcel]").inner_text(),
        page.locator("[data-shows=all]").inner_text(),
    ]


@pytest.mark.parametrize("spools", [1, 9, 10, 13, 14, 17])
def test_what_moves_as_it_is_typed_is_what_the_server_reckons(
    page: Page, address: str, offer: int, spools: int
) -> None:
    page.goto(f"{address}/orders")
    page.locator(f"input[name=offer-{offer}]").fill(str(spools))
    moved = _shown(page)
    page.get_by_role("button", name="What would that do?").first.click()
    expect(page.get_by_role("heading", name="What you ask about")).to_be_visible()
    assert _shown(page) == moved


def test_half_a_pack_is_taken_as_a_whole_one_while_it_is_typed_and_so_by_the_server(
    page: Page, address: str, shop: TestWorkshop, offer: int
) -> None:
    with shop.store.write() as session:
        session.get_one(Offer, offer).pack = 4
    page.goto(f"{address}/orders")
    field = page.locator(f"input[name=offer-{offer}]")
    field.fill("9")
    taken = page.locator("#plan [data-shows=taken]")
    expect(taken).to_have_text("9 asked for: 12, as it is sold")
    moved = _shown(page)
    assert moved[3] == "€217.80", "twelve at 18.15"
    field.blur()
    expect(field).to_have_value("12")
    expect(taken).to_have_text("9 asked for: 12, as it is sold")
    page.get_by_role("button", name="What would that do?").first.click()
    expect(page.get_by_role("heading", name="What you ask about")).to_be_visible()
    assert _shown(page) == moved


def test_what_passes_the_budget_or_the_room_is_said_while_it_is_typed_and_by_the_server(
    page: Page, address: str, shop: TestWorkshop, offer: int
) -> None:
    """Ten at 18.15 and a parcel of 4.90 are 186.40: 36.40 more than 150.00. One spool is on the shelf."""
    with shop.store.write() as session:
        workshop(session).budget_minor, workshop(session).shelf_spools = 15_000, 9
    page.goto(f"{address}/orders")
    money, room = page.locator("[data-over=budget]"), page.locator("[data-over=room]")
    expect(money).to_be_hidden()
    expect(room).to_be_hidden()
    for press in (False, True):
        page.locator(f"input[name=offer-{offer}]").fill("10")
        if press:
            page.get_by_role("button", name="What would that do?").first.click()
            expect(page.get_by_role("heading", name="What you ask about")).to_be_visible()
        expect(money).to_contain_text("budget: this is €36.40 more.")
        expect(room).to_contain_text("There is room for 8 more spools, those that are coming counted: 2 too many.")
        page.locator(f"input[name=offer-{offer}]").fill("1")
        expect(money).to_be_hidden()
        expect(room).to_be_hidden()


def test_the_review_of_a_busy_week_takes_four_presses_from_the_page_to_sheets_that_are_sent(
    page: Page, address: str, offer: int
) -> None:
    page.goto(f"{address}/orders")
    expect(page.locator(f"input[name=offer-{offer}]")).to_be_visible()
    presses = 0
    page.get_by_role("button", name="Draft the orders").click()
    presses += 1
    with page.expect_popup() as sheet:
        page.get_by_role("link", name="Sheet to print").click()
    presses += 1
    assert "sheet.pdf" in sheet.value.url
    page.get_by_role("button", name="It is sent").click()
    presses += 1
    expect(page.locator(".said")).to_contain_text("sent")
    page.goto(f"{address}/orders")
    expect(page.get_by_text("nothing to order")).to_be_visible()
    assert presses <= 4
