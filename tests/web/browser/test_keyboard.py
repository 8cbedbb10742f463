"""Everything without a mouse: each control is reached by Tab and seen when it is, and one key finds anything."""

from collections.abc import Callable

import pytest
from playwright.sync_api import Page, expect

from spoolkeep.domain.words import PlaceKind
from spoolkeep.services import catalogue
from tests.web.browser.everybody import out_of_reach
from tests.workshop import TestWorkshop, by

pytestmark = pytest.mark.browser

PAGES = ("/", "/bench", "/stock", "/stock/1", "/spools/{spool}", "/jobs", "/deliveries", "/orders", "/money", "/setup",
         "/setup/acts", "/search?q=slate", "/me", "/people", "/sign-in", "/join")  # fmt: skip


@pytest.mark.parametrize("width", [1400, 390])
def test_tab_reaches_every_control_and_shows_where_it_is(
    page: Page, address: str, shop: TestWorkshop, width: int
) -> None:
    spool = shop.deliver(3)[0]
    page.set_viewport_size({"width": width, "height": 900})
    for path in PAGES:
        page.goto(address + path.format(spool=spool))
        assert out_of_reach(page, path) == []


def test_one_key_opens_the_search_and_arrows_choose(page: Page, address: str, shop: TestWorkshop) -> None:
    shop.deliver()
    page.goto(f"{address}/money")
    page.keyboard.press("/")
    field = page.locator("#finder-q")
    expect(field).to_be_focused()
    page.keyboard.type("black")
    expect(page.locator(".finder .hit-name").first).to_have_text("PLA Slate black")
    expect(page.locator("[data-finder-said]")).to_have_text("1 found.")
    page.keyboard.press("ArrowDown")
    expect(page.locator(".finder .hit").first).to_be_focused()
    page.keyboard.press("ArrowUp")
    expect(field).to_be_focused()
    page.keyboard.press("Enter")
    page.wait_for_url(f"{address}/stock/1")


def test_escape_closes_the_search_and_gives_the_focus_back(page: Page, address: str) -> None:
    page.goto(f"{address}/money")
    link = page.get_by_role("link", name="Orders")
    link.focus()
    page.keyboard.press("/")
    expect(page.locator(".finder")).to_be_visible()
    page.keyboard.press("Escape")
    expect(page.locator(".finder")).to_be_hidden()
    expect(link).to_be_focused()


def test_a_slash_in_a_field_is_a_letter(page: Page, address: str) -> None:
    page.goto(f"{address}/jobs")
    page.get_by_label("Title").fill("a")
    page.get_by_label("Title").press("End")
    page.keyboard.press("/")
    expect(page.get_by_label("Title")).to_have_value("a/")
    expect(page.locator(".finder")).to_be_hidden()


def test_the_search_opens_on_the_bench_and_a_scan_there_leads_to_its_spool(
    page: Page, address: str, shop: TestWorkshop, scan: Callable[[str], None]
) -> None:
    (spool,) = shop.deliver()
    page.goto(f"{address}/bench")
    expect(page.locator("form[data-scan]")).to_have_attribute("data-state", "ready")
    page.keyboard.press("/")
    expect(page.locator("#finder-q")).to_be_focused()
    scan(spool)
    page.wait_for_url(f"{address}/spools/{spool}")


def test_the_search_works_without_a_script(page: Page, address: str, shop: TestWorkshop) -> None:
    (spool,) = shop.deliver()
    page.route("**/js/search.js", lambda route: route.abort())
    page.goto(f"{address}/money")
    page.get_by_role("link", name="Search").click()
    page.locator("#search-q").fill("chalk")
    page.locator("#search-q").press("Enter")
    expect(page.locator(".hit-name")).to_have_text("PLA Chalk white")
    page.locator("#search-q").fill(spool)
    page.locator("#search-q").press("Enter")
    page.wait_for_url(f"{address}/spools/{spool}")


def test_an_address_to_a_folded_place_unfolds_it(page: Page, address: str, shop: TestWorkshop) -> None:
    for number in range(14):
        shop.do(
            lambda s, number=number: catalogue.add_place(  # type: ignore[misc] # bound here
                session=s, now=shop.now, by=by(), name=f"Shelf {number}", kind=PlaceKind.SHELF
            )
        )
    code = shop.places[0]
    page.goto(f"{address}/setup#place-{code}")
    expect(page.locator(f"#place-{code}")).to_be_visible()
