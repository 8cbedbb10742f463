"""Pages on paper: no controls, repeated heads, the page's name with its filter, and nothing that colour alone says."""

import pytest
from playwright.sync_api import Page, expect

from tests.workshop import TestWorkshop

pytestmark = pytest.mark.browser

PAGES = ("/", "/bench", "/tonight", "/stock", "/stock/1", "/jobs", "/deliveries", "/orders", "/money", "/setup")
CONTROLS = "nav, .button, button, select:not(.ledger select), .files, .narrow, input:not(.ledger input)"
A4_WIDTH, LETTER_WIDTH = 794, 816
"""In CSS pixels, of which an inch has 96."""


@pytest.mark.parametrize("width", [A4_WIDTH, LETTER_WIDTH])
def test_a_printed_page_has_its_name_and_no_controls(
    page: Page, address: str, shop: TestWorkshop, width: int, complaints: list[str]
) -> None:
    shop.run_low()
    page.emulate_media(media="print", color_scheme="dark")
    page.set_viewport_size({"width": width, "height": 1100})
    for path in PAGES:
        page.goto(address + path)
        expect(page.locator(".on-paper")).to_contain_text("printed")
        for control in page.locator(CONTROLS).all():
            assert not control.is_visible(), (path, control.inner_text())
        grounds = page.evaluate(
            "[...document.querySelectorAll('html, body, main')].map(one => getComputedStyle(one).backgroundColor)"
        )
        assert set(grounds) <= {"rgb(255, 255, 255)", "rgba(0, 0, 0, 0)"}, path
        wide = page.evaluate("document.documentElement.scrollWidth - document.documentElement.clientWidth")
        assert wide <= 0, path
    assert complaints == []


def test_a_printed_list_says_by_what_it_was_narrowed_and_repeats_its_heads(
    page: Page, address: str, shop: TestWorkshop
) -> None:
    shop.run_low()
    page.emulate_media(media="print")
    page.goto(f"{address}/stock?within=90&spools=yes")
    expect(page.locator(".on-paper")).to_contain_text("Only: Runs out within: 90 days; Only those with spools.")
    style = "one => [getComputedStyle(one).display, getComputedStyle(one).breakInside]"
    assert page.locator(".stock thead").evaluate(style)[0] == "table-header-group"
    assert page.locator(".stock tbody tr").first.evaluate(style)[1] == "avoid"
    edge = page.locator(".strand-cell .strand .edge").first.evaluate("one => getComputedStyle(one).stroke")
    assert edge not in {"none", "rgb(255, 255, 255)"}
