"""The Sunday review in a browser: numbers move as they are typed, as the server reckons them, and become orders."""

import pytest
from playwright.sync_api import Page, expect

from spoolkeep.services.catalogue import SupplierEntry
from spoolkeep.store.tables import BasketBreak, Offer
from tests.workshop import TestWorkshop

pytestmark = pytest.mark.browser
CELLS = ("Out first", "Lasts", "A spool", "Sum")


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
