"""The page on which a delivery is booked in, and the delivery's own: scans, what differs, and what is not right."""

import re
from collections.abc import Callable

import pytest
from flask.testing import FlaskClient
from sqlalchemy import func, select
from sqlmodel import col

from spoolkeep.domain.words import OrderState
from spoolkeep.services import catalogue, orderbook, orders
from spoolkeep.services.catalogue import OfferEntry, SupplierEntry
from spoolkeep.services.orderbook import OrderView
from spoolkeep.services.orders import Wanted
from spoolkeep.store.tables import Offer, Spool
from tests.paper.pictures import codes_in, pages_of
from tests.workshop import TestWorkshop, by

EAN = "6291041500213"
Key = Callable[[], str]


@pytest.fixture
def order(shop: TestWorkshop) -> OrderView:
    """Give an order of 20 and 3 spools that was sent."""
    entry = SupplierEntry(name="North Quay")
    supplier = shop.do(lambda s: catalogue.add_supplier(session=s, now=shop.now, by=by(), entry=entry)).row_id
    wanted = []
    for article, spools in zip(shop.articles, (20, 3), strict=True):
        offer = OfferEntry(supplier, article, 1_000_000, 1900, tare_mg=210_000)
        made = shop.do(lambda s, o=offer: catalogue.add_offer(session=s, now=shop.now, by=by(), entry=o))  # type: ignore[misc] # a lambda in a loop
        wanted.append(Wanted(made.row_id, spools))
    number = shop.do(lambda s: orders.draft(session=s, now=shop.now, by=by(), wanted=wanted)).order_ids[0]
    sent = OrderState.SENT
    shop.do(lambda s: orders.move_on(session=s, now=shop.now, by=by(), order_id=number, state=sent))
    with shop.store.read() as session:
        return orderbook.view(session=session, now=shop.now, order_id=number)


def fields(html: str) -> dict[str, str]:
    """Give what the form that books in would send now."""
    form = html[html.index('name="scan"') :]
    found = {}
    for tag in re.findall(r"<input[^>]*>", form[: form.index("</form>")]):
        name, value = (re.search(rf'{what}="([^"]*)"', tag) for what in ("name", "value"))
        if name and 'type="radio"' not in tag:
            found[name[1]] = value[1] if value else ""
    return found


def count(shop: TestWorkshop) -> int:
    with shop.store.read() as session:
        return session.scalars(select(func.count()).select_from(Spool)).one()


def test_an_order_is_scanned_and_booked_in_with_a_makers_code(
    client: FlaskClient, shop: TestWorkshop, order: OrderView, key: Key
) -> None:
    opened = client.post("/deliveries", data={"key": key(), "do": "hear", "scan": order.code})
    assert f"What came of order" in opened.text  # noqa: F541 - said as on the page
    line = order.lines[0].line_id
    asked = client.post("/deliveries", data=fields(opened.text) | {"do": "hear", "scan": EAN, "key": key()})
    assert "Choose the line" in asked.text, "two lines await something"
    booked = client.post("/deliveries", data=fields(asked.text) | {"do": "book", "key": key(), "code_line": str(line)})
    assert booked.status_code == 302
    assert count(shop) == 23
    with shop.store.read() as session:
        codes = session.scalars(select(col(Offer.retail_code)).where(col(Offer.retail_code).is_not(None)))
        assert codes.all() == [EAN]
    page = client.get(booked.location)
    assert f'<iframe class="labels-open" src="{booked.location}/labels.pdf"' in page.text
    labels = client.get(f"{booked.location}/labels.pdf?from=20")
    assert labels.headers["X-Frame-Options"] == "SAMEORIGIN"
    assert len([code for one in pages_of(labels.data, 300) for code in codes_in(one)]) == 4


def test_enter_without_a_scan_books_nothing_and_loses_nothing(
    client: FlaskClient, shop: TestWorkshop, order: OrderView, key: Key
) -> None:
    lot = f"lot-{order.lines[0].line_id}"
    sent = {"key": key(), "do": "hear", "scan": "", "order": str(order.order_id), lot: "B-7", "freight": "4.90"}
    kept = client.post("/deliveries", data=sent)
    assert "Nothing was scanned" in kept.text
    assert fields(kept.text)[lot] == "B-7"
    assert fields(kept.text)["freight"] == "4.90"
    heard = client.post("/deliveries", data=fields(kept.text) | {"do": "hear", "scan": shop.places[0], "key": key()})
    assert "It goes to Long shelf." in heard.text
    assert fields(heard.text)[lot] == "B-7"
    assert count(shop) == 0


def test_a_code_that_is_no_such_thing_is_refused_and_what_was_typed_stays(
    client: FlaskClient, order: OrderView, key: Key
) -> None:
    sent = {"key": key(), "do": "hear", "scan": "hello", "order": str(order.order_id), "freight": "4.90"}
    refused = client.post("/deliveries", data=sent)
    assert refused.status_code == 422
    assert fields(refused.text)["freight"] == "4.90"


def test_another_price_asks_and_then_is_booked(
    client: FlaskClient, shop: TestWorkshop, order: OrderView, key: Key
) -> None:
    opened = client.get(f"/deliveries?order={order.order_id}")
    price = f"price-{order.lines[0].line_id}"
    changed = fields(opened.text) | {"do": "book", price: "21.00", "key": key()}
    asked = client.post("/deliveries", data=changed)
    assert asked.status_code == 409
    assert 'value="this time only"' in asked.text
    assert fields(asked.text)[price] == "21.00"
    assert count(shop) == 0
    booked = client.post("/deliveries", data=changed | {"lasting": "this time only"})
    assert booked.status_code == 302
    assert count(shop) == 23


def test_spools_of_a_delivery_are_set_aside_let_go_and_sent_back(
    client: FlaskClient, shop: TestWorkshop, key: Key
) -> None:
    codes = shop.deliver(spools=3)
    page = "/deliveries/1"
    nothing = client.post(page, data={"key": key(), "do": "aside"})
    assert nothing.status_code == 422
    assert "Choose at least one spool" in nothing.text
    client.post(page, data={"key": key(), "do": "aside", "spool": list(codes[:2]), "why": "crushed"})
    shown = client.get(page).text
    assert (shown.count("set aside</span> crushed"), shown.count("Set aside: 2 spools")) == (2, 1)
    client.post(page, data={"key": key(), "do": "let go", "spool": list(codes[:2])})
    assert "</span> crushed" not in client.get(page).text
    client.post(page, data={"key": key(), "do": "back", "spool": list(codes[:1])})
    assert client.get(page).text.count("gone") == 1


def test_a_spool_is_set_aside_and_let_go_on_its_own_page(client: FlaskClient, shop: TestWorkshop, key: Key) -> None:
    (code,) = shop.deliver()
    client.post(f"/spools/{code}", data={"key": key(), "do": "aside", "why": "damp"})
    assert "Set aside: damp." in client.get(f"/spools/{code}").text
    client.post(f"/spools/{code}", data={"key": key(), "do": "let-go"})
    assert "Set aside: damp" not in client.get(f"/spools/{code}").text


def test_stocks_are_kept_nudged_and_withdrawn_on_their_page(client: FlaskClient, key: Key) -> None:
    own = {
        "name": "60x40",
        "kind": "roll",
        "surface": "thermal-transfer film",
        "dpi": "300",
        "columns": "1",
        "rows": "1",
    }
    sizes = {"page_width": "60", "page_height": "40", "label_width": "60", "label_height": "40", "rows": "1"}
    refused = client.post("/labels", data={"key": key(), "do": "stock", **own, **sizes, "label_width": "70"})
    assert refused.status_code == 422
    assert 'value="70"' in refused.text
    client.post("/labels", data={"key": key(), "do": "stock", **own, **sizes})
    client.post("/labels", data={"key": key(), "do": "nudge", "name": "60x40", "nudge_x": "0.5", "nudge_y": "-0.5"})
    client.post("/labels", data={"key": key(), "do": "usual", "name": "60x40"})
    page = client.get("/labels").text
    assert "60x40: Roll, 60 by 40 mm, 300 dots an inch" in page
    assert 'value="-0.5"' in page
    for path in ("calibration.pdf?stock=60x40", "cards.pdf", "places.pdf"):
        assert client.get(f"/labels/{path}").data.startswith(b"%PDF")
    client.post("/labels", data={"key": key(), "do": "withdraw", "name": "60x40"})
    assert "60x40: Roll" not in client.get("/labels").text
    assert client.get("/labels/calibration.pdf?stock=60x40").status_code == 422


def test_a_jobs_ticket_is_printed_and_works_at_the_bench(client: FlaskClient, shop: TestWorkshop, key: Key) -> None:
    shop.deliver()
    planned = {"key": key(), "do": "plan", "title": "Cable comb", "machine": "1", "feed-1": "40"}
    client.post("/jobs", data=planned)
    printed = client.post("/jobs/1/ticket", data={"key": key()}, follow_redirects=True)
    (code,) = codes_in(pages_of(printed.data, 300)[0])
    heard = client.post("/bench", data={"key": key(), "code": code})
    assert "came off good, or bad" in heard.text
    assert client.get("/jobs/2/ticket.pdf").status_code == 404
