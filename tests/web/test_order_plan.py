"""The Orders page: what to order now and why, numbers that a person tries, and the orders that come of them."""

import re
from datetime import timedelta

import pytest
from flask.testing import FlaskClient

from spoolkeep.services import orderbook, orderneeds
from spoolkeep.services.catalogue import SupplierEntry
from spoolkeep.store.ledger import workshop
from spoolkeep.store.tables import Offer
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


@pytest.mark.usefixtures("offer")
def test_the_words_of_the_plan_are_plain(client: FlaskClient) -> None:
    page = client.get("/orders").text
    assert "Runs out before the next order" in page
    assert "Keeping stock costs" in page


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


def test_half_packs_are_taken_as_whole_ones_and_that_is_said(
    client: FlaskClient, shop: TestWorkshop, offer: int
) -> None:
    with shop.store.write() as session:
        row = session.get_one(Offer, offer)
        row.pack, row.least_spools = 2, 5
    for asked, taken in ((3, 6), (5, 6), (7, 8), (8, 8)):
        page = client.post("/orders", data={"key": f"try-{asked}", "do": "reckon", f"offer-{offer}": str(asked)}).text
        assert f'min="0" max="500" step="2" value="{taken}"' in page
        assert (f"{asked} asked for: {taken}, as it is sold" in page) is (asked != taken)
    drafted = client.post("/orders", data={"key": "draft", f"offer-{offer}": "7"}, follow_redirects=True).text
    assert "PLA Slate black: 7 asked for, 8 taken, as it is sold." in drafted
    with shop.store.read() as session:
        (order,) = orderbook.listed(session=session, now=shop.now)
    assert [line.spools for line in order.lines] == [8]
    assert "from Quarry Lane: 8 PLA Slate black" in client.get("/setup/acts").text


def test_what_is_asked_beyond_the_budget_or_the_room_is_warned_of(
    client: FlaskClient, shop: TestWorkshop, offer: int
) -> None:
    """Three at 20.00 and a parcel of 4.90 are 64.90: 14.90 more than 50.00."""
    with shop.store.write() as session:
        workshop(session).budget_minor, workshop(session).shelf_spools = 5000, 3

    def asked(spools: int) -> list[str]:
        page = client.post("/orders", data={"key": f"try-{spools}", "do": "reckon", f"offer-{offer}": str(spools)}).text
        found = re.findall(r'<p data-over="\w+">(.*?)</p>', page)
        return [" ".join(re.sub(r"<[^>]+>", "", one).split()) for one in found]

    assert asked(2) == []
    money, room = asked(3)
    assert money.endswith("budget: this is €14.90 more.")
    assert room.endswith("There is room for 2 more spools, those that are coming counted: 1 too many.")


def test_one_press_drafts_an_order_that_knows_when_it_is_needed(
    client: FlaskClient, shop: TestWorkshop, offer: int
) -> None:
    page = client.get("/orders").text
    answer = client.post("/orders", data={"key": _key(page), f"offer-{offer}": "3"})
    assert answer.status_code == 302
    with shop.store.read() as session:
        needs = orderneeds.needs(session=session, now=shop.now)
        (order,) = orderbook.listed(session=session, now=shop.now, needs=needs)
    assert (order.total_minor, order.lines[0].spools) == (6000, 3)
    assert order.needed_by is not None
    assert 0 <= (order.needed_by - shop.now.date()).days <= 7


def test_an_order_that_may_come_too_late_says_of_what_and_how_likely(
    client: FlaskClient, shop: TestWorkshop, offer: int
) -> None:
    client.post("/orders", data={"key": "draft", f"offer-{offer}": "3"})
    promised = (shop.now.date() + timedelta(days=20)).isoformat()
    client.post("/orders/1", data={"key": "send", "state": "sent"})
    client.post("/orders/1", data={"key": "promise", "state": "promised", "promised_for": promised})
    words = r"Promised for 24 Mar; PLA Slate black may be out from \d+ Mar on, \d+.days before it comes"
    for page in (client.get("/orders/1").text, client.get("/orders").text):
        assert re.search(words, page)
        assert "likely out" in page
    assert "An order from Quarry Lane comes too late" in client.get("/").text


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
