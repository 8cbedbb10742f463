"""How often a reading asks the database: as often in a large workshop as in a small one."""

from collections.abc import Callable, Iterator
from contextlib import contextmanager
from datetime import datetime, timedelta

from sqlalchemy import event
from sqlalchemy.orm import Session

from spoolkeep.domain.words import OrderState, Outcome, PlaceKind
from spoolkeep.services import (
    acts,
    bargains,
    bench,
    boards,
    books,
    buys,
    byproduct,
    catalogue,
    choices,
    counting,
    deliveries,
    experience,
    failures,
    figures,
    floor,
    joblist,
    jobs,
    labels,
    lacking,
    leadtimes,
    mending,
    merging,
    money,
    orderbook,
    orderdrafts,
    orderneeds,
    orderplan,
    orders,
    sheets,
    spools,
    standby,
    stock,
    stopcosts,
    stops,
    today,
    untold,
    whymoved,
)
from spoolkeep.services.catalogue import OfferEntry, SupplierEntry
from spoolkeep.services.jobs import FeedGrams, JobReport
from spoolkeep.services.orders import Wanted
from spoolkeep.services.shop import load_shop
from spoolkeep.services.whymoved import Span
from spoolkeep.store.acts import By
from spoolkeep.store.engine import Store
from spoolkeep.store.proof import differences
from tests.workshop import TestWorkshop, by, station_at

SMALL, LARGE = 1, 5


class GrowingWorkshop(TestWorkshop):
    """A workshop that grows by a machine, an item with its offer and order, spools and jobs at a time."""

    __test__ = False

    def grow(self, number: int) -> None:
        """Grow once."""
        article = self._article(f"Shade {number}", f"#20{number:02}40")
        self.articles.append(article)
        machine = self.do(
            lambda s: catalogue.add_machine(session=s, now=self.now, by=by(), name=f"Machine {number}", feeds=3)
        ).row_id
        offer = self._offer(number, article)
        ordered = self.do(
            lambda s: orders.draft(session=s, now=self.now, by=by(), wanted=[Wanted(offer, 3)])
        ).order_ids[0]
        if number % 2:
            self._send(ordered)
        codes = self.deliver(4, article=len(self.articles) - 1, at=self.now - timedelta(days=9))
        self._run(machine, codes, number)
        self._walk(codes, number)

    def _walk(self, codes: tuple[str, ...], number: int) -> None:
        """Count along a new shelf, where one spool is seen that belongs elsewhere."""
        name = f"Shelf {number}"
        self.do(lambda s: catalogue.add_place(session=s, now=self.now, by=by(), name=name, kind=PlaceKind.SHELF))
        with self.store.read() as session:
            shelf = next(place.code for place in choices.place_list(session=session) if place.name == name)
        for text in (shelf, codes[-1], self.places[0]):
            self._counted(text)

    def _counted(self, text: str) -> None:
        self.do(lambda s: counting.scan(session=s, now=self.now, by=self._station(s, self.now), text=text))

    def _offer(self, number: int, article: int) -> int:
        seller = SupplierEntry(f"Supplier {number}", lead_days=3)
        supplier = self.do(lambda s: catalogue.add_supplier(session=s, now=self.now, by=by(), entry=seller)).row_id
        entry = OfferEntry(supplier, article, 1_000_000, 1800, breaks=((5, 1700),))
        return self.do(lambda s: catalogue.add_offer(session=s, now=self.now, by=by(), entry=entry)).row_id

    def _send(self, order_id: int) -> None:
        self.do(lambda s: orders.move_on(session=s, now=self.now, by=by(), order_id=order_id, state=OrderState.SENT))

    def _run(self, machine: int, codes: tuple[str, ...], number: int) -> None:
        """Load two feeds, let one stand by, print, plan, draw openly and stand still."""
        with self.store.read() as session:
            feeds = [one.code for one in choices.feeds(session=session) if one.name.startswith(f"Machine {number},")]
            ids = [one.feed_id for one in joblist.feeds_of(session=session, machine_id=machine)]
        before = self.now - timedelta(days=2)
        for code, feed in zip(codes[:2], feeds, strict=False):
            self._load(code, feed, before)
        self.do(lambda s: standby.stand_by(session=s, now=before, by=by(), spool_code=codes[2], feed_code=feeds[0]))
        for grams in (FeedGrams(20_000, ids[0]), FeedGrams(9_000, ids[2])):
            self._ended(machine, (grams,))
        report = JobReport("To come", machine, (FeedGrams(30_000, ids[1]),), due_at=self.now)
        self.do(lambda s: jobs.plan_job(session=s, now=self.now, by=by(), report=report))
        self.do(lambda s: stops.book_stop(session=s, now=self.now, by=by(), machine_id=machine, from_at=before))

    def _load(self, code: str, feed: str, at: datetime) -> None:
        for text in (code, feed):
            self._scan(text, at)

    def _scan(self, text: str, at: datetime) -> None:
        self.do(lambda s: bench.scan(session=s, now=at, by=self._station(s, at), text=text))

    def _station(self, session: Session, at: datetime) -> By:
        station_id = station_at(session, at, "bench")
        return By(actor_id=by().actor_id, key=by().key, station_id=station_id)

    def _ended(self, machine: int, grams: tuple[FeedGrams, ...]) -> None:
        report = JobReport("Ended", machine, grams)
        self.do(
            lambda s: jobs.report_job(
                session=s,
                now=self.now,
                by=by(),
                report=report,
                outcome=Outcome.GOOD,
                ended_at=self.now - timedelta(days=1),
            )
        )


def _deliveries_labels(session: Session, now: datetime) -> object:
    number = deliveries.recent(session=session)[0].delivery_id
    return labels.of_codes(session=session, now=now, codes=deliveries.codes_of(session=session, delivery_id=number))


def _longest_spool(session: Session, now: datetime) -> object:
    article = next(row.item.article_id for row in stock.rows(session=session, now=now) if row.days.days)
    return spools.view(session=session, spool_code=stock.spools_of(session=session, article_id=article)[0].code)


def _every_label(session: Session, now: datetime) -> object:
    rows = stock.rows(session=session, now=now)
    codes = [spool.code for spool in stock.spools_of(session=session, article_id=rows[0].item.article_id)]
    return labels.of_codes(session=session, now=now, codes=codes)


def _one_order(session: Session, now: datetime) -> object:
    number = orderbook.listed(session=session, now=now)[0].order_id
    return sheets.sheet_of(session=session, now=now, order_id=number)


def _addable(session: Session, now: datetime) -> object:
    return orderdrafts.addable(session=session, now=now, order=orderbook.listed(session=session, now=now)[0])


def _days_until(now: datetime) -> Span:
    return Span(now.date() - timedelta(days=400), now.date())


def _behind(session: Session, now: datetime) -> object:
    article = stock.rows(session=session, now=now)[0].item.article_id
    return whymoved.behind(session=session, article_id=article, span=_days_until(now))


def _last_items(session: Session) -> list[int]:
    return sorted((number for number, _ in choices.articles(session=session)), reverse=True)


READINGS: dict[str, Callable[[Session, datetime], object]] = {
    "today": lambda s, now: today.needed(session=s, now=now),
    "board": lambda s, now: boards.board(session=s, now=now),
    "stock": lambda s, now: stock.rows(session=s, now=now),
    "what is retired": lambda s, _: (stock.retired_left(session=s), mending.retired_named(session=s)),
    "an item to change": lambda s, _: mending.item_view(session=s, article_id=_last_items(s)[0]),
    "a supplier to change": lambda s, _: mending.named_view(
        session=s, kind="supplier", number=choices.suppliers(session=s)[0][0]
    ),
    "a merge to come": lambda s, _: merging.items_ahead(
        session=s, article_id=_last_items(s)[0], into_id=_last_items(s)[1]
    ),
    "labels of an item": _every_label,
    "a spool": _longest_spool,
    "jobs to come": lambda s, _: joblist.to_come(session=s),
    "jobs ended": lambda s, _: joblist.ended(session=s),
    "what fails": lambda s, now: failures.view(session=s, now=now),
    "what files do not tell": lambda s, _: untold.biases(session=s),
    "open draws": lambda s, _: joblist.open_draws(session=s),
    "a machine's feeds": lambda s, _: joblist.feeds_of(session=s, machine_id=joblist.machines(session=s)[-1][0]),
    "orders": lambda s, now: orderbook.listed(session=s, now=now),
    "orders that are over": lambda s, now: orderbook.ended(session=s, now=now),
    "until when orders must come": lambda s, now: orderneeds.needs(session=s, now=now),
    "awaited orders": lambda s, now: orderbook.listed(session=s, now=now, open_only=True),
    "lead times": lambda s, now: leadtimes.learned(s, shop=load_shop(s), today=now.date()),
    "plan": lambda s, now: orderplan.view(session=s, now=now),
    "an order's sheet": _one_order,
    "the sheets of all drafts": lambda s, now: orderbook.drafts(session=s, now=now),
    "what a draft may take": _addable,
    "deliveries": lambda s, _: deliveries.recent(session=s),
    "a delivery's labels": _deliveries_labels,
    "a delivery's spools": lambda s, _: deliveries.spools_of(session=s, delivery_id=1),
    "labels of feeds and places": lambda s, now: labels.of_places_and_feeds(session=s, now=now),
    "a count along the shelves": lambda s, _: counting.view(session=s),
    "offers": lambda s, _: choices.offers(session=s),
    "feeds": lambda s, _: choices.feeds(session=s),
    "stops": lambda s, _: stops.recent(session=s),
    "what stops cost": lambda s, now: stopcosts.view(session=s, now=now),
    "due jobs that lack a spool": lambda s, now: lacking.lacking(s, now, floor.machines(s)),
    "acts": lambda s, _: acts.recent(session=s),
    "money": lambda s, now: money.view(session=s, now=now),
    "plastic by product": lambda s, now: byproduct.view(session=s, since=now.date() - timedelta(days=400)),
    "why the share moved": lambda s, now: whymoved.why(
        session=s, before=_days_until(now - timedelta(days=9)), after=_days_until(now)
    ),
    "behind an item": _behind,
    "the books": lambda s, now: books.by_month(session=s, now=now),
    "the stock of a day": lambda s, now: books.stock_on(session=s, now=now, day=now.date()),
    "the best buy": lambda s, now: buys.view(session=s, now=now),
    "what plastic costs in a month": lambda s, now: bargains.plastic(session=s, now=now),
    "run-out": lambda s, now: figures.runout(session=s, now=now),
    "share": lambda s, _: figures.material_share(session=s),
    "check": lambda s, _: list(differences(s)),
}


@contextmanager
def _counting(store: Store) -> Iterator[list[str]]:
    sent: list[str] = []

    def note(_connection: object, _cursor: object, statement: str, *_: object) -> None:
        sent.append(statement)

    event.listen(store.engine, "before_cursor_execute", note)
    yield sent
    event.remove(store.engine, "before_cursor_execute", note)


def _queries(workshop: GrowingWorkshop) -> dict[str, int]:
    found = {}
    for name, reading in READINGS.items():
        for one in (untold, experience, orderplan):
            one._KEPT.clear()  # noqa: SLF001 - what was learned before asks nothing
        with _counting(workshop.store) as sent, workshop.store.read() as session:
            assert reading(session, workshop.now) is not None
        found[name] = len(sent)
    return found


def test_a_reading_asks_as_often_in_a_large_workshop_as_in_a_small_one(store: Store, now: datetime) -> None:
    workshop = GrowingWorkshop(store, now)
    for number in range(SMALL):
        workshop.grow(number)
    small = _queries(workshop)
    for number in range(SMALL, LARGE):
        workshop.grow(number)
    assert _queries(workshop) == small


def test_a_feed_shows_the_spool_in_use_and_the_one_that_stands_by(store: Store, now: datetime) -> None:
    workshop = GrowingWorkshop(store, now)
    workshop.grow(1)
    with store.read() as session:
        machine = next(one for one in boards.board(session=session, now=now) if one.name == "Machine 1")
    first, second, third = machine.feeds
    assert first.loaded is not None
    assert first.standby is not None
    assert first.standby.spool_code != first.loaded.spool_code
    assert first.standby.left_mg == 1_000_000
    assert second.loaded is not None
    assert second.standby is None
    assert (third.loaded, third.standby) == (None, None)


def test_an_order_that_is_awaited_is_listed_however_many_came_in_since(store: Store, now: datetime) -> None:
    workshop = GrowingWorkshop(store, now)
    for number in range(3):
        workshop.grow(number)
    with store.read() as session:
        newest, *_, oldest = orderbook.listed(session=session, now=now)
    arrived = [
        deliveries.Arrived(
            line.item.article_id, line.spools, line.spool_mg, line.price_minor, order_line_id=line.line_id
        )
        for line in newest.lines
    ]
    workshop.do(
        lambda s: deliveries.book_delivery(session=s, now=now, by=by(), arrived=arrived, order_id=newest.order_id)
    )
    with store.read() as session:
        awaited = orderbook.listed(session=session, now=now, open_only=True, limit=2)
    assert newest.order_id not in [one.order_id for one in awaited]
    assert oldest.order_id in [one.order_id for one in awaited]
