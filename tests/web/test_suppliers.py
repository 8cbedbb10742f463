"""The page of a supplier, and what Setup and an item's page ask for the sake of ordering."""

from collections.abc import Callable
from datetime import timedelta

import pytest
from flask.testing import FlaskClient

from spoolkeep.domain.words import OrderState
from spoolkeep.services import orders
from spoolkeep.services.catalogue import SupplierEntry
from spoolkeep.services.deliveries import Arrived, book_delivery
from spoolkeep.services.orders import Wanted
from spoolkeep.services.shop import load_shop
from spoolkeep.store.engine import Store
from spoolkeep.store.tables import Article, BasketBreak, CalendarDay, Supplier
from tests.web.conftest import Browser
from tests.workshop import TestWorkshop, by

Key = Callable[[], str]
TERMS = {
    "do": "describe",
    "name": "Fen Road Plastics",
    "address": "6 Fen Road",
    "mail": "orders@fenroad.example",
    "note": "Ask for Ivo.",
    "lead_days": "6",
    "lead_spread_days": "2",
    "order_day_0": "yes",
    "order_day_3": "yes",
    "parcel": "7.90",
    "free_freight": "150",
    "least": "50",
}
SETTINGS = {
    "do": "settings",
    "name": "Alder works",
    "locale": "en_GB",
    "currency": "EUR",
    "zone": "Europe/Berlin",
    "day_starts_hour": "4",
    "opens_hour": "8",
    "share_low": "1",
    "share_high": "2",
    "review_days": "7",
    "cover_days": "28",
    "safety_days": "3",
    "lead_days": "5",
}
ORDERING = {
    "order_minutes": "10",
    "idle": "40",
    "idle_busy": "90",
    "busy_11": "yes",
    "busy_12": "yes",
    "late": "5",
    "budget": "300",
    "shelf_spools": "120",
}
HUGE = "9" * 5000


@pytest.fixture
def store(sqlite_store: Store) -> Store:
    """Give a store on one database: the services are asked on both."""
    return sqlite_store


@pytest.fixture
def supplier(client: FlaskClient, shop: TestWorkshop, key: Key) -> str:
    """Give the address of a supplier."""
    assert shop.articles
    client.post("/setup", data={"key": key(), "do": "supplier", "name": "North Quay"})
    assert '<a href="/orders/suppliers/1">North Quay</a>' in client.get("/setup").text
    return "/orders/suppliers/1"


def test_a_supplier_s_terms_are_kept_and_taken_back(
    client: FlaskClient, shop: TestWorkshop, supplier: str, key: Key
) -> None:
    assert client.post(supplier, data={"key": key(), **TERMS}).status_code == 302
    with shop.store.read() as session:
        row = session.get_one(Supplier, 1)
        assert (row.name, row.order_days, row.lead_spread_days) == ("Fen Road Plastics", 0b0001001, 2)
        assert (row.parcel_minor, row.free_freight_minor, row.least_minor) == (790, 15_000, 5000)
    page = client.get(supplier).text
    assert "orders@fenroad.example" in page
    assert "Ask for Ivo." in page
    acts = client.get("/setup/acts").text
    act = int(acts.partition('action="/setup/acts/')[2].partition("/")[0])
    client.post(f"/setup/acts/{act}/undo", data={"key": key()})
    with shop.store.read() as session:
        assert session.get_one(Supplier, 1).name == "North Quay"


@pytest.mark.parametrize(
    ("field", "typed", "words"),
    [
        ("lead_days", "-3", "0 to 365 days"),
        ("lead_days", HUGE, "not a whole number"),
        ("lead_spread_days", "4000000000", "too large"),
        ("parcel", "-1", "0 or more"),
        ("parcel", HUGE, "too large"),
        ("least", "soon", "not a number"),
        ("name", "", "Give it a name"),
        ("mail", "nobody", "has an @"),
    ],
)
def test_terms_that_cannot_be_are_refused_and_what_was_typed_stays(
    client: FlaskClient, supplier: str, key: Key, field: str, typed: str, words: str
) -> None:
    refused = client.post(supplier, data={"key": key(), **TERMS, field: typed})
    assert refused.status_code == 422
    assert words in refused.text
    assert "Ask for Ivo." in refused.text


def test_an_order_day_is_ticked_at_least(client: FlaskClient, supplier: str, key: Key) -> None:
    form = {name: typed for name, typed in TERMS.items() if not name.startswith("order_day")}
    refused = client.post(supplier, data={"key": key(), **form})
    assert refused.status_code == 422
    assert "Tick one weekday at least" in refused.text


def test_what_is_off_a_basket_is_entered_and_withdrawn(
    client: FlaskClient, shop: TestWorkshop, supplier: str, key: Key
) -> None:
    form = {"do": "break", "from_spools": "10", "off": "5"}
    assert client.post(supplier, data={"key": key(), **form}).status_code == 302
    assert "From 10 spools on 5 % off" in client.get(supplier).text
    for wrong in ({"from_spools": "20"}, {"off": "100"}, {"off": HUGE}, {"from_spools": "1"}, {"from_spools": HUGE}):
        assert client.post(supplier, data={"key": key(), **form, **wrong}).status_code in {409, 422}, wrong
    assert client.post(supplier, data={"key": key(), "do": "no break", "break": "1"}).status_code == 302
    with shop.store.read() as session:
        assert session.get_one(BasketBreak, 1).live is False
    assert client.post(supplier, data={"key": key(), "do": "no break", "break": "7"}).status_code == 404


def test_a_supplier_s_closed_days_are_entered_and_opened(
    client: FlaskClient, shop: TestWorkshop, supplier: str, key: Key
) -> None:
    days = {"from_day": "2026-04-01", "until_day": "2026-04-03"}
    assert client.post(supplier, data={"key": key(), "do": "close", "why": "stocktaking", **days}).status_code == 302
    assert "stocktaking" in client.get(supplier).text
    assert "stocktaking" not in client.get("/stock/ahead").text
    with shop.store.read() as session:
        assert session.get_one(CalendarDay, 1).supplier_id == 1
    turned = {"from_day": "2026-04-03", "until_day": "2026-04-01"}
    assert client.post(supplier, data={"key": key(), "do": "close", **turned}).status_code == 422
    assert client.post(supplier, data={"key": key(), "do": "close"}).status_code == 422
    assert client.post(supplier, data={"key": key(), "do": "open", **days}).status_code == 302
    assert "stocktaking" not in client.get(supplier).text


def test_its_offers_are_listed_and_withdrawn(client: FlaskClient, supplier: str, key: Key) -> None:
    offer = {"do": "offer", "supplier": "1", "article": "1", "spool_grams": "1000", "price": "19"}
    client.post("/setup", data={"key": key(), **offer})
    assert "Withdraw PLA Slate black" in client.get(supplier).text
    assert client.post(supplier, data={"key": key(), "do": "offers", "offer": "1"}).status_code == 302
    assert "No offer from this supplier yet" in client.get(supplier).text


def test_what_is_no_act_and_who_is_no_supplier_is_refused(client: FlaskClient, supplier: str, key: Key) -> None:
    assert client.post(supplier, data={"key": key(), "do": "dance"}).status_code == 422
    assert client.get("/orders/suppliers/99").status_code == 404
    assert client.post("/orders/suppliers/99", data={"key": key(), **TERMS}).status_code == 404


def came(shop: TestWorkshop, key: Key, client: FlaskClient) -> None:
    """Let an order be sent, promised, and come two days late."""
    offer = {"do": "offer", "supplier": "1", "article": "1", "spool_grams": "1000", "price": "19"}
    client.post("/setup", data={"key": key(), **offer})
    sent = shop.now - timedelta(days=20)
    wanted = [Wanted(1, 2)]
    (number,) = shop.do(lambda s: orders.draft(session=s, now=sent, by=by(), wanted=wanted)).order_ids
    for state, day in ((OrderState.SENT, None), (OrderState.PROMISED, sent.date() + timedelta(days=7))):
        shop.do(
            lambda s, state=state, day=day: orders.move_on(  # type: ignore[misc] # bound here
                session=s, now=sent, by=by(), order_id=number, state=state, promised_for=day
            )
        )
    arrived = [Arrived(1, 2, 1_000_000, 1900, order_line_id=1)]
    at = sent + timedelta(days=9)
    shop.do(lambda s: book_delivery(session=s, now=at, by=by(), arrived=arrived, order_id=number))


def test_how_long_it_took_stands_beside_what_the_owner_says(
    client: FlaskClient, shop: TestWorkshop, supplier: str, browser: Browser, key: Key
) -> None:
    assert "Nothing came of an order of it yet" in client.get(supplier).text
    came(shop, key, client)
    page = browser("reader").get(supplier).text
    assert "How long 1 delivery took" in page
    assert "that counts for four deliveries beside the 1 that came" in page
    assert "2\N{NO-BREAK SPACE}days late" in page
    assert "0 of 1" in page
    # sent on Thursday 12 February, in on Saturday the 21st: Friday, and Monday to Friday
    assert '<td class="num" data-label="By the calendar">9\N{NO-BREAK SPACE}days</td>' in page
    assert '<td class="num" data-label="In carrier days">6</td>' in page


def test_what_orders_and_stops_are_weighed_by_is_kept_and_stays_where_a_form_does_not_ask(
    client: FlaskClient, shop: TestWorkshop, key: Key
) -> None:
    for form in (SETTINGS | ORDERING, SETTINGS):
        assert client.post("/setup/settings", data={"key": key(), **form}).status_code == 302
        with shop.store.read() as session:
            found = load_shop(session)
        assert (found.order_seconds, found.idle_ppm, found.idle_busy_ppm) == (600, 400_000, 900_000)
        assert (found.busy_months, found.late_minor) == (0b110000000000, 500)
        assert (found.budget_minor, found.shelf_spools) == (30_000, 120)
    client.post("/setup/settings", data={"key": key(), **SETTINGS, **ORDERING, "budget": "", "shelf_spools": ""})
    with shop.store.read() as session:
        assert (load_shop(session).budget_minor, load_shop(session).shelf_spools) == (None, None)


@pytest.mark.parametrize(
    ("field", "typed"),
    [
        ("order_minutes", "-1"),
        ("order_minutes", HUGE),
        ("idle", "101"),
        ("idle_busy", "-1"),
        ("late", "-2"),
        ("late", "90000000"),
        ("budget", "0"),
        ("budget", HUGE),
        ("shelf_spools", "0"),
        ("shelf_spools", "2000000000"),
    ],
)
def test_settings_that_cannot_be_are_refused(client: FlaskClient, key: Key, field: str, typed: str) -> None:
    assert client.post("/setup/settings", data={"key": key(), **SETTINGS, **ORDERING, field: typed}).status_code == 422


def test_an_item_s_own_risk_is_entered_on_its_page(client: FlaskClient, shop: TestWorkshop, key: Key) -> None:
    assert "It follows from what a stop" in client.get("/stock/1").text
    assert client.post("/stock/1", data={"key": key(), "do": "risk", "risk": "2.5"}).status_code == 302
    with shop.store.read() as session:
        assert session.get_one(Article, 1).risk_ppm == 25_000
    assert "You accept 2.5 %" in client.get("/stock/1").text
    for wrong in ("0", "50", "-1", HUGE, "often"):
        assert client.post("/stock/1", data={"key": key(), "do": "risk", "risk": wrong}).status_code == 422
    assert client.post("/stock/1", data={"key": key(), "do": "risk", "risk": ""}).status_code == 302
    assert "It follows from what a stop" in client.get("/stock/1").text


def test_an_offer_is_in_what_its_supplier_is_paid_in_wherever_it_is_listed(
    client: FlaskClient, shop: TestWorkshop
) -> None:
    shop.run_low()
    shop.offered(SupplierEntry("Harbour", currency="CHF"), 1234, (5, 1100))
    for page in (f"/stock/{shop.articles[0]}", "/setup/offers", "/setup", "/orders/suppliers/1"):
        text = client.get(page).text.replace("\N{NO-BREAK SPACE}", "")
        assert "CHF12.34 <small>CHF11.00 from 5</small>" in text, page
    assert ",1234,CHF," in client.get("/setup/offers?as=csv").text
