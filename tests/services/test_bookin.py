"""Booking in with a scanner: what is known fills itself, what differs asks, and what is not right is kept apart."""

from dataclasses import replace
from datetime import date, datetime, timedelta

import pytest
from sqlalchemy import event

from spoolkeep.domain.errors import BadInput, Conflict, NotFound, Refusal
from spoolkeep.domain.words import Kind, Lasting, OrderState
from spoolkeep.services import (
    asides,
    bench,
    bookin,
    catalogue,
    deliveries,
    offers,
    orderbook,
    orders,
    spools,
    stock,
    undoing,
)
from spoolkeep.services.bookin import Heard
from spoolkeep.services.catalogue import OfferEntry, SupplierEntry
from spoolkeep.services.deliveries import Arrived, DeliveryAnswer
from spoolkeep.services.orderbook import OrderView
from spoolkeep.services.orders import Wanted
from spoolkeep.store.engine import Store
from spoolkeep.store.tables import Offer
from tests.workshop import TestWorkshop, by, station_at

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

    def offer(
        self, article_id: int, code: str = "", breaks: tuple[tuple[int, int], ...] = (), *, pack: int = 1, of: int = 0
    ) -> int:
        """Give an offer of the supplier, or of another."""
        seller = of or self.supplier
        entry = OfferEntry(seller, article_id, 1_000_000, 1900, "", code, 210_000, pack, breaks)
        return self.do(lambda s: catalogue.add_offer(session=s, now=self.now, by=by(), entry=entry)).row_id

    def another_supplier(self) -> int:
        """Give a second supplier."""
        entry = SupplierEntry(name="Fen Road Plastics")
        return self.do(lambda s: catalogue.add_supplier(session=s, now=self.now, by=by(), entry=entry)).row_id

    def order(self, *spools: int) -> OrderView:
        """Give an order that was sent, of so many spools of each offer."""
        wanted = [Wanted(offer, count) for offer, count in zip(self.offers, spools, strict=False)]
        number = self.do(lambda s: orders.draft(session=s, now=self.now, by=by(), wanted=wanted)).order_ids[0]
        sent = OrderState.SENT
        self.do(lambda s: orders.move_on(session=s, now=self.now, by=by(), order_id=number, state=sent))
        return self.ordered(number)

    def ordered(self, number: int) -> OrderView:
        """Give an order as it stands."""
        with self.store.read() as session:
            return orderbook.view(session=session, now=self.now, order_id=number)

    def move_on(self, order: OrderView, state: OrderState, promised_for: date | None = None) -> None:
        """Move an order on, as its supplier or the workshop says."""
        self.do(
            lambda s: orders.move_on(
                session=s, now=self.now, by=by(), order_id=order.order_id, state=state, promised_for=promised_for
            )
        )

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

    def breaks(self, offer_id: int) -> tuple[tuple[int, int], ...]:
        """Give the price breaks of an offer as they are kept."""
        with self.store.read() as session:
            return offers.breaks_of(session, [offer_id])[offer_id]

    def undo(self, act_id: int) -> None:
        """Undo an act."""
        self.do(lambda s: undoing.undo_act(session=s, now=self.now, by=by(), act_id=act_id))

    def spool(self, code: str) -> spools.SpoolView:
        """Give a spool as its page shows it."""
        with self.store.read() as session:
            return spools.view(session=session, spool_code=code)


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


@pytest.mark.parametrize("state", [OrderState.CALLED_OFF, OrderState.CLOSED_SHORT])
def test_a_closed_order_is_not_opened_by_its_code(shop: Buying, state: OrderState) -> None:
    order = shop.order(2)
    if state is OrderState.CLOSED_SHORT:
        shop.book(order, came(order, 1))
    shop.move_on(order, state)
    with pytest.raises(Conflict, match=f"it is {state}") as refused:
        shop.hear(order.code)
    assert refused.value.code == "order_is_closed"
    with pytest.raises(Conflict, match=f"That order is {state}"):
        shop.book(order, came(order, 1))


def test_an_order_is_opened_however_many_are_awaited_since(shop: Buying) -> None:
    first = shop.order(1)
    for _ in range(50):
        shop.order(1)
    assert shop.hear(first.code).order_id == first.order_id


def test_where_two_orders_await_an_item_the_earlier_promise_is_taken(shop: Buying) -> None:
    shop.offers[0] = shop.offer(shop.articles[0], EAN)
    late, soon, never = shop.order(1), shop.order(1), shop.order(1)
    for order, days in ((late, 9), (soon, 3)):
        shop.move_on(order, OrderState.PROMISED, shop.now.date() + timedelta(days=days))
    for order in (soon, late, never):
        assert shop.hear(EAN).order_id == order.order_id
        shop.book(order, came(order, 1))
    assert shop.hear(EAN).order_id is None


def test_a_code_of_which_the_chosen_order_awaits_nothing_is_refused_and_named(shop: Buying) -> None:
    shop.offer(shop.articles[1], EAN)
    with pytest.raises(Conflict, match="PLA Chalk white, of which order") as refused:
        shop.hear(EAN, shop.order(1).order_id)
    assert refused.value.code == "not_on_order"


def test_a_known_code_fills_the_form_with_its_offers_pack_price_reel_and_place(shop: Buying) -> None:
    offer_id = shop.offer(shop.articles[0], EAN, ((10, 1700),), pack=10)
    shelf = shop.hear(shop.places[0]).place_id
    shop.book(None, Arrived(shop.articles[0], 1, 1_000_000, 1900, place_id=shelf))
    filled = shop.hear(EAN).offer
    article = shop.articles[0]
    assert filled == bookin.Filled(offer_id, shop.supplier, article, 1_000_000, 210_000, 1700, 10, shelf)


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
    shop.undo(undone)
    assert shop.kept(shop.offers[0]).retail_code is None


def test_a_code_that_could_be_on_several_lines_asks(shop: Buying) -> None:
    order = shop.order(2, 3)
    heard = shop.hear(EAN, order.order_id)
    assert (heard.is_known, heard.line_id, heard.retail_code) == (False, None, EAN)


def test_a_place_says_where_it_goes_and_a_spool_is_refused_in_words(shop: Buying) -> None:
    assert shop.hear(shop.places[0]).words == "It goes to Long shelf."
    for code, what in ((shop.deliver()[0], "a spool"), (shop.feeds[0], "a feed")):
        with pytest.raises(BadInput, match=f"is the code of {what}. Here scan an order"):
            shop.hear(code)


def test_a_code_of_another_item_is_refused_and_named(shop: Buying) -> None:
    order = shop.order(2, 2)
    shop.book(order, came(order, 1, code=EAN))
    with pytest.raises(Conflict, match="code of PLA Slate black"):
        shop.book(order, came(order, 1, line=1, code=EAN))
    with pytest.raises(Conflict, match="code of PLA Slate black"):
        shop.offer(shop.articles[1], EAN)
    with pytest.raises(BadInput, match="not an EAN or UPC"):
        shop.offer(shop.articles[0], shop.places[0])


def test_two_suppliers_may_sell_an_item_under_the_same_code(shop: Buying) -> None:
    shop.offer(shop.articles[0], EAN)
    shop.offer(shop.articles[0], EAN, of=shop.another_supplier())
    order = shop.order(1)
    assert shop.hear(EAN).line_id == order.lines[0].line_id
    shop.book(order, came(order, 1, code=EAN))


def test_a_box_with_another_code_changes_the_offers_until_the_delivery_is_undone(shop: Buying) -> None:
    shop.offers[0] = shop.offer(shop.articles[0], OTHER_EAN)
    order = shop.order(1)
    heard = shop.hear(EAN, order.order_id)
    act = shop.book(order, came(order, 1, code=heard.retail_code)).act_id
    assert shop.kept(shop.offers[0]).retail_code == EAN
    shop.undo(act)
    assert shop.kept(shop.offers[0]).retail_code == OTHER_EAN


def test_a_new_code_without_an_order_makes_an_offer_where_the_supplier_is_known(shop: Buying) -> None:
    arrived = Arrived(shop.articles[0], 3, 750_000, 1500, retail_code=OTHER_EAN)
    assert shop.book(None, arrived).notes == ()
    filled = shop.hear(OTHER_EAN).offer
    assert filled is not None
    assert (filled.supplier_id, filled.spool_mg, filled.price_minor) == (shop.supplier, 750_000, 1500)


def test_a_new_code_goes_to_the_offer_that_the_supplier_has_for_such_spools(shop: Buying) -> None:
    shop.book(None, Arrived(shop.articles[0], 1, 1_000_000, 1900, retail_code=EAN))
    assert shop.kept(shop.offers[0]).retail_code == EAN


def test_a_code_that_a_withdrawn_offer_cannot_keep_is_told(shop: Buying) -> None:
    order = shop.order(2)
    shop.do(lambda s: catalogue.retire_offer(session=s, now=shop.now, by=by(), offer_id=shop.offers[0]))
    notes = shop.book(order, came(order, 1, code=EAN)).notes
    assert notes or shop.hear(EAN).is_known


def test_what_one_supplier_asks_does_not_change_anothers_offer(shop: Buying) -> None:
    other, offer_id = shop.another_supplier(), shop.offers[0]
    arrived = [Arrived(shop.articles[0], 1, 1_000_000, 1500, offer_id=offer_id, lasting=Lasting.FROM_NOW_ON)]
    shop.do(lambda s: deliveries.book_delivery(session=s, now=shop.now, by=by(), arrived=arrived, supplier_id=other))
    assert shop.kept(offer_id).price_minor == 1900


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
    shop.undo(act)
    offer = shop.kept(shop.offers[0])
    assert (offer.spool_mg, offer.price_minor) == (1_000_000, 1900)


def test_a_changed_price_at_a_quantity_changes_the_break_that_was_reached(shop: Buying) -> None:
    offer_id = shop.offer(shop.articles[0], OTHER_EAN, breaks=((10, 1700),))
    arrived = Arrived(shop.articles[0], 10, 1_000_000, 1650, offer_id=offer_id, lasting=Lasting.FROM_NOW_ON)
    shop.book(None, arrived)
    assert (shop.kept(offer_id).price_minor, shop.breaks(offer_id)) == (1900, ((10, 1650),))
    again = replace(arrived, lasting=None)
    shop.book(None, again)  # now expected, so nothing asks
    shop.book(None, replace(arrived, price_minor=1600, lasting=Lasting.THIS_TIME))
    assert shop.breaks(offer_id) == ((10, 1650),)


def test_a_part_of_an_order_came_at_the_price_that_the_whole_order_had_reached(shop: Buying) -> None:
    shop.offers[0] = shop.offer(shop.articles[0], breaks=((10, 1700),))
    order = shop.order(20)
    assert order.lines[0].price_minor == 1700
    act = shop.book(order, replace(came(order, 5), price_minor=1650, lasting=Lasting.FROM_NOW_ON)).act_id
    assert (shop.kept(shop.offers[0]).price_minor, shop.breaks(shop.offers[0])) == (1900, ((10, 1650),))
    shop.undo(act)
    assert shop.breaks(shop.offers[0]) == ((10, 1700),)


def test_more_and_fewer_than_ordered_come_in_parts(shop: Buying) -> None:
    order = shop.order(5)
    for count in (2, 4):
        shop.book(order, came(order, count))
    view = shop.ordered(order.order_id)
    assert (view.lines[0].arrived, view.state) == (6, "in")


def test_what_came_damaged_is_set_aside_at_once(shop: Buying) -> None:
    order = shop.order(4)
    answer = shop.book(order, replace(came(order, 4), damaged=1))
    with shop.store.read() as session:
        rows = deliveries.spools_of(session=session, delivery_id=answer.delivery_id)
    assert [row.aside for row in rows] == [None, None, None, "damaged on arrival"]
    with pytest.raises(BadInput, match="can be damaged"):
        shop.book(order, replace(came(order, 1), damaged=2))


def test_of_each_line_the_last_spools_are_the_damaged_ones(shop: Buying) -> None:
    order = shop.order(2, 3)
    answer = shop.book(order, replace(came(order, 2), damaged=1), replace(came(order, 3, line=1), damaged=2))
    assert [shop.spool(code).aside is not None for code in answer.spool_codes] == [False, True, False, True, True]
    shop.undo(answer.act_id)
    with pytest.raises(NotFound):
        shop.spool(answer.spool_codes[-1])


def test_freight_of_an_order_is_shared_by_price_to_the_cent(shop: Buying) -> None:
    order = shop.order(3, 4)
    arrived = [came(order, 3), replace(came(order, 4, line=1), price_minor=950, lasting=Lasting.THIS_TIME)]
    number, freight = order.order_id, 1001
    answer = shop.do(
        lambda s: deliveries.book_delivery(
            session=s, now=shop.now, by=by(), arrived=arrived, order_id=number, freight_minor=freight
        )
    )
    shares = [
        shop.spool(code).cost_minor - price
        for code, price in zip(answer.spool_codes, [1900] * 3 + [950] * 4, strict=True)
    ]
    assert sum(shares) == freight
    # 1001 over 3 x 1900 and 4 x 950 is 200.2 for each dear spool and 100.1 for each cheap one
    assert set(shares[:3]) <= {200, 201}
    assert set(shares[3:]) <= {100, 101}


def test_a_sample_costs_nothing(shop: Buying) -> None:
    answer = shop.book(None, Arrived(shop.articles[0], 1, 250_000, 0))
    assert shop.spool(answer.spool_codes[0]).cost_minor == 0


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


def test_spools_that_go_back_are_off_their_feed_and_the_books_until_that_is_undone(shop: Buying) -> None:
    codes = shop.book(None, Arrived(shop.articles[0], 3, 1_000_000, 1900)).spool_codes
    station = shop.do(lambda s: station_at(s, shop.now))
    for text in (codes[0], shop.feeds[0]):
        who = replace(by(), station_id=station)
        shop.do(lambda s, t=text, w=who: bench.scan(session=s, now=shop.now, by=w, text=t))  # type: ignore[misc] # in a loop

    def back(*codes: str) -> int:
        return shop.do(
            lambda s: deliveries.send_back(session=s, now=shop.now, by=by(), spool_codes=codes, note="crushed")
        ).act_id

    def stands() -> list[tuple[str, int, int, date | None]]:
        spools = [shop.spool(code) for code in codes]
        return [(spool.feed, spool.left_mg, spool.value_minor, spool.retired_on) for spool in spools]

    before = stands()
    assert before[0] == ("Larch feed 1", 1_000_000, 1900, None)
    act = back(*codes[:2])
    assert stands() == [("", 0, 0, shop.now.date())] * 2 + before[2:]
    with pytest.raises(Conflict, match="before"):
        back(*codes)
    shop.undo(act)
    assert stands() == before
    with pytest.raises(BadInput, match="Choose the spools"):
        back()


def _asked(shop: Buying, delivery_id: int) -> int:
    """Give how often the list of a delivery's spools asks the database."""
    sent: list[str] = []

    def note(_connection: object, _cursor: object, statement: str, *_: object) -> None:
        sent.append(statement)

    event.listen(shop.store.engine, "before_cursor_execute", note)
    with shop.store.read() as session:
        deliveries.spools_of(session=session, delivery_id=delivery_id)
    event.remove(shop.store.engine, "before_cursor_execute", note)
    return len(sent)


def test_forty_spools_of_a_delivery_ask_as_often_as_one(shop: Buying) -> None:
    shelf = shop.hear(shop.places[0]).place_id
    few = shop.book(None, Arrived(shop.articles[0], 1, 1_000_000, lot="B7", place_id=shelf, damaged=1))
    many = [Arrived(article, 20, 1_000_000, lot="B7", place_id=shelf, damaged=9) for article in shop.articles]
    assert _asked(shop, few.delivery_id) == _asked(shop, shop.book(None, *many).delivery_id)


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


def test_what_is_set_aside_lasts_nobody_a_day_and_is_marked(shop: Buying) -> None:
    codes = shop.deliver(3)
    shop.do(lambda s: asides.set_aside(session=s, now=shop.now, by=by(), spool_codes=codes[:1], why="damp"))
    with shop.store.read() as session:
        row = next(one for one in stock.rows(session=session, now=shop.now) if one.left_mg)
        marked = [one.code for one in stock.spools_of(session=session, article_id=row.item.article_id) if one.aside]
    assert (row.left_mg, row.aside_mg) == (3_000_000, 1_000_000)
    assert marked == [codes[0]]


def test_no_more_is_returned_than_is_left(shop: Buying) -> None:
    (code,) = shop.deliver()
    with pytest.raises(Conflict, match="1000 g are left"):
        shop.do(
            lambda s: spools.give_up(session=s, now=shop.now, by=by(), spool_code=code, kind=Kind.RETURN, mg=2_000_000)
        )


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
