"""What takes longer than a second says that it works, beside what was pressed, and not after it came back."""

import pytest
from playwright.sync_api import Page, expect

from tests.workshop import TestWorkshop

pytestmark = pytest.mark.browser


def test_a_form_that_takes_long_says_so_and_a_page_brought_back_is_fresh(
    page: Page, address: str, shop: TestWorkshop, complaints: list[str]
) -> None:
    shop.deliver()
    page.goto(f"{address}/stock")
    # an answer without a page leaves the browser where it is: RFC 9110, 15.3.5
    page.route("**/stock?*", lambda route: route.fulfill(status=204))
    page.get_by_role("button", name="Show", exact=True).click(no_wait_after=True)
    expect(page.locator("[data-working]")).to_have_text("At work …")
    assert page.locator("[data-working]").get_attribute("role") == "status"
    page.evaluate("window.dispatchEvent(new Event('pageshow'))")
    expect(page.locator("[data-working]")).to_have_count(0)
    assert complaints == []


def test_a_file_that_takes_long_says_so_beside_its_link(page: Page, address: str, shop: TestWorkshop) -> None:
    shop.deliver()
    page.goto(f"{address}/stock")
    with page.expect_download() as saved:
        page.get_by_role("link", name="CSV").click()
    assert saved.value.suggested_filename == "stock.csv"
    expect(page.locator(".files [data-working]")).to_have_text("Being made …")
