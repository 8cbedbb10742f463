"""The main job in a browser: a delivery in, a job out, and what Stock says of it."""

from collections.abc import Callable

import pytest
from playwright.sync_api import Locator, Page, expect

from spoolkeep.services import deliveries, joblist
from tests.web.browser.served import Served, asked_for
from tests.workshop import TestWorkshop

pytestmark = pytest.mark.browser


def load(page: Page, address: str, scan: Callable[[str], None], *codes: str) -> None:
    """Load a spool by two scans."""
    page.goto(f"{address}/bench")
    expect(page.locator("form[data-scan]")).to_have_attribute("data-state", "ready")
    for code in codes:
        scan(code)
    expect(page.locator("#scan-live .message-words")).to_contain_text("is on")


def test_a_job_that_ended_draws_grams_that_stock_shows(
    page: Page, address: str, shop: TestWorkshop, scan: Callable[[str], None]
) -> None:
    (spool,) = shop.deliver(grams=1000)
    load(page, address, scan, spool, shop.feeds[0])
    page.goto(f"{address}/jobs")
    page.get_by_label("Title").fill("Herb planter")
    page.get_by_label("Feed 1", exact=True).fill("250")
    page.get_by_role("button", name="Book what").click()
    expect(page.locator(".said")).to_contain_text("250 g drawn")
    expect(page.locator("section", has_text="One job.")).to_contain_text("Herb planter")
    page.goto(f"{address}/stock")
    expect(page.locator("tr", has_text="PLA Slate black").locator("[data-label=Left]")).to_have_text("750 g")
    page.goto(f"{address}/spools/{spool}")
    expect(page.locator("tr", has_text="Herb planter").locator("[data-label=Grams]")).to_have_text("-250 g")


def test_a_draw_on_a_feed_without_a_spool_waits_and_is_settled_by_a_code(
    page: Page, address: str, shop: TestWorkshop
) -> None:
    (spool,) = shop.deliver(grams=1000)
    page.goto(f"{address}/jobs")
    page.get_by_label("Title").fill("Door wedge")
    page.get_by_label("Feed 2", exact=True).fill("40.5")
    page.get_by_role("button", name="Book what").click()
    waiting = page.locator("section", has=page.get_by_role("heading", name="Draws that wait for a spool"))
    waiting.get_by_label("Spool of Door wedge").fill(spool)
    waiting.get_by_role("button", name="Name it").click()
    expect(waiting).to_have_count(0)
    page.goto(f"{address}/stock")
    expect(page.locator("tr", has_text="PLA Slate black").locator("[data-label=Left]")).to_have_text("960 g")


def test_a_draw_whose_spool_is_gone_is_given_its_item(page: Page, address: str) -> None:
    page.goto(f"{address}/jobs")
    page.get_by_label("Title").fill("Door wedge")
    page.get_by_label("Feed 2", exact=True).fill("40.5")
    page.get_by_role("button", name="Book what").click()
    waiting = page.locator("section", has=page.get_by_role("heading", name="Draws that wait for a spool"))
    waiting.get_by_label("Item of Door wedge").select_option("PLA Chalk white")
    waiting.get_by_role("button", name="Choose").click()
    expect(page.locator(".said")).to_contain_text("counts as demand")
    expect(waiting.locator("[data-label=Item]")).to_have_text("PLA Chalk white")


def spools_of(page: Page) -> Locator:
    """Give the rows of the spools on a delivery's page."""
    return page.locator("input[name=spool]")


def test_a_delivery_is_booked_in_and_its_labels_open(page: Page, address: str, served: Served) -> None:
    page.goto(f"{address}/deliveries")
    page.get_by_label("Item", exact=True).select_option("PLA Chalk white")
    page.get_by_label("Spools", exact=True).fill("3")
    page.get_by_label("Price of a spool").fill("19,90")
    page.get_by_role("button", name="Book it in").click()
    expect(spools_of(page)).to_have_count(3)
    labels = asked_for(page, served, "/labels.pdf")
    assert labels.status == 200
    page.get_by_text("On other stock").click()
    page.get_by_label("Label stock").select_option("50x25")
    with page.context.expect_page():
        page.get_by_role("button", name="Open the labels").click()
    again = asked_for(page, served, "/labels.pdf", "stock=50x25")
    assert again.status == 200
    read = "async (address) => (await (await fetch(address)).text()).slice(0, 5)"
    assert page.evaluate(read, f"{again.path}?{again.query}") == "%PDF-"


def test_a_double_click_books_a_delivery_once(page: Page, address: str, shop: TestWorkshop) -> None:
    page.goto(f"{address}/deliveries")
    page.get_by_label("Item", exact=True).select_option("PLA Chalk white")
    page.get_by_role("button", name="Book it in").dblclick()
    expect(spools_of(page)).to_have_count(1)
    with shop.store.read() as session:
        assert len(deliveries.recent(session=session)) == 1


def test_a_double_click_books_a_job_once(page: Page, address: str, shop: TestWorkshop) -> None:
    page.goto(f"{address}/jobs")
    page.get_by_label("Title").fill("Cable comb")
    page.get_by_label("Feed 1", exact=True).fill("12")
    page.get_by_role("button", name="Book what").dblclick()
    expect(page.locator(".said")).to_contain_text("12 g drawn")
    with shop.store.read() as session:
        assert [job.drawn_mg for job in joblist.ended(session=session)] == [12_000]


def test_a_refused_delivery_keeps_what_was_typed_and_can_be_mended(page: Page, address: str) -> None:
    page.goto(f"{address}/deliveries")
    page.get_by_label("Item", exact=True).select_option("PLA Chalk white")
    page.get_by_label("Spools", exact=True).fill("4")
    page.get_by_label("Lot").fill("L7")
    page.get_by_label("Price of a spool").fill("19.9999")
    page.get_by_role("button", name="Book it in").click()
    expect(page.locator(".message.refused")).to_contain_text("more than 2 decimals")
    expect(page.get_by_label("Spools", exact=True)).to_have_value("4")
    expect(page.get_by_label("Lot")).to_have_value("L7")
    page.get_by_label("Price of a spool").fill("19.99")
    page.get_by_role("button", name="Book it in").click()
    expect(spools_of(page)).to_have_count(4)


def test_a_weighing_is_undone_on_the_page_of_its_spool(page: Page, address: str, shop: TestWorkshop) -> None:
    (spool,) = shop.deliver(grams=1000)
    page.goto(f"{address}/spools/{spool}")
    page.get_by_label("Reading of the scale").fill("700")
    page.get_by_role("button", name="Weigh").click()
    expect(page.locator(".said")).to_contain_text("500 g left")
    page.locator("tr", has_text="Weighing").get_by_role("button", name="Undo").click()
    expect(page.locator(".said")).to_contain_text("Undone")
    assert page.url == f"{address}/spools/{spool}"
    expect(page.locator(".figures")).to_contain_text("1,000 g")


def test_what_planned_jobs_lack_is_drafted_and_sent(
    page: Page, address: str, shop: TestWorkshop, scan: Callable[[str], None]
) -> None:
    page.goto(f"{address}/setup")
    page.locator("#supplier-name").fill("North Quay")
    page.get_by_role("button", name="Add the supplier").click()
    offer = page.locator("#offer")
    offer.get_by_label("Item", exact=True).select_option("PLA Slate black")
    offer.get_by_label("Price of a spool").fill("19.50")
    page.get_by_role("button", name="Add the offer").click()
    (spool,) = shop.deliver(grams=500)
    load(page, address, scan, spool, shop.feeds[0])
    page.goto(f"{address}/jobs")
    page.get_by_label("Title").fill("Long run")
    page.get_by_label("Feed 1", exact=True).fill("900")
    page.get_by_role("button", name="Plan it").click()
    page.goto(f"{address}/orders")
    expect(page.locator(".reason")).to_contain_text("Planned jobs need 400 g more than is here and coming")
    page.get_by_role("button", name="Draft the orders").click()
    page.get_by_role("button", name="It is sent").click()
    expect(page.locator(".page-head")).to_contain_text("sent")


def test_an_untouched_delivery_form_books_nothing(page: Page, address: str, shop: TestWorkshop) -> None:
    page.goto(f"{address}/deliveries")
    page.keyboard.press("Control+Enter")
    page.get_by_role("button", name="Book it in").click()
    expect(page.get_by_label("Item", exact=True)).to_be_focused()
    with shop.store.read() as session:
        assert deliveries.recent(session=session) == []
