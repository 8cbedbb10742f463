"""Until when an order must come follows how the lines that are awaited of it stand."""

from datetime import date, datetime, timedelta

import pytest

from spoolkeep.domain.arrival import Need
from spoolkeep.domain.words import OrderState, Outcome
from spoolkeep.services import (
    catalogue,
    deliveries,
    jobs,
    orderbook,
    orderdrafts,
    orderneeds,
    orderplan,
    orders,
    sheets,
    today,
    undoing,
)
from spoolkeep.services.catalogue import OfferEntry, SupplierEntry
from spoolkeep.services.deliveries import Arrived
from spoolkeep.services.jobs import FeedGrams, JobReport
from spoolkeep.services.orderbook import OrderView
from spoolkeep.services.orders import Wanted
from spoolkeep.store.engine import Store
from tests.workshop import TestWorkshop, by

BLACK, WHITE = 0, 1
SOON = 7
"""Black lasts six days."""


class Shelf(TestWorkshop):
    """Of both items 100 g a day are drawn: 600 g of the black are left, and 4 kg of the white."""

    __test__ = False

    def __post_init__(self) -> None:
        super().__post_init__()
        for article, grams in ((BLACK, 600), (WHITE, 4000)):
            self.deliver(grams=grams, article=article, at=self.now - timedelta(days=61))
        for back in range(60, 0, -1):
            report = JobReport("Hook", None, tuple(FeedGrams(100_000, article_id=one) for one in self.articles))
            ended_at = self.now - timedelta(days=back)
            self.do(
                lambda s, report=report, ended_at=ended_at: jobs.report_job(  # type: ignore[misc] # a lambda in a loop
                    session=s, now=self.now, by=by(), report=report, outcome=Outcome.GOOD, ended_at=ended_at
                )
            )
        entry = SupplierEntry("North Quay", lead_days=4)
        self.supplier = self.do(lambda s: catalogue.add_supplier(session=s, now=self.now, by=by(), entry=entry)).row_id
        self.offers = [self.offer_of(article) for article in self.articles]

    def offer_of(self, article: int) -> int:
        """Give a new offer of an item."""
        entry = OfferEntry(self.supplier, article, 1_000_000, 1900, f"NQ-{article}", "", 210_000, 1, ())
        return self.do(lambda s: catalogue.add_offer(session=s, now=self.now, by=by(), entry=entry)).row_id

    def drafted(self, *wanted: tuple[int, int]) -> int:
        """Give a draft of items and spools."""
        chosen = [Wanted(self.offers[article], spools) for article, spools in wanted]
        return self.do(lambda s: orders.draft(session=s, now=self.now, by=by(), wanted=chosen)).order_ids[0]

    def move(self, number: int, state: OrderState, days: int = 0) -> None:
        """Move an order on; it is promised for so many days from now."""
        day = self.now.date() + timedelta(days=days) if days else None
        self.do(
            lambda s: orders.move_on(session=s, now=self.now, by=by(), order_id=number, state=state, promised_for=day)
        )

    def promised(self, number: int, days: int) -> None:
        """Send an order, and say in how many days it is promised."""
        self.move(number, OrderState.SENT)
        self.move(number, OrderState.PROMISED, days)

    def need(self, number: int) -> Need | None:
        """Give until when an order must come."""
        arrival = self.order(number).arrival
        return arrival.need if arrival else None

    def order(self, number: int) -> OrderView:
        """Give an order as its page has it."""
        with self.store.read() as session:
            needs = orderneeds.needs(session=session, now=self.now)
            return orderbook.view(session=session, now=self.now, order_id=number, needs=needs)

    def day_on_sheet(self, number: int) -> date | None:
        """Give the day that an order's sheet names."""
        with self.store.read() as session:
            return sheets.sheet_of(session=session, now=self.now, order_id=number).needed_by

    def late(self) -> list[int]:
        """Give the orders that Today says come too late."""
        with self.store.read() as session:
            found = today.needed(session=session, now=self.now).late_orders
        return [one.order_id for one in found.first if one.arrival.days_without]

    def come(self, number: int, article: int) -> None:
        """Book in all of an item that an order awaits."""
        (line,) = (one for one in self.order(number).lines if one.item.article_id == self.articles[article])
        came = [Arrived(line.item.article_id, line.spools, 1_000_000, 1900, order_line_id=line.line_id)]
        self.do(lambda s: deliveries.book_delivery(session=s, now=self.now, by=by(), arrived=came, order_id=number))

    def days(self, day: date | None) -> int:
        """Give how far a day lies ahead; 999 for none."""
        return 999 if day is None else (day - self.now.date()).days


@pytest.fixture
def shop(store: Store, now: datetime) -> Shelf:
    return Shelf(store, now)


def test_a_drafts_day_is_the_plans_and_follows_its_lines(shop: Shelf) -> None:
    with shop.store.read() as session:
        plan = orderplan.view(session=session, now=shop.now)
    number = shop.drafted((BLACK, 3), (WHITE, 1))
    need = shop.need(number)
    assert need is not None
    assert (need.by, need.item) == (plan.due[0].needed_by, "PLA Slate black")
    assert 3 <= shop.days(need.by) <= SOON, "600 g at 100 g a day, in one case of ten sooner"
    assert shop.day_on_sheet(number) == need.by
    black, white = (line.line_id for line in shop.order(number).lines)
    gone = shop.do(
        lambda s: orderdrafts.set_spools(session=s, now=shop.now, by=by(), order_id=number, spools={black: 0, white: 1})
    )
    later = shop.need(number)
    assert later is not None
    assert later.item == "PLA Chalk white"
    assert shop.days(later.by) > 3 * SOON, "4 kg at 100 g a day"
    assert shop.day_on_sheet(number) == later.by
    shop.do(lambda s: undoing.undo_act(session=s, now=shop.now, by=by(), act_id=gone.act_id))
    assert shop.need(number) == need


def test_what_is_late_is_late_until_it_has_come_and_the_sheet_keeps_its_day(shop: Shelf) -> None:
    number = shop.drafted((BLACK, 3), (WHITE, 1))
    drafted_for = shop.day_on_sheet(number)
    shop.promised(number, SOON + 5)
    need = shop.need(number)
    assert need is not None
    assert need.chance > 0.9, "it comes in twelve days, and black lasts six"
    assert need.others == 0, "of the white there is enough"
    assert shop.late() == [number]
    shop.come(number, BLACK)
    assert shop.late() == [], "what is still to come is not needed yet"
    assert shop.days(shop.order(number).arrival.need.by) > 3 * SOON  # type: ignore[union-attr] # else it fails
    assert shop.day_on_sheet(number) == drafted_for, "what the supplier was told stays"


def test_what_another_order_brings_in_time_is_counted(shop: Shelf) -> None:
    first, second = shop.drafted((BLACK, 3)), shop.drafted((BLACK, 3))
    shop.promised(second, SOON + 5)
    shop.promised(first, 2)
    assert shop.late() == []
    assert SOON < shop.days(shop.need(second).by) <= 40  # type: ignore[union-attr] # else it fails
    shop.move(first, OrderState.CALLED_OFF)
    assert shop.late() == [second]


def test_a_day_that_a_person_said_stands_until_it_is_taken_back(shop: Shelf) -> None:
    number, day = shop.drafted((BLACK, 3)), shop.now.date() + timedelta(days=30)

    def say(needed_by: date | None) -> None:
        shop.do(
            lambda s: orderdrafts.note_and_day(
                session=s, now=shop.now, by=by(), order_id=number, note="", needed_by=needed_by
            )
        )

    follows = shop.day_on_sheet(number)
    say(day)
    assert (shop.need(number), shop.day_on_sheet(number)) == (Need(day), day)
    say(None)
    assert shop.day_on_sheet(number) == follows
    say(day)
    shop.promised(number, 29)
    assert shop.late() == []
    shop.move(number, OrderState.PROMISED, 31)
    assert shop.late() == [number]


def test_an_item_whose_pace_nobody_knows_is_needed_by_no_day(shop: Shelf) -> None:
    number = shop.item("PETG", "Moss", "#3a5f0b")
    offer = shop.offer_of(number)
    wanted = [Wanted(offer, 2)]
    order = shop.do(lambda s: orders.draft(session=s, now=shop.now, by=by(), wanted=wanted)).order_ids[0]
    assert shop.need(order) is None
    shop.promised(order, 20)
    assert shop.late() == []
    assert shop.day_on_sheet(order) is None
