"""Booking in with a scanner: what is known fills itself, what differs asks, and what is not right is kept apart."""

from dataclasses import replace
from datetime import datetime, timedelta

import pytest

from spoolkeep.domain.errors import BadInput, Conflict, Refusal
from spoolkeep.domain.words import Lasting, OrderState
from spoolkeep.services import asides, bookin, catalogue, deliveries, orders, spools, stock, undoing
from spoolkeep.services.bookin import Heard
from spoolkeep.services.catalogue import OfferEntry, SupplierEntry
from spoolkeep.services.deliveries import Arrived, DeliveryAnswer
from spoolkeep.services.orders import OrderView, Wanted
from spoolkeep.store.engine import Store
from spoolkeep.store.tables import Offer
from tests.workshop import TestWorkshop, by

EAN, OTHER_EAN = "6291041500213", "73513537"
"""GS1's own worked examples, an EAN-13 and an EAN-8."""


class Buying(TestWorkshop):
    """The small workshop with a supplier who offers both items, and an order of both."""

    __test__ = False

    def __post_init__(self) -> None:
        super().__post_init__()
        entry = SupplierEntry(name="North Quay")
        self.supplier = self.do(lambda s: catalogue.add_supplier(session=s, now=self.now, by=by(), entry=entry)).row_id
        self.offers = [self.offer(article) for article in self.articles]

    def offer(self, article_id: int, code: str = "", breaks: tuple[tuple[int, int], ...] = ()) -> int:
        """Give an offer of the supplier."""
        entry = OfferEntry(self.supplier, article_id, 1_000_000, 1900, tare_mg=210_000, retail_code=code, breaks=breaks)
        return self.do(lambda s: catalogue.add_offer(session=s, now=self.now, by=by(), entry=entry)).row_id

    def order(self, *spools: int) -> OrderView:
        """Give an order that was sent, of so many spools of each offer."""
        wanted = [Wanted(offer, count) for offer, count in zip(self.offers, spools, strict=False)]
        number = self.do(lambda s: orders.draft(session=s, now=self.now, by=by(), wanted=wanted)).order_ids[0]
        sent = OrderState.SENT
        self.do(lambda s: orders.move_on(session=s, now=self.now, by=by(), order_id=number, state=sent))
        with self.store.read() as session:
            return orders.view(session=session, now=self.now, order_id=number)

    def hear(self, text: str, order_id: int | None = None) -> Heard:
        """Give what a scan says."""
        with self.store.read() as session:
            return bookin.hear(session=session, now=self.now, text=text, order_id=order_id)

    def book(self, order: OrderView | None, *arrived: Arrived, at: datetime | None = None) -> DeliveryAnswer:
        """Book in what came."""
        return self.do(
            lambda s: deliveries.book_delivery(
                session=s,
                now=self.now,
                by=by(),
                arrived=arrived,
                order_id=order.order_id if order else None,
                supplier_id=None if order else self.supplier,
                arrived_at=at,
            )
        )

    def kept(self, offer_id: int) -> Offer:
        """Give an offer as it is kept."""
        with self.store.read() as session:
            return session.get_one(Offer, offer_id)


@pytest.fixture
def shop(store: Store, now: datetime) -> Buying:
    return Buying(store, now)


def came(order: OrderView, spools: int, line: int = 0, code: str = "") -> Arrived:
    """Give what came of a line of an order, as it was ordered."""
    one = order.lines[line]
    return Arrived(
        one.item.article_id, spools, one.spool_mg, one.price_minor, order_line_id=one.line_id, retail_code=code
    )


def test_an_orders_code_opens_it_until_it_is_all_in(shop: Buying) -> None:
    order = shop.order(2)
    assert shop.hear(order.code).order_id == order.order_id
    shop.book(order, came(order, 2))
    with pytest.raises(Conflict, match="awaits nothing"):
        shop.hear(order.code)


def test_a_makers_code_that_was_scanned_once_finds_its_line_the_next_time(shop: Buying) -> None:
    first = shop.order(1)
    heard = shop.hear(EAN, first.order_id)
    assert (heard.line_id, heard.is_known) == (first.lines[0].line_id, True), "the only line that awaits something"
    act = shop.book(first, came(first, 1, code=heard.retail_code))
    second = shop.order(20, 3)
    heard = shop.hear(EAN)
    assert (heard.order_id, heard.line_id) == (second.order_id, second.lines[0].line_id)
    undone = act.act_id
    shop.book(second, came(second, 20))
    filled = shop.hear(EAN).offer
    assert filled is not None, "nothing is on order any more, so the offer fills the form"
    assert (filled.offer_id, filled.spool_mg, filled.tare_mg, filled.price_minor) == (
        shop.offers[0],
        1_000_000,
        210_000,
        1900,
    )
    shop.do(lambda s: undoing.undo_act(session=s, now=shop.now, by=by(), act_id=undone))
    assert shop.kept(shop.offers[0]).retail_code is None


def test_a_code_that_could_be_on_several_lines_asks(shop: Buying) -> None:
    order = shop.order(2, 3)
    heard = shop.hear(EAN, order.order_id)
    assert (heard.is_known, heard.line_id, heard.retail_code) == (False, None, EAN)


def test_a_place_says_where_it_goes_and_a_spool_is_refused_in_words(shop: Buying) -> None:
    assert shop.hear(shop.places[0]).words == "It goes to Long shelf."
    with pytest.raises(BadInput, match="scan an order"):
        shop.hear(shop.deliver()[0])


def test_a_code_of_another_item_is_refused_and_named(shop: Buying) -> None:
    order = shop.order(2, 2)
    shop.book(order, came(order, 1, code=EAN))
    with pytest.raises(Conflict, match="code of PLA Slate black"):
        shop.book(order, came(order, 1, line=1, code=EAN))
    with pytest.raises(Conflict, match="code of PLA Slate black"):
        shop.offer(shop.articles[1], EAN)
    shop.offer(shop.articles[0], EAN)  # another offer of the same item may have it


def test_a_new_code_without_an_order_makes_an_offer_where_the_supplier_is_known(shop: Buying) -> None:
    arrived = Arrived(shop.articles[0], 3, 750_000, 1500, retail_code=OTHER_EAN)
    assert shop.book(None, arrived).notes == ()
    filled = shop.hear(OTHER_EAN).offer
    assert filled is not None
    assert (filled.supplier_id, filled.spool_mg, filled.price_minor) == (shop.supplier, 750_000, 1500)


def test_a_new_code_without_a_supplier_is_booked_and_not_kept(shop: Buying) -> None:
    arrived = [Arrived(shop.articles[0], 1, 750_000, 1500, retail_code=OTHER_EAN)]
    answer = shop.do(lambda s: deliveries.book_delivery(session=s, now=shop.now, by=by(), arrived=arrived))
    assert "was not kept" in answer.notes[0]
    assert not shop.hear(OTHER_EAN).is_known


@pytest.mark.parametrize(("spool_mg", "price_minor"), [(1_000_000, 2100), (750_000, 1900)])
def test_another_weight_or_price_asks_whether_it_lasts(shop: Buying, spool_mg: int, price_minor: int) -> None:
    order = shop.order(5)
    other = replace(came(order, 2, code=EAN), spool_mg=spool_mg, price_minor=price_minor)
    with pytest.raises(Conflict) as refused:
        shop.book(order, other)
    assert refused.value.code == "offer_changed"
    shop.book(order, replace(other, lasting=Lasting.THIS_TIME))
    offer = shop.kept(shop.offers[0])
    assert (offer.spool_mg, offer.price_minor, offer.retail_code) == (1_000_000, 1900, EAN)
    act = shop.book(order, replace(other, lasting=Lasting.FROM_NOW_ON)).act_id
    offer = shop.kept(shop.offers[0])
    assert (offer.spool_mg, offer.price_minor) == (spool_mg, price_minor)
    shop.do(lambda s: undoing.undo_act(session=s, now=shop.now, by=by(), act_id=act))
    offer = shop.kept(shop.offers[0])
    assert (offer.spool_mg, offer.price_minor) == (1_000_000, 1900)


def test_a_changed_price_at_a_quantity_changes_the_break_that_was_reached(shop: Buying) -> None:
    offer_id = shop.offer(shop.articles[0], OTHER_EAN, breaks=((10, 1700),))
    arrived = Arrived(shop.articles[0], 10, 1_000_000, 1650, offer_id=offer_id, lasting=Lasting.FROM_NOW_ON)
    shop.book(None, arrived)
    assert shop.kept(offer_id).price_minor == 1900
    again = replace(arrived, lasting=None)
    shop.book(None, again)  # now expected, so nothing asks


def test_more_and_fewer_than_ordered_come_in_parts(shop: Buying) -> None:
    order = shop.order(5)
    for count in (2, 4):
        shop.book(order, came(order, count))
    with shop.store.read() as session:
        view = orders.view(session=session, now=shop.now, order_id=order.order_id)
    assert (view.lines[0].arrived, view.state) == (6, "in")


def test_what_came_damaged_is_set_aside_at_once(shop: Buying) -> None:
    order = shop.order(4)
    answer = shop.book(order, replace(came(order, 4), damaged=1))
    with shop.store.read() as session:
        rows = deliveries.spools_of(session=session, delivery_id=answer.delivery_id)
    assert [row.aside for row in rows] == [None, None, None, "damaged on arrival"]
    with pytest.raises(BadInput, match="can be damaged"):
        shop.book(order, replace(came(order, 1), damaged=2))


def test_a_sample_costs_nothing(shop: Buying) -> None:
    answer = shop.book(None, Arrived(shop.articles[0], 1, 250_000, 0))
    with shop.store.read() as session:
        assert spools.view(session=session, spool_code=answer.spool_codes[0]).cost_minor == 0


@pytest.mark.parametrize("count", [1, 500])
def test_a_delivery_has_one_to_five_hundred_spools(shop: Buying, count: int) -> None:
    assert len(shop.book(None, Arrived(shop.articles[0], count, 1_000_000, 1900)).spool_codes) == count
    for wrong in (0, 501):
        with pytest.raises(BadInput):
            shop.book(None, Arrived(shop.articles[0], wrong, 1_000_000, 1900))


def test_a_delivery_before_its_order_is_refused(shop: Buying) -> None:
    order = shop.order(1)
    with pytest.raises(BadInput, match="before its order"):
        shop.book(order, came(order, 1), at=shop.now - timedelta(days=3))


def _left(shop: Buying) -> int:
    with shop.store.read() as session:
        return sum(row.left_mg for row in stock.rows(session=session, now=shop.now))


def test_spools_that_go_back_are_off_the_books_until_that_is_undone(shop: Buying) -> None:
    answer = shop.book(None, Arrived(shop.articles[0], 3, 1_000_000, 1900))
    back = answer.spool_codes[:2]
    act = shop.do(
        lambda s: deliveries.send_back(session=s, now=shop.now, by=by(), spool_codes=back, note="crushed")
    ).act_id
    assert _left(shop) == 1_000_000
    with pytest.raises(Conflict, match="before"):
        shop.do(lambda s: deliveries.send_back(session=s, now=shop.now, by=by(), spool_codes=back))
    shop.do(lambda s: undoing.undo_act(session=s, now=shop.now, by=by(), act_id=act))
    assert _left(shop) == 3_000_000


def test_a_batch_that_does_not_match_is_set_aside_whole_and_let_go(shop: Buying) -> None:
    codes = shop.book(None, Arrived(shop.articles[0], 3, 1_000_000, 1900, lot="B7")).spool_codes
    other = shop.book(None, Arrived(shop.articles[0], 1, 1_000_000, 1900, lot="B8")).spool_codes

    def aside(codes: tuple[str, ...]) -> list[str | None]:
        with shop.store.read() as session:
            return [spools.view(session=session, spool_code=code).aside for code in codes]

    shop.do(lambda s: asides.set_lot_aside(session=s, now=shop.now, by=by(), spool_code=codes[0], why="shade is off"))
    assert aside(codes + other) == ["shade is off"] * 3 + [None]
    shop.do(lambda s: asides.let_go(session=s, now=shop.now, by=by(), spool_codes=codes[:1]))
    assert aside(codes + other) == [None] * 4


def test_a_spool_is_set_aside_once_and_let_go_once(shop: Buying) -> None:
    codes = shop.deliver()
    shop.do(lambda s: asides.set_aside(session=s, now=shop.now, by=by(), spool_codes=codes, why="damp"))
    with pytest.raises(Conflict, match="already"):
        shop.do(lambda s: asides.set_aside(session=s, now=shop.now, by=by(), spool_codes=codes))
    shop.do(lambda s: asides.let_go(session=s, now=shop.now, by=by(), spool_codes=codes))
    with pytest.raises(Refusal, match="not set aside"):
        shop.do(lambda s: asides.let_go(session=s, now=shop.now, by=by(), spool_codes=codes))
    with pytest.raises(BadInput, match="no lot"):
        shop.do(lambda s: asides.set_lot_aside(session=s, now=shop.now, by=by(), spool_code=codes[0]))
