"""An order's page: what is changed while it is drafted, its files and its mail, and when it comes."""

import html
import io
import re
from collections.abc import Callable
from datetime import timedelta

import openpyxl
import pytest
from flask.testing import FlaskClient

from spoolkeep.domain.words import OrderState
from spoolkeep.services import catalogue, orderbook, orders
from spoolkeep.services.catalogue import OfferEntry, SupplierEntry
from spoolkeep.services.orderbook import OrderView
from spoolkeep.services.orders import Wanted
from spoolkeep.store.tables import Supplier
from tests.paper.pictures import codes_in, pages_of, words_of
from tests.workshop import TestWorkshop, by

Key = Callable[[], str]


@pytest.fixture
def offers(shop: TestWorkshop) -> list[int]:
    """Give the offers of a supplier: one of each item, in packs of 2 and alone."""
    entry = SupplierEntry("North Quay", "1 Quay Road", lead_days=6)
    supplier = shop.do(lambda s: catalogue.add_supplier(session=s, now=shop.now, by=by(), entry=entry)).row_id
    made = []
    for article, pack in zip(shop.articles, (2, 1), strict=True):
        offer = OfferEntry(supplier, article, 1_000_000, 1900, f"NQ-{article}", "", 210_000, pack, ())
        made.append(shop.do(lambda s, o=offer: catalogue.add_offer(session=s, now=shop.now, by=by(), entry=o)).row_id)  # type: ignore[misc] # a lambda in a loop
    return made


@pytest.fixture
def order(shop: TestWorkshop, offers: list[int]) -> OrderView:
    """Give a draft of 2 spools."""
    return _view(shop, _drafted(shop, offers[0]))


def _drafted(shop: TestWorkshop, offer: int) -> int:
    wanted = [Wanted(offer, 2)]
    return shop.do(lambda s: orders.draft(session=s, now=shop.now, by=by(), wanted=wanted)).order_ids[0]


def _view(shop: TestWorkshop, number: int) -> OrderView:
    with shop.store.read() as session:
        return orderbook.view(session=session, now=shop.now, order_id=number)


def _plain(page: str) -> str:
    return html.unescape(re.sub(r"\s+", " ", re.sub(r"<[^>]+>", " ", page)))


def test_a_draft_is_changed_on_its_page(
    client: FlaskClient, shop: TestWorkshop, offers: list[int], order: OrderView, key: Key
) -> None:
    there = f"/orders/{order.order_id}/draft"
    line = order.lines[0].line_id
    day = (shop.now.date() + timedelta(days=9)).isoformat()
    for form in (
        {"do": "note", "note": "Ring at the gate.", "needed_by": day},
        {"do": "lines", f"spools-{line}": "4"},
        {"do": "add", "offer": str(offers[1]), "spools": "3"},
    ):
        assert client.post(there, data={"key": key(), **form}).status_code == 302, form
    changed = _view(shop, order.order_id)
    assert ([one.spools for one in changed.lines], changed.note, str(changed.needed_by)) == (
        [4, 3], "Ring at the gate.", day,
    )  # fmt: skip
    assert "Add a line" not in client.get(f"/orders/{order.order_id}").text, "both offers are in the order"


@pytest.mark.parametrize(
    ("form", "says"),
    [
        ({"do": "lines", "spools-{line}": "99999999999999999999"}, "too large"),
        ({"do": "lines", "spools-{line}": "2147483647"}, "1 to 500"),
        ({"do": "lines", "spools-{line}": "-1"}, "1 to 500"),
        ({"do": "lines", "spools-{line}": "3"}, "packs of 2"),
        ({"do": "lines", "spools-{line}": ""}, "not a whole number"),
        ({"do": "lines", "spools-x": "3"}, "not a whole number"),
        ({"do": "lines", "spools-2147483647": "3"}, "not in this order"),
        ({"do": "note", "needed_by": "31.12."}, "not a day"),
        ({"do": "note", "needed_by": "9999-12-31"}, "Check the date"),
        ({"do": "note", "note": "x" * 1001}, "at most 1000"),
        ({"do": "add", "offer": "2147483648", "spools": "1"}, "too large"),
        ({"do": "add", "offer": "1", "spools": "0"}, "at least 1"),
        ({"do": "add"}, "not a whole number"),
        ({"do": "dance"}, "not known"),
    ],
)
def test_what_cannot_be_is_refused_in_a_sentence_and_stays_in_its_field(
    client: FlaskClient, order: OrderView, key: Key, form: dict[str, str], says: str
) -> None:
    sent = {name.format(line=order.lines[0].line_id): value for name, value in form.items()}
    answer = client.post(f"/orders/{order.order_id}/draft", data={"key": key(), **sent})
    assert answer.status_code == 422
    assert says in _plain(answer.text)
    for name, value in sent.items():
        if value and name == f"spools-{order.lines[0].line_id}":
            assert f'value="{value}"' in answer.text


def test_a_promise_that_is_too_late_says_so_at_once(
    client: FlaskClient, shop: TestWorkshop, order: OrderView, key: Key
) -> None:
    here, today = f"/orders/{order.order_id}", shop.now.date()
    needed = {"do": "note", "needed_by": (today + timedelta(days=7)).isoformat()}
    client.post(f"{here}/draft", data={"key": key(), **needed})
    sent = client.post(here, data={"key": key(), "state": "sent"}, follow_redirects=True)
    assert "The order is sent." in sent.text
    assert "No day is promised" in _plain(sent.text)
    promise = {"state": "promised", "promised_for": (today + timedelta(days=10)).isoformat()}
    told = client.post(here, data={"key": key(), **promise}, follow_redirects=True)
    words = "Promised for 14 Mar, needed by 11 Mar: 3 days late."
    assert _plain(told.text).count(words) == 2, "in the message and on the page"
    assert words in _plain(client.get("/orders").text)
    page = _plain(client.get("/").text)
    assert "An order from North Quay comes too late" in page
    assert "promised for 14 Mar, needed by 11 Mar: 3 days late" in page


def test_orders_that_are_over_are_reached_however_old_they_are(
    client: FlaskClient, shop: TestWorkshop, offers: list[int], order: OrderView
) -> None:
    """Fifty stand on a page: of 51 that are called off the oldest one is on the next. One draft stays open."""
    over = [_drafted(shop, offers[0]) for _ in range(51)]
    for number in over:
        shop.do(
            lambda s, number=number: orders.move_on(  # type: ignore[misc] # a lambda in a loop
                session=s, now=shop.now, by=by(), order_id=number, state=OrderState.CALLED_OFF
            )
        )
    page = client.get("/orders").text
    older = re.search(r'href="(/orders\?before=\d+)#over"', page)
    assert older
    listed = [int(one) for one in re.findall(r'href="/orders/(\d+)"', page)]
    assert listed == [order.order_id, *reversed(over[1:])], "a draft is listed however many were drafted since"
    page = client.get(older[1]).text
    assert [int(one) for one in re.findall(r'href="/orders/(\d+)"', page)] == [order.order_id, over[0]]
    assert 'href="/orders#over"' in page
    assert "Older orders" not in page
    assert "None is older" in client.get("/orders?before=1").text
    assert client.get("/orders?before=x").status_code == 422
    assert client.get(f"/orders?before={'9' * 30}").status_code == 422


def test_the_workbook_has_numbers_for_numbers(client: FlaskClient, order: OrderView) -> None:
    answer = client.get(f"/orders/{order.order_id}/sheet.xlsx")
    sheet = openpyxl.load_workbook(io.BytesIO(answer.data)).active
    header, line = sheet.iter_rows(values_only=True)
    assert line[: header.index("currency")] == (
        "PLA Slate black",
        f"NQ-{order.lines[0].item.article_id}",
        1000,
        2,
        2,
        19,
        38,
    )


def test_all_drafts_are_printed_as_one_file_and_sent_by_one_press(
    client: FlaskClient, shop: TestWorkshop, offers: list[int], order: OrderView, key: Key
) -> None:
    second = _view(shop, _drafted(shop, offers[0]))
    page = client.get("/orders").text
    assert "All sheets to print" in page
    pdf = client.get("/orders/sheets.pdf").data
    assert [code for one in pages_of(pdf, 300) for code in codes_in(one)] == [order.code, second.code]
    assert "Page 1 of 1" in words_of(pdf)[1]
    ids = re.findall(r'name="order" value="(\d+)"', page)
    sent = client.post("/orders/sent", data={"key": key(), "order": ids}, follow_redirects=True)
    assert "2 orders are sent." in sent.text
    assert "All sheets to print" not in sent.text
    assert "No order is drafted" in client.get("/orders/sheets.pdf", follow_redirects=True).text
    again = client.post("/orders/sent", data={"key": key(), "order": ids})
    assert again.status_code == 409
    for number, status in (("99999999999", 422), ("2147483647", 404), ("x", 422)):
        assert client.post("/orders/sent", data={"key": key(), "order": number}).status_code == status
    assert client.post("/orders/sent", data={"key": key()}).status_code == 422


def test_the_mail_is_there_to_copy_without_any_script(
    client: FlaskClient, shop: TestWorkshop, order: OrderView
) -> None:
    page = client.get(f"/orders/{order.order_id}").text
    text = html.unescape(re.search(r'<textarea id="mail"[^>]*readonly[^>]*>(.*?)</textarea>', page, re.DOTALL)[1])  # type: ignore[index] # else it fails
    assert text.startswith(f"Order {order.code} of ")
    assert "2 x PLA Slate black" in text
    assert "No mail address of North Quay is known" in page
    assert re.search(r'<button[^>]*hidden[^>]*data-copy="mail"', page)
    with shop.store.write() as session:
        session.get_one(Supplier, order.supplier_id).mail = "orders@north-quay.example"
    assert 'href="mailto:orders@north-quay.example?subject=Order%20' in client.get(f"/orders/{order.order_id}").text


def test_an_order_abroad_is_never_written_in_our_money(
    client: FlaskClient, shop: TestWorkshop, order: OrderView, key: Key
) -> None:
    with shop.store.write() as session:
        session.get_one(Supplier, order.supplier_id).currency = "USD"
    page = client.get(f"/orders/{order.order_id}").text
    assert "US$38.00" in page
    assert "is paid in USD" in page
    assert "US$38.00" in client.get("/orders").text
    line = order.lines[0].line_id
    booking = client.get(f"/deliveries?order={order.order_id}").text
    assert re.search(rf'name="price-{line}" value=""', booking), "no price is filled in"
    sent = {"key": key(), "do": "book", "order": str(order.order_id), f"spools-{line}": "1"}
    refused = client.post("/deliveries", data=sent)
    assert refused.status_code == 422
    assert "priced in USD" in refused.text
    booked = client.post("/deliveries", data=sent | {"key": key(), f"price-{line}": "17.50"}, follow_redirects=True)
    assert "Still to come of order" in booked.text


def test_an_order_whose_offer_was_withdrawn_says_so(
    client: FlaskClient, shop: TestWorkshop, offers: list[int], order: OrderView
) -> None:
    shop.do(lambda s: catalogue.retire_offer(session=s, now=shop.now, by=by(), offer_id=offers[0]))
    page = client.get(f"/orders/{order.order_id}").text
    assert "withdrawn since" in page
    assert client.get(f"/orders/{order.order_id}/sheet.pdf").status_code == 200
    assert client.get(f"/orders/{order.order_id}/sheet.csv").status_code == 200


def test_an_orders_code_at_the_bench_opens_what_came_of_it(client: FlaskClient, order: OrderView, key: Key) -> None:
    (page,) = pages_of(client.get(f"/orders/{order.order_id}/sheet.pdf").data, 300)
    (code,) = codes_in(page)
    heard = client.post("/bench", data={"key": key(), "code": code})
    assert heard.status_code == 200
    there = f"/deliveries?order={order.order_id}"
    assert f'href="{there}"' in heard.text
    assert "What came of order" in client.get(there).text
