"""The Orders page: what to order now and why, numbers that a person tries, and the orders that come of them."""

import re

import pytest
from flask.testing import FlaskClient

from spoolkeep.services import orderbook
from spoolkeep.services.catalogue import SupplierEntry
from tests.workshop import TestWorkshop


@pytest.fixture
def offer(shop: TestWorkshop) -> int:
    """Give the offer of an item of which 100 g a day are drawn and 600 g are left."""
    shop.run_low()
    supplier = SupplierEntry(name="Quarry Lane", lead_days=4, parcel_minor=490, free_freight_minor=9000)
    return shop.offered(supplier, 2000, (10, 1800))


def _key(page: str) -> str:
    found = re.search(r'name="key" value="([^"]+)"', page)
    assert found
    return found.group(1)


def test_the_page_says_what_to_order_from_whom_and_why(client: FlaskClient, offer: int) -> None:
    page = client.get("/orders").text
    assert f'name="offer-{offer}"' in page
    for words in ("Quarry Lane", "Order now", "runs out first in", "needed by", "free from"):
        assert words in page


def test_a_number_that_is_tried_is_priced_and_drafts_nothing(
    client: FlaskClient, shop: TestWorkshop, offer: int
) -> None:
    page = client.post("/orders", data={"key": "try-1", "do": "reckon", f"offer-{offer}": "10"}).text
    # hand calculation: ten at the break, 10 x 18.00, the parcel free from 90.00
    assert "What you ask about" in page
    assert "180.00" in page
    with shop.store.read() as session:
        assert orderbook.listed(session=session, now=shop.now) == []
    one = client.post("/orders", data={"key": "try-2", "do": "reckon", f"offer-{offer}": "1"}).text
    assert "24.90" in one  # 20.00 and the parcel


def test_one_press_drafts_an_order_that_knows_when_it_is_needed(
    client: FlaskClient, shop: TestWorkshop, offer: int
) -> None:
    page = client.get("/orders").text
    answer = client.post("/orders", data={"key": _key(page), f"offer-{offer}": "3"})
    assert answer.status_code == 302
    with shop.store.read() as session:
        (order,) = orderbook.listed(session=session, now=shop.now)
    assert (order.total_minor, order.lines[0].spools) == (6000, 3)
    assert order.needed_by is not None
    assert 0 <= (order.needed_by - shop.now.date()).days <= 7


@pytest.mark.parametrize("spools", ["-1", "501", "9" * 30, "many", "1,5"])
def test_a_number_that_cannot_be_ordered_is_refused_and_nothing_is_lost(
    client: FlaskClient, offer: int, spools: str
) -> None:
    for do in ("", "reckon"):
        answer = client.post("/orders", data={"key": f"bad-{do}", "do": do, f"offer-{offer}": spools})
        assert answer.status_code == 422
        assert f'value="{spools}"' in answer.text


def test_an_order_of_nothing_is_refused(client: FlaskClient, offer: int) -> None:
    assert client.post("/orders", data={"key": "none", f"offer-{offer}": "0"}).status_code == 422


def test_an_offer_that_is_not_there_any_more_is_refused(client: FlaskClient) -> None:
    assert client.post("/orders", data={"key": "gone", "offer-987654": "2"}).status_code == 404


def test_without_anything_to_order_the_page_says_so(client: FlaskClient) -> None:
    assert "nothing to order" in client.get("/orders").text
