"""The wall: what a screen that nobody touches shows."""

from tests.web.conftest import Browser
from tests.workshop import TestWorkshop


def test_the_wall_shows_the_machines_and_what_ends_first_and_no_money(browser: Browser, shop: TestWorkshop) -> None:
    shop.deliver()
    shop.scan(shop.deliver()[0], shop.feeds[0])
    page = browser("station").get("/wall").text
    assert "Larch" in page
    assert "PLA Slate black" in page
    assert "What ends first" in page
    assert "€" not in page
    assert 'data-board="/bench/board"' in page
