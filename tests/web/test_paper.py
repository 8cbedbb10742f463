"""Labels and sheets are pressed once the books are closed, so that a slow page never holds a reader open."""

from collections.abc import Callable, Iterator
from contextlib import contextmanager
from typing import Any

import pytest
from flask.testing import FlaskClient

from spoolkeep.domain.words import OrderState
from spoolkeep.paper.labels import press_labels
from spoolkeep.paper.sheets import press_reorder_sheet, press_reorder_sheets
from spoolkeep.services import catalogue, choices, orders, sheets
from spoolkeep.services.catalogue import OfferEntry, SupplierEntry
from spoolkeep.services.orders import Wanted
from spoolkeep.store.engine import Session
from spoolkeep.web import doors
from tests.paper.pictures import codes_in, pages_of
from tests.workshop import TestWorkshop, by


@pytest.fixture
def open_while_pressed(monkeypatch: pytest.MonkeyPatch) -> list[int]:
    """Give, for each pressing of the test, how many readers were open meanwhile."""
    now_open = 0
    reading = doors.reading
    seen: list[int] = []

    @contextmanager
    def counted() -> Iterator[Session]:
        nonlocal now_open
        with reading() as session:
            now_open += 1
            try:
                yield session
            finally:
                now_open -= 1

    def watched(press: Callable[..., bytes]) -> Callable[..., bytes]:
        def pressed(*given: Any, **named: Any) -> bytes:  # noqa: ANN401 - whatever the press takes
            seen.append(now_open)
            return press(*given, **named)

        return pressed

    monkeypatch.setattr(doors, "reading", counted)
    monkeypatch.setattr("spoolkeep.services.labels.press_labels", watched(press_labels))
    monkeypatch.setattr("spoolkeep.web.orders.press_reorder_sheet", watched(press_reorder_sheet))
    monkeypatch.setattr("spoolkeep.web.orders.press_reorder_sheets", watched(press_reorder_sheets))
    monkeypatch.setattr("spoolkeep.services.sheets.as_csv", watched(sheets.as_csv))
    monkeypatch.setattr("spoolkeep.services.sheets.as_workbook", watched(sheets.as_workbook))
    return seen


def _ordered(shop: TestWorkshop) -> int:
    supplier = shop.do(
        lambda s: catalogue.add_supplier(session=s, now=shop.now, by=by(), entry=SupplierEntry(name="North Quay"))
    ).row_id
    entry = OfferEntry(supplier, shop.articles[0], 1_000_000, 1900)
    offer = shop.do(lambda s: catalogue.add_offer(session=s, now=shop.now, by=by(), entry=entry)).row_id
    wanted = [Wanted(offer, 2)]
    order = shop.do(lambda s: orders.draft(session=s, now=shop.now, by=by(), wanted=wanted)).order_ids[0]
    shop.do(lambda s: orders.move_on(session=s, now=shop.now, by=by(), order_id=order, state=OrderState.SENT))
    return order


def test_nothing_is_pressed_while_the_books_are_open(
    client: FlaskClient, shop: TestWorkshop, open_while_pressed: list[int]
) -> None:
    shop.deliver(spools=3)
    order = _ordered(shop)
    with shop.store.read() as session:
        offer = choices.offers(session=session)[0].offer_id
    shop.do(lambda s: orders.draft(session=s, now=shop.now, by=by(), wanted=[Wanted(offer, 2)]))
    paths = (
        "/deliveries/1/labels.pdf?start=2",
        "/labels/places.pdf",
        "/labels/cards.pdf",
        f"/orders/{order}/sheet.pdf",
        f"/orders/{order}/sheet.csv",
        f"/orders/{order}/sheet.xlsx",
        "/orders/sheets.pdf",
    )
    for path in paths:
        answer = client.get(path)
        assert answer.status_code == 200
        assert answer.data.startswith(b"%PDF") or path.endswith(("csv", "xlsx"))
    assert open_while_pressed == [0] * len(paths)


def test_one_place_and_one_feed_have_labels_of_their_own(client: FlaskClient, shop: TestWorkshop) -> None:
    codes = [shop.places[0], shop.feeds[1]]
    answer = client.get("/labels/places.pdf", query_string={"code": codes, "stock": "50x25"})
    assert [code for page in pages_of(answer.data, 203) for code in codes_in(page)] == codes
    assert f"code={shop.places[0]}" in client.get("/setup").text
