"""The pages of the door that no address alone opens, for everybody: by axe, by the width of a phone, and by Tab."""

from collections.abc import Callable, Iterator
from datetime import timedelta
from typing import Literal

import pytest
from playwright.sync_api import Page, expect

from spoolkeep.domain.words import LinkKind
from spoolkeep.services import links, tokens
from tests.web.browser.everybody import faults, out_of_reach
from tests.web.browser.served import OWNER, Served, sign_in_station
from tests.workshop import TestWorkshop

pytestmark = pytest.mark.browser

PASSWORD = "pale harbour seven ladders"  # noqa: S105 - made up
Check = Callable[[Page, str], list[str]]


def press(page: Page, name: str) -> None:
    """Press a button by what it says."""
    page.get_by_role("button", name=name).click()


def the_first_owner_comes_in(page: Page, served: Served, shop: TestWorkshop) -> Iterator[str]:
    """Open what the first owner of a workshop meets, page by page; give the name of each."""
    page.goto(f"{served.address}/deliveries")
    expect(page.locator(".message")).to_contain_text("Nobody owns this workshop yet")
    yield "nobody owns it"
    page.goto(f"{served.address}/join")
    yield "a link without its secret"
    page.locator("#join-secret").fill("no such secret")
    press(page, "Come in with this link")
    expect(page.locator(".message.refused")).to_contain_text("does not hold")
    yield "a link that does not hold"
    secret = shop.do(lambda s: links.make(session=s, now=shop.now, kind=LinkKind.FIRST, lasts=links.FIRST_LASTS))
    page.goto(f"{served.address}/join#{secret}")
    expect(page.locator("#join-secret")).to_be_hidden()
    yield "a link with its secret"
    press(page, "Come in with this link")
    expect(page.locator("h1")).to_have_text("The first owner")
    yield "the first owner"
    page.get_by_label("Your name").fill(OWNER)
    page.get_by_label("A new password").fill("spoolkeep spoolkeep")
    press(page, "Come in")
    expect(page.locator(".message.refused")).to_contain_text("soon be guessed")
    yield "a password that would be guessed"
    page.get_by_label("A new password").fill(PASSWORD)
    press(page, "Come in")
    page.wait_for_url(f"{served.address}/")


def the_owner_lets_others_in(page: Page, served: Served) -> Iterator[str]:
    """Open what an owner sees once: links, a token, a refusal; give the name of each."""
    page.goto(f"{served.address}/me")
    press(page, "Show a link")
    expect(page.locator(".way-secret")).to_contain_text("/join#")
    yield "a link for another device"
    page.goto(f"{served.address}/people")
    unfold(page, "Add a person")
    page.locator("#person-name").fill("Bram Oster")
    press(page, "Add the person")
    expect(page.locator(".way-secret")).to_contain_text("/join#")
    yield "a person's link"
    unfold(page, "Add a person")
    page.locator("#person-name").fill("bram  oster")
    press(page, "Add the person")
    expect(page.locator(".message.refused")).to_contain_text("There is a bram oster already")
    yield "a name that is taken"
    page.locator("#station-label").fill("Phone by the door")
    press(page, "Show a link to scan")
    expect(page.locator("#stations .way-secret")).to_contain_text("/join#")
    yield "a station's link"
    unfold(page, "Make a token")
    page.locator("#token-label").fill("Oven monitor")
    press(page, "Make the token")
    expect(page.locator("#tokens .way-secret")).not_to_be_empty()
    yield "a program's token"


def a_sign_in_ends_and_another_begins(page: Page, served: Served, shop: TestWorkshop) -> Iterator[str]:
    """Open what meets a person whose sign-in ended in the middle of a booking; give the name of each page."""
    page.goto(f"{served.address}/deliveries")
    page.get_by_label("Item", exact=True).select_option(index=1)
    page.get_by_label("Lot").fill("L-2026-03")
    shop.now += timedelta(days=tokens.BROWSER_IDLE_DAYS, hours=1)
    press(page, "Book it in")
    expect(page.locator(".message")).to_contain_text("What you typed is kept")
    yield "a sign-in that carries a form"
    page.get_by_label("Name").fill(OWNER)
    page.get_by_label("Password").fill("not this one at all")
    press(page, "Sign in")
    expect(page.locator("#main")).to_contain_text("do not belong together")
    yield "a wrong password"
    page.get_by_label("Password").fill(PASSWORD)
    press(page, "Sign in")
    expect(page.locator("h1")).to_have_text("Signed in")
    yield "what was typed, to be sent"


def a_station_stands_at_the_bench(page: Page, served: Served, shop: TestWorkshop) -> Iterator[str]:
    """Open what a shared device shows; give the name of each page."""
    page.context.clear_cookies()
    sign_in_station(page.context, shop, served.address)
    page.goto(f"{served.address}/bench")
    press(page, OWNER)
    expect(page.get_by_role("button", name=OWNER)).to_have_attribute("aria-pressed", "true")
    expect(page.locator("[data-photo-send]")).to_be_hidden()  # its script has come: a photo is sent by itself
    yield "who is at the station"
    page.goto(f"{served.address}/money")
    expect(page.locator("main")).to_contain_text("A shared station may not do that")
    yield "not for stations"


def unfold(page: Page, words: str) -> None:
    """Open a fold unless it is open."""
    fold = page.locator("details", has=page.locator("summary", has_text=words))
    if fold.get_attribute("open") is None:
        fold.locator("summary").first.click()


def wrong(page: Page, served: Served, shop: TestWorkshop, check: Check) -> list[str]:
    """Give what a check finds on the way through the whole door."""
    ways = (
        the_first_owner_comes_in(page, served, shop),
        the_owner_lets_others_in(page, served),
        a_sign_in_ends_and_another_begins(page, served, shop),
        a_station_stands_at_the_bench(page, served, shop),
    )
    return [fault for way in ways for name in way for fault in check(page, name)]


@pytest.mark.parametrize("width", [1400, 390])
@pytest.mark.parametrize("scheme", ["light", "dark"])
def test_axe_finds_nothing_on_the_way_through_the_door(
    page: Page, served: Served, shop: TestWorkshop, *, scheme: Literal["light", "dark"], width: int
) -> None:
    page.set_viewport_size({"width": width, "height": 900})
    page.emulate_media(color_scheme=scheme)
    assert wrong(page, served, shop, faults) == []


@pytest.mark.parametrize("width", [1400, 390])
def test_tab_reaches_every_control_on_the_way_through_the_door(
    page: Page, served: Served, shop: TestWorkshop, width: int
) -> None:
    page.set_viewport_size({"width": width, "height": 900})
    assert wrong(page, served, shop, out_of_reach) == []


def test_no_page_of_the_door_asks_another_host_nor_breaks_its_own_rules(
    page: Page, served: Served, shop: TestWorkshop, complaints: list[str]
) -> None:
    wrong(page, served, shop, lambda _page, _name: [])
    # a browser writes down that an answer was a refusal: that is no fault of the page
    assert [one for one in complaints if "the server responded with a status of 4" not in one] == []
