"""How long suppliers take, learned from what came of their orders; what is expected and late by it; both databases."""

from datetime import date, datetime, timedelta

import pytest
from sqlalchemy.orm import Session

from spoolkeep.domain.words import OrderState
from spoolkeep.services import catalogue, deliveries, leadtimes, orderbook, orders, stock, today, undoing
from spoolkeep.services.catalogue import OfferEntry, SupplierEntry
from spoolkeep.services.deliveries import Arrived
from spoolkeep.services.leadtimes import Learned
from spoolkeep.services.shop import load_shop
from spoolkeep.store.engine import Store
from spoolkeep.store.tables import CalendarDay, Supplier, Workshop
from tests.workshop import TestWorkshop, by

DAY = timedelta(days=1)
SATURDAY = 5


class Buying(TestWorkshop):
    """A workshop that buys of one supplier."""

    __test__ = False

    def __post_init__(self) -> None:
        super().__post_init__()
        entry = SupplierEntry("North Quay", lead_days=4)
        self.supplier = self.do(lambda s: catalogue.add_supplier(session=s, now=self.now, by=by(), entry=entry)).row_id
        self.offers = [self._offered(article) for article in self.articles]

    def _offered(self, article: int) -> int:
        entry = OfferEntry(self.supplier, article, 1_000_000, 1900)
        return self.do(lambda s: catalogue.add_offer(session=s, now=self.now, by=by(), entry=entry)).row_id

    def order(self, sent: datetime, spools: int = 2, *, lines: int = 1, promised: date | None = None) -> int:
        """Give the number of an order that was sent at a moment."""
        wanted = [orders.Wanted(offer, spools) for offer in self.offers[:lines]]
        (number,) = self.do(lambda s: orders.draft(session=s, now=sent, by=by(), wanted=wanted)).order_ids
        self.move(number, OrderState.SENT, sent)
        if promised:
            self.move(number, OrderState.PROMISED, sent, promised)
        return number

    def move(self, number: int, state: OrderState, at: datetime, promised: date | None = None) -> int:
        """Give the act by which an order moved on."""
        return self.do(
            lambda s: orders.move_on(session=s, now=at, by=by(), order_id=number, state=state, promised_for=promised)
        ).act_id

    def come(self, number: int, at: datetime, spools: int | None = None, line: int | None = None) -> int:
        """Book in what came of an order, of one line or of all; give the act."""
        with self.store.read() as session:
            lines = orderbook.view(session=session, now=at, order_id=number).lines
        arrived = [
            Arrived(one.item.article_id, spools or one.spools, one.spool_mg, 1900, order_line_id=one.line_id)
            for one in (lines if line is None else lines[line : line + 1])
        ]
        return self.do(
            lambda s: deliveries.book_delivery(session=s, now=at, by=by(), arrived=arrived, order_id=number)
        ).act_id

    def learned(self, at: datetime | None = None) -> Learned:
        """Give what is known of the supplier."""
        with self.store.read() as session:
            shop = load_shop(session)
            return leadtimes.learned(session, shop=shop, today=shop.today(at or self.now))[self.supplier]


@pytest.fixture
def shop(store: Store, now: datetime) -> Buying:
    return Buying(store, now)


def test_of_a_supplier_that_delivered_nothing_the_owner_s_word_stands(shop: Buying) -> None:
    known = shop.learned()
    sent = shop.now.date()
    assert (known.came, known.lead.chance is known.said.chance) == ((), True)
    assert known.expected_on(sent) == sent + 4 * DAY
    assert known.late_from(sent) > sent + 4 * DAY


def test_deliveries_that_take_longer_move_the_middle_and_what_is_late(shop: Buying) -> None:
    """By hand: sent on a Wednesday, come on the Thursday of the week after next: eleven carrier days."""
    for weeks in range(3, 15):
        sent = shop.now - 7 * weeks * DAY
        shop.come(shop.order(sent), sent + 15 * DAY)
    known = shop.learned()
    assert {(one.carrier_days, one.took_days) for one in known.came} == {(11, 15)}
    assert known.lead.quantile(0.5) == 11
    assert known.expected_on(shop.now.date()) == shop.now.date() + 15 * DAY
    assert known.late_from(shop.now.date()) == shop.now.date() + 15 * DAY


def test_an_order_without_a_promise_is_expected_as_its_supplier_delivers_and_late_after_nine_in_ten(
    shop: Buying,
) -> None:
    for weeks in range(3, 15):
        sent = shop.now - 7 * weeks * DAY
        shop.come(shop.order(sent), sent + (14 if weeks > 3 else 21) * DAY)
    shop.order(shop.now)
    found = {}
    for after in (13, 14, 15, 40):
        shop.now += after * DAY
        with shop.store.read() as session:
            found[after] = [one.late for one in today.needed(session=session, now=shop.now).deliveries.first]
        shop.now -= after * DAY
    assert found == {13: [], 14: [False], 15: [False], 40: [True]}


def test_what_is_awaited_past_its_middle_is_expected_among_those_that_take_longer(shop: Buying) -> None:
    for weeks in range(6, 26):
        sent = shop.now - 7 * weeks * DAY
        shop.come(shop.order(sent), sent + (5 if weeks % 2 else 26) * DAY)
    shop.order(shop.now - 14 * DAY)
    known = shop.learned()
    sent_on = shop.now.date() - 14 * DAY
    assert known.expected_on(sent_on, not_by=shop.now.date() - DAY) == sent_on + 26 * DAY
    with shop.store.read() as session:
        row = next(one for one in stock.rows(session=session, now=shop.now) if one.on_order_mg)
    assert row.item.article_id == shop.articles[0]


def test_a_promise_that_has_passed_is_due_and_late_and_counted_on_within_the_days_that_are_kept_back(
    shop: Buying,
) -> None:
    number, day = shop.order(shop.now - 14 * DAY, promised=shop.now.date() - 2 * DAY), shop.now.date()
    known = shop.learned()
    with shop.store.read() as session:
        order = orderbook.standing(session, number)
        kept_back = load_shop(session).safety_days * DAY
        assert (known.due_on(order, today=day), known.is_late(order, today=day)) == (day - 2 * DAY, True)
        assert known.awaited_on(order, today=day) == day + kept_back
        before = day - 3 * DAY
        assert (known.awaited_on(order, today=before), known.is_late(order, today=before)) == (day - 2 * DAY, False)


def test_what_comes_in_two_parts_counts_as_one_order(shop: Buying) -> None:
    sent = shop.now - 30 * DAY
    number = shop.order(sent, lines=2)
    shop.come(number, sent + 5 * DAY, line=0)
    shop.come(number, sent + 12 * DAY, line=1)
    assert [(one.took_days, one.share) for one in shop.learned().parts] == [(5, 0.5), (12, 0.5)]


def test_a_line_has_come_when_half_of_its_spools_have(shop: Buying) -> None:
    sent = shop.now - 30 * DAY
    number = shop.order(sent, spools=4)
    shop.come(number, sent + 5 * DAY, spools=1)
    assert [one.is_open for one in shop.learned().parts] == [True]
    shop.come(number, sent + 12 * DAY, spools=1)
    assert [one.took_days for one in shop.learned().came] == [12]


def test_a_delivery_that_was_undone_teaches_nothing(shop: Buying) -> None:
    sent = shop.now - 10 * DAY
    act = shop.come(shop.order(sent), sent + DAY)
    assert len(shop.learned().came) == 1
    shop.do(lambda s: undoing.undo_act(session=s, now=shop.now, by=by(), act_id=act))
    assert [one.came_on for one in shop.learned().parts] == [None]


def test_what_is_awaited_makes_it_longer_and_what_was_forgotten_does_not(shop: Buying) -> None:
    before = shop.learned().lead.mean
    shop.order(shop.now - 20 * DAY)
    assert shop.learned().lead.mean > before
    shop.now += 200 * DAY
    assert shop.learned().lead.mean == before


def test_how_a_promise_was_kept_goes_by_the_first_day_that_was_said(shop: Buying) -> None:
    sent = shop.now - 20 * DAY
    number = shop.order(sent, promised=sent.date() + 4 * DAY)
    shop.move(number, OrderState.PROMISED, sent + DAY, sent.date() + 9 * DAY)
    shop.come(number, sent + 10 * DAY)
    assert shop.learned().late_days == (6,)


def test_a_promise_that_was_undone_was_not_said(shop: Buying) -> None:
    sent = shop.now - 20 * DAY
    number = shop.order(sent)
    act = shop.move(number, OrderState.PROMISED, sent, sent.date() + 4 * DAY)
    shop.do(lambda s: undoing.undo_act(session=s, now=shop.now, by=by(), act_id=act))
    shop.come(number, sent + 10 * DAY)
    assert shop.learned().late_days == ()


def test_parcels_come_on_saturdays_where_they_have(shop: Buying) -> None:
    assert not shop.learned().carrier_weekdays >> SATURDAY & 1
    for weeks in (3, 5):
        sent = shop.now - 7 * weeks * DAY
        shop.come(shop.order(sent), sent + 3 * DAY)
    known = shop.learned()
    assert known.carrier_weekdays >> SATURDAY & 1
    assert [one.carrier_days for one in known.came] == [3, 3]


def test_a_supplier_that_takes_orders_on_one_day_and_is_closed_lets_them_wait(shop: Buying) -> None:
    """By hand: Mondays only, and closed on the next: an order of Wednesday 4 March is taken on the 16th."""

    def told(session: Session) -> None:
        session.get_one(Supplier, shop.supplier).order_days = 0b0000001
        session.add(CalendarDay(supplier_id=shop.supplier, day=date(2026, 3, 9)))

    shop.do(told)
    known = shop.learned()
    assert known.taken_on(shop.now.date()) == date(2026, 3, 16)
    chances = known.arrivals(shop.now.date(), horizon=60)
    assert chances[:12].sum() == 0
    assert chances.sum() == pytest.approx(1, abs=0.001)
    assert int(chances.argmax()) == (date(2026, 3, 20) - date(2026, 3, 4)).days


def test_busy_months_take_longer_where_they_did(shop: Buying) -> None:
    shop.do(lambda s: setattr(s.get_one(Workshop, 1), "busy_months", 1 << 11))
    for weeks in range(6, 36):
        sent = shop.now - 7 * weeks * DAY
        shop.come(shop.order(sent), sent + (21 if sent.month == 12 else 7) * DAY)
    known = shop.learned()
    assert known.lead.busy_days > 3
    assert known.lead_on(date(2026, 12, 1)).mean > known.lead_on(date(2026, 3, 1)).mean + 3
