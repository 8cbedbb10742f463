"""What the page of the last acts says of orders: which one, whose, what of it and how many."""

from collections.abc import Callable
from datetime import datetime, timedelta
from typing import TypeVar

import pytest
from sqlalchemy.orm import Session

from spoolkeep.domain.words import OrderState
from spoolkeep.services import acts, creditnotes, deliveries, orderacts, orderdrafts, orders, undoing
from spoolkeep.services.orders import Wanted
from spoolkeep.store.engine import Store
from spoolkeep.store.tables import Offer, Supplier
from tests.workshop import TestWorkshop, by

T = TypeVar("T")
BLACK, WHITE = 1, 2


@pytest.fixture
def shop(store: Store, now: datetime) -> TestWorkshop:
    """Give a workshop to which North Quay offers both items."""
    shop = TestWorkshop(store, now)
    with store.write() as session:
        session.add(Supplier(name="North Quay"))
        session.flush()
        session.add_all([Offer(supplier_id=1, article_id=one, spool_mg=10**6, price_minor=1900) for one in (1, 2)])
    return shop


def told(shop: TestWorkshop, what: Callable[[Session], T]) -> str:
    """Give what is said of the last act, once this one was done."""
    shop.do(what)
    with shop.store.read() as session:
        (last, *_) = acts.recent(session=session, limit=1)
        return orderacts.told(session=session, act_ids=[last.act_id]).get(last.act_id, "")


def test_each_act_on_an_order_names_it_with_its_supplier_items_and_numbers(shop: TestWorkshop) -> None:
    now, day = shop.now, shop.now.date() + timedelta(days=9)
    wanted = [Wanted(BLACK, 4), Wanted(WHITE, 1)]
    whose = "R00000142 from North Quay"
    drafted = f"{whose}: 4 PLA Slate black, 1 PLA Chalk white"
    assert told(shop, lambda s: orders.draft(session=s, now=now, by=by(), wanted=wanted)) == drafted
    assert (
        told(shop, lambda s: orderdrafts.set_spools(session=s, now=now, by=by(), order_id=1, spools={1: 6, 2: 0}))
        == f"{whose}: 4 to 6 PLA Slate black, without PLA Chalk white"
    )
    with shop.store.read() as session:
        first = min(one.act_id for one in acts.recent(session=session) if one.kind == "draft order")
        assert orderacts.told(session=session, act_ids=[first]) == {first: drafted}, "as it was drafted"
    assert (
        told(
            shop,
            lambda s: orderdrafts.note_and_day(session=s, now=now, by=by(), order_id=1, note="Ring.", needed_by=day),
        )
        == f"{whose}: note changed, needed by 13 Mar 2026"
    )
    assert (
        told(shop, lambda s: orderdrafts.add_line(session=s, now=now, by=by(), order_id=1, wanted=Wanted(WHITE, 2)))
        == f"{whose}: 2 PLA Chalk white"
    )
    everything = f"{whose}: 6 PLA Slate black, 2 PLA Chalk white"
    assert told(shop, lambda s: orderdrafts.send_all(session=s, now=now, by=by(), order_ids=[1])) == everything
    assert (
        told(
            shop,
            lambda s: orders.move_on(
                session=s, now=now, by=by(), order_id=1, state=OrderState.PROMISED, promised_for=day
            ),
        )
        == f"{everything}, promised for 13 Mar 2026"
    )
    assert (
        told(shop, lambda s: orders.move_on(session=s, now=now, by=by(), order_id=1, state=OrderState.CALLED_OFF))
        == everything
    )


def test_an_undo_says_what_it_puts_back(shop: TestWorkshop) -> None:
    now = shop.now
    shop.do(lambda s: orders.draft(session=s, now=now, by=by(), wanted=[Wanted(BLACK, 4)]))
    changed = shop.do(lambda s: orderdrafts.set_spools(session=s, now=now, by=by(), order_id=1, spools={1: 6}))
    assert (
        told(shop, lambda s: undoing.undo_act(session=s, now=now, by=by(), act_id=changed.act_id))
        == "R00000142 from North Quay: 6 to 4 PLA Slate black"
    )


def test_a_credit_names_its_supplier_and_its_sums(shop: TestWorkshop) -> None:
    (code,) = shop.deliver(1)
    back = "credit of €19.00 from no supplier is due"
    assert told(shop, lambda s: deliveries.send_back(session=s, now=shop.now, by=by(), spool_codes=[code])) == back
    assert (
        told(shop, lambda s: creditnotes.came(session=s, now=shop.now, by=by(), number=1, minor=1500))
        == "of €19.00 from no supplier €15.00 came"
    )


def test_other_acts_have_nothing_said_of_orders(shop: TestWorkshop) -> None:
    assert told(shop, lambda s: s.flush()) == ""
