"""The Bench as a person with a scanner meets it."""

from collections.abc import Callable
from urllib.parse import urlsplit

import pytest
from playwright.sync_api import Locator, Page, Route, expect

from spoolkeep.services import acts, spools
from tests.web.browser.served import HOST
from tests.workshop import TestWorkshop

pytestmark = pytest.mark.browser
Scan = Callable[[str], None]


def answer(page: Page) -> Locator:
    """Give the sentence under the field."""
    return page.locator("#scan-live .message-words")


def ready(page: Page) -> Locator:
    """Give the field, once the page's script is there."""
    expect(page.locator("form[data-scan]")).to_have_attribute("data-state", "ready")
    return page.locator("#scan-code")


@pytest.mark.parametrize("spool_first", [True, False])
def test_two_scans_in_either_order_load_a_spool_and_the_old_one_comes_off(
    page: Page, address: str, shop: TestWorkshop, scan: Scan, *, spool_first: bool
) -> None:
    (black,), (white,) = shop.deliver(article=0), shop.deliver(article=1)
    page.goto(f"{address}/bench")
    for spool, name in ((black, "PLA Slate black"), (white, "PLA Chalk white")):
        expect(ready(page)).to_be_focused()
        first, second = (spool, shop.feeds[0]) if spool_first else (shop.feeds[0], spool)
        scan(first)
        expect(page.locator(".half")).to_contain_text(name if spool_first else "Larch feed 1")
        scan(second)
        expect(answer(page)).to_contain_text(f"{name} is on Larch feed 1.")
    expect(answer(page)).to_contain_text("PLA Slate black that was there has no place yet")
    expect(page.locator(".feed").nth(0)).to_contain_text("PLA Chalk white")
    expect(page.locator(".feed").nth(1)).to_contain_text("No spool")
    expect(page.locator(".half")).to_have_count(0)
    with shop.store.read() as session:
        assert spools.view(session=session, spool_code=black).feed == ""
        assert spools.view(session=session, spool_code=white).feed == "Larch feed 1"


def test_a_load_is_undone_in_place_and_done_again(page: Page, address: str, shop: TestWorkshop, scan: Scan) -> None:
    (spool,) = shop.deliver()
    page.goto(f"{address}/bench")
    field = ready(page)
    for code in (spool, shop.feeds[0]):
        scan(code)
    expect(answer(page)).to_contain_text("is on Larch feed 1")
    page.locator(".message").get_by_role("button", name="Undo").click()
    expect(answer(page)).to_contain_text("Undone")
    expect(page.locator(".feed").nth(0)).to_contain_text("No spool")
    expect(field).to_be_focused()
    page.locator(".message").get_by_role("button", name="Do it again").click()
    expect(answer(page)).to_contain_text("Done again")
    expect(page.locator(".feed").nth(0)).to_contain_text("PLA Slate black")
    assert page.url == f"{address}/bench"


def test_a_mistyped_code_is_refused_with_a_sentence_and_the_field_keeps_the_focus(
    page: Page, address: str, shop: TestWorkshop, scan: Scan
) -> None:
    (spool,) = shop.deliver()
    wrong = spool[:-2] + f"{(int(spool[-2:]) + 1) % 100:02d}"
    page.goto(f"{address}/bench")
    field = ready(page)
    scan(wrong)
    expect(page.locator("#scan-live .message.refused .message-words")).to_contain_text("does not check out")
    expect(field).to_be_focused()
    expect(field).to_have_value("")
    scan(spool)
    expect(page.locator(".half")).to_contain_text("PLA Slate black")


def test_a_scan_before_the_script_has_loaded_is_not_lost(
    page: Page, address: str, shop: TestWorkshop, scan: Scan
) -> None:
    (spool,) = shop.deliver()
    held: list[Route] = []
    page.route("**/js/scan.js", lambda route: held.append(route))  # noqa: PLW0108 - a built-in cannot be one
    page.goto(f"{address}/bench", wait_until="commit")
    expect(page.locator("#scan-code")).to_be_focused()
    scan(spool)
    expect(page.locator(".half")).to_contain_text("PLA Slate black")
    expect(page.locator("#scan-code")).to_be_focused()
    scan(shop.feeds[0])
    expect(answer(page)).to_have_text("PLA Slate black is on Larch feed 1.")
    page.unroute_all(behavior="ignoreErrors")


def test_a_code_half_typed_when_the_script_arrives_is_still_whole(
    page: Page, address: str, shop: TestWorkshop, scan: Scan
) -> None:
    (spool,) = shop.deliver()
    held: list[Route] = []
    page.route("**/js/scan.js", lambda route: held.append(route))  # noqa: PLW0108 - a built-in cannot be one
    page.goto(f"{address}/bench", wait_until="commit")
    expect(page.locator("#scan-code")).to_be_focused()
    page.keyboard.type(spool[:5], delay=8)
    for route in held:
        route.continue_()
    expect(ready(page)).to_have_value(spool[:5])
    scan(spool[5:])
    expect(page.locator(".half")).to_contain_text("PLA Slate black")


def test_a_scan_whose_answer_was_lost_is_kept_and_booked_once(
    page: Page, address: str, shop: TestWorkshop, scan: Scan
) -> None:
    (spool,) = shop.deliver()
    page.goto(f"{address}/bench")
    field = ready(page)
    scan(spool)
    expect(page.locator(".half")).to_be_visible()

    def commit_and_lose(route: Route) -> None:
        if route.request.method == "POST":
            by_number = route.request.url.replace(HOST, "127.0.0.1")  # the tool itself does not know the made-up name
            sent = route.fetch(url=by_number, headers={**route.request.all_headers(), "host": urlsplit(address).netloc})
            assert sent.status == 200
            route.abort()
        else:
            route.continue_()

    page.route(f"{address}/bench", commit_and_lose)
    scan(shop.feeds[0])
    expect(page.locator("[data-scan-state]")).to_contain_text("Spoolkeep does not answer")
    expect(page.locator("[data-outbox] li")).to_contain_text(shop.feeds[0])
    page.unroute(f"{address}/bench")
    field.press("Enter")
    expect(answer(page)).to_have_text("PLA Slate black is on Larch feed 1.")
    with shop.store.read() as session:
        booked = [act for act in acts.recent(session=session) if act.station]
    assert len(booked) == 1
