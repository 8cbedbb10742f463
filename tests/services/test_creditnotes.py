"""What went back to a supplier is due as credit, at what was left of its cost, until it comes."""

from datetime import datetime

import pytest
from sqlalchemy import select

from spoolkeep.domain.errors import BadInput, Conflict
from spoolkeep.domain.words import Kind
from spoolkeep.services import creditnotes, deliveries, spools, undoing
from spoolkeep.services.creditnotes import CreditView
from spoolkeep.store.engine import Store
from spoolkeep.store.tables import Delivery, Order, Spool, Supplier
from tests.workshop import TestWorkshop, by


@pytest.fixture
def shop(store: Store, now: datetime) -> TestWorkshop:
    """Give a shop with three spools at 19.00, two of one supplier and one of another."""
    shop = TestWorkshop(store, now)
    shop.deliver(3)
    with store.write() as session:
        session.add_all([Supplier(name="North Quay"), Supplier(name="Brook Mill")])
        session.flush()
        for spool in session.scalars(select(Spool)):
            spool.supplier_id = 1 if spool.id < 3 else 2
    return shop


def due(shop: TestWorkshop) -> list[CreditView]:
    with shop.store.read() as session:
        return creditnotes.due(session=session)


def send_back(shop: TestWorkshop) -> deliveries.DeliveryAnswer:
    with shop.store.read() as session:
        codes = deliveries.codes_of(session=session, delivery_id=1)
    return shop.do(lambda s: deliveries.send_back(session=s, now=shop.now, by=by(), spool_codes=codes, note="crushed"))


def test_what_goes_back_is_due_from_each_supplier(shop: TestWorkshop) -> None:
    send_back(shop)
    assert [(one.supplier, one.spools, one.asked_minor, one.note) for one in due(shop)] == [
        ("North Quay", 2, 3800, "crushed"),
        ("Brook Mill", 1, 1900, "crushed"),
    ]


def test_part_of_a_spool_is_due_for_its_part(shop: TestWorkshop) -> None:
    with shop.store.read() as session:
        code = deliveries.codes_of(session=session, delivery_id=1)[0]
    shop.do(lambda s: spools.give_up(session=s, now=shop.now, by=by(), spool_code=code, kind=Kind.RETURN, mg=250_000))
    assert [one.asked_minor for one in due(shop)] == [475]
    shop.do(lambda s: spools.give_up(session=s, now=shop.now, by=by(), spool_code=code, kind=Kind.SCRAP))
    assert len(due(shop)) == 1, "what is scrapped is nobody's debt"


def test_what_came_is_entered_once_and_says_what_is_short(shop: TestWorkshop) -> None:
    send_back(shop)
    first, _ = due(shop)
    with pytest.raises(BadInput, match="0 where nothing did"):
        shop.do(lambda s: creditnotes.came(session=s, now=shop.now, by=by(), number=first.number, minor=-1))
    answer = shop.do(lambda s: creditnotes.came(session=s, now=shop.now, by=by(), number=first.number, minor=3000))
    assert answer.short_minor == 800
    assert len(due(shop)) == 1
    with pytest.raises(Conflict, match="came before"):
        shop.do(lambda s: creditnotes.came(session=s, now=shop.now, by=by(), number=first.number, minor=3800))


def test_no_more_comes_back_than_was_paid_for_the_order(shop: TestWorkshop) -> None:
    """Three spools at 19.00 came together: 57.00, of which one, half used, goes back."""
    with shop.store.read() as session:
        code = deliveries.codes_of(session=session, delivery_id=1)[0]
    shop.do(lambda s: spools.give_up(session=s, now=shop.now, by=by(), spool_code=code, kind=Kind.RETURN, mg=500_000))
    (one,) = due(shop)

    def come(minor: int) -> creditnotes.CreditAnswer:
        return shop.do(lambda s: creditnotes.came(session=s, now=shop.now, by=by(), number=one.number, minor=minor))

    with pytest.raises(BadInput, match=r"came to €57\.00, so €57\.01 cannot come back"):
        come(5701)
    assert due(shop) == [one]
    assert come(5700).short_minor == 950 - 5700, "a supplier may give back all of it"


def test_what_came_in_parts_of_one_order_is_paid_for_together(shop: TestWorkshop) -> None:
    with shop.store.write() as session:
        session.add(Order(serial=1, supplier_id=1, drafted_at=shop.now))
        session.flush()
        session.get_one(Delivery, 1).order_id = 1
    shop.deliver(1, price_minor=2500)
    with shop.store.write() as session:
        session.get_one(Delivery, 2).order_id = 1
    send_back(shop)
    first, _ = due(shop)
    with pytest.raises(BadInput, match=r"came to €82\.00"):
        shop.do(lambda s: creditnotes.came(session=s, now=shop.now, by=by(), number=first.number, minor=8201))
    shop.do(lambda s: creditnotes.came(session=s, now=shop.now, by=by(), number=first.number, minor=8200))


def test_an_undone_return_asks_for_nothing(shop: TestWorkshop) -> None:
    act_id = send_back(shop).act_id
    shop.do(lambda s: undoing.undo_act(session=s, now=shop.now, by=by(), act_id=act_id))
    assert due(shop) == []
