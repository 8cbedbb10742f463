"""The large workshop's shelves and trade: what was there at first, what is ordered, and what comes.

`large_workshop` runs it day by day beside the floor.
"""

from collections import defaultdict, deque
from dataclasses import dataclass, field
from datetime import date, datetime, timedelta
from hashlib import sha256
from math import ceil

import numpy as np

from spoolkeep.domain.codes import CodeKind
from spoolkeep.domain.split import largest_remainders
from spoolkeep.domain.words import Kind, OrderState
from spoolkeep.services.deliveries import Arrived, DeliveryAnswer
from spoolkeep.services.imports import ImportReport
from spoolkeep.services.orders import OrderAnswer, Wanted
from spoolkeep.services.shop import code_text
from spoolkeep.store.tables import Delivery, ImportRow, Order, OrderLine, OrderPromise, Spool
from tests.benchmarks.large.books import Books, Done, SpoolBook, Told, shop_day
from tests.benchmarks.large.things import SPOOL_MG, TARE_MG, OfferNow, Things

FREIGHT_MINOR = 950
WEEK = 7


@dataclass
class LineNow:
    """One line of an order, and how many of it have come."""

    id: int
    offer: OfferNow
    spools: int
    price_minor: int
    came: int = 0


@dataclass
class OrderNow:
    """An order on its way."""

    id: int
    serial: int
    supplier_id: int
    drafted_at: datetime
    lines: list[LineNow]
    state: OrderState = OrderState.DRAFTED
    sent_at: datetime | None = None
    promised_for: date | None = None


@dataclass
class Stock:
    """Spools on shelves by item, those that were opened first, and orders on their way by the day they come."""

    books: Books
    things: Things
    rng: np.random.Generator
    most_spools: int
    a_day: float
    """Spools that the whole workshop uses a day."""
    shelf: dict[int, deque[SpoolBook]] = field(default_factory=lambda: defaultdict(deque))
    coming: dict[int, int] = field(default_factory=lambda: defaultdict(int))
    due: dict[date, list[OrderNow]] = field(default_factory=lambda: defaultdict(list))
    orders: list[OrderNow] = field(default_factory=list)
    levels: dict[int, int] = field(default_factory=dict)
    _returned: list[SpoolBook] = field(default_factory=list)
    _asked: list[int] = field(default_factory=list)

    def __post_init__(self) -> None:
        shares = zip(self.things.article_ids, self.things.weights.tolist(), strict=True)
        self.levels = {article_id: self._level(article_id, share) for article_id, share in shares}

    def open_shelves(self, at: datetime) -> None:
        """Book in what was there before the books, as the sheet of spools does."""
        wanted = [article for article in self.things.article_ids for _ in range(self.levels[article])]
        feeds = sum(len(machine.feeds) for machine in self.things.machines)
        more = self.rng.choice(self.things.article_ids, size=feeds, p=self.things.weights)
        wanted = (wanted + [int(one) for one in more])[: self.most_spools]
        source = "spools.csv"
        request = {"sheet": "spools", "source": source, "sha256": sha256(source.encode()).hexdigest()}
        act = self.books.act("import spools", at=at, request=request, about=source)
        for line, article_id in enumerate(wanted, start=2):
            spool = self._spool(act, article_id, day=shop_day(at), lot="")
            cost_minor = self.things.cheapest[article_id].price_minor
            self.books.move(act, spool, Kind.OPENING, at, nth=line, told=Told(SPOOL_MG, cost_minor=cost_minor))
            self.imported(act, "spools", source, line=line)
            self.shelf[article_id].append(spool)
        report = ImportReport("spools", source, len(wanted), len(wanted), 0, act_id=act.id)
        self.books.answered(act, report)

    def imported(self, act: Done, sheet: str, source: str, *, line: int) -> None:
        """Note a row of a sheet as booked."""
        number, digest = self.books.bulk.number(ImportRow), sha256(f"{source} {line}".encode()).hexdigest()
        self.books.bulk.add(ImportRow, number, act.id, sheet, source, f"id:{line}", digest, line, act.at)
        self.books.made(act, ImportRow, number)

    def put_back(self, spool: SpoolBook) -> None:
        """Take a spool that came off a feed: it can be taken again tomorrow, once all of today is told."""
        self._returned.append(spool)

    def next_day(self) -> None:
        """Put what came off feeds in front of its kind."""
        for spool in self._returned:
            self.shelf[spool.article_id].appendleft(spool)
        self._returned.clear()

    def take(self, article_id: int) -> SpoolBook | None:
        """Give a spool of an item off the shelf, the opened one first."""
        shelf = self.shelf.get(article_id)
        return shelf.popleft() if shelf else None

    def asked_for(self) -> int:
        """Give an item that a product asks for next, each as often as its weight says."""
        if not self._asked:
            self._asked = self.rng.choice(self.things.article_ids, size=4096, p=self.things.weights).tolist()
        return self._asked.pop()

    def any_spool(self) -> SpoolBook | None:
        """Give whatever is on the shelves."""
        return next((shelf.popleft() for shelf in self.shelf.values() if shelf), None)

    def review(self, at: datetime) -> None:
        """Order what runs low, from those suppliers whose day it is."""
        today = shop_day(at)
        wanted: dict[int, list[tuple[OfferNow, int]]] = defaultdict(list)
        for article_id in self.things.article_ids:
            offer = self.things.cheapest[article_id]
            have = len(self.shelf[article_id]) + self.coming[article_id]
            lacking = self.levels[article_id] - have
            if lacking > 0 and offer.supplier_id % WEEK == today.toordinal() % WEEK:
                wanted[offer.supplier_id].append((offer, ceil(lacking / offer.pack) * offer.pack))
        room = self.most_spools - len(self.books.spools) - sum(self.coming.values())
        for supplier_id, lines in wanted.items():
            if sum(spools for _, spools in lines) <= room:
                room -= sum(spools for _, spools in lines)
                self._order(supplier_id, lines, at)

    def arrive(self, at: datetime) -> None:
        """Book in what is due today; of one order in eight a part comes days later."""
        for order in self.due.pop(shop_day(at), []):
            short = len(order.lines) > 1 and self.rng.random() < 1 / 8
            come = order.lines[: len(order.lines) // 2] if short else order.lines
            self._deliver(at, order, [(line, line.spools - line.came) for line in come if line.came < line.spools])
            if short:
                self.due[shop_day(at) + timedelta(days=int(self.rng.integers(2, 9)))].append(order)

    def fill_up(self, at: datetime) -> None:
        """Bring the number of spools to what was asked, by deliveries without an order."""
        while (lacking := self.most_spools - len(self.books.spools)) > 0:
            some = self.rng.choice(self.things.article_ids, size=min(lacking, 60), p=self.things.weights)
            self._deliver(at, None, [(self._loose(int(article)), 1) for article in sorted(some)])
            at += timedelta(minutes=1)

    def close(self) -> None:
        """Write the orders as they stand."""
        add = self.books.bulk.add
        for order in self.orders:
            told = (order.state, order.drafted_at, order.sent_at, order.promised_for, None)
            add(Order, order.id, order.serial, order.supplier_id, *told)
            for line in order.lines:
                terms = (line.offer.id, line.offer.article_id, line.spools, SPOOL_MG, line.price_minor)
                add(OrderLine, line.id, order.id, *terms, order.sent_at, order.promised_for)

    def _loose(self, article_id: int) -> LineNow:
        offer = self.things.cheapest[article_id]
        return LineNow(0, offer, 1, offer.price_minor)

    def _level(self, article_id: int, share: float) -> int:
        """Give the spools up to which an item is ordered: what a lead time and a review use."""
        days = WEEK + self.things.lead_days[self.things.cheapest[article_id].supplier_id]
        return max(1, ceil(share * self.a_day * days))

    def _order(self, supplier_id: int, lines: list[tuple[OfferNow, int]], at: datetime) -> None:
        number, serial = self.books.bulk.number(Order), self.books.serial(CodeKind.ORDER)
        priced = [(offer, spools, _price(offer, spools)) for offer, spools in lines]
        order = OrderNow(
            id=number,
            serial=serial,
            supplier_id=supplier_id,
            drafted_at=at,
            lines=[LineNow(self.books.bulk.number(OrderLine), *one) for one in priced],
        )
        self._drafted(order)
        self._sent(order, at + timedelta(minutes=5))
        lead_days = self.things.lead_days[supplier_id]
        if self.rng.random() < 1 / 2:
            self._promised(order, at + timedelta(minutes=9), shop_day(at) + timedelta(days=lead_days))
        late_days = int(self.rng.choice([0, 0, 0, 1, 1, 2, 5]))
        self.due[shop_day(at) + timedelta(days=lead_days + late_days)].append(order)
        self.orders.append(order)
        for line in order.lines:
            self.coming[line.offer.article_id] += line.spools

    def _drafted(self, order: OrderNow) -> None:
        request = {"wanted": [Wanted(line.offer.id, line.spools) for line in order.lines]}
        act = self.books.act("draft order", at=order.drafted_at, request=request)
        self.books.made(act, Order, order.id)
        for line in order.lines:
            self.books.made(act, OrderLine, line.id)
        self.books.answered(act, OrderAnswer(act.id, (order.id,)))

    def _moved_on(self, order: OrderNow, at: datetime, state: OrderState, *, promised_for: date | None = None) -> Done:
        request = {"order_id": order.id, "state": state, "promised_for": promised_for}
        about = code_text(CodeKind.ORDER, order.serial)
        act = self.books.act(f"order {state}", at=at, request=request, about=about)
        self.books.changed(act, Order, order.id, "state", before=order.state, after=state)
        order.state = state
        self.books.answered(act, OrderAnswer(act.id, (order.id,)))
        return act

    def _sent(self, order: OrderNow, at: datetime) -> None:
        act = self._moved_on(order, at, OrderState.SENT)
        order.sent_at = at
        self.books.changed(act, Order, order.id, "sent_at", before=None, after=at)
        for line in order.lines:
            self.books.changed(act, OrderLine, line.id, "placed_at", before=None, after=at)

    def _promised(self, order: OrderNow, at: datetime, day: date) -> None:
        act = self._moved_on(order, at, OrderState.PROMISED, promised_for=day)
        order.promised_for = day
        self.books.changed(act, Order, order.id, "promised_for", before=None, after=day)
        for line in order.lines:
            self.books.changed(act, OrderLine, line.id, "confirmed_for", before=None, after=day)
            self.books.bulk.add(OrderPromise, self.books.bulk.number(OrderPromise), act.id, line.id, day, at)

    def _deliver(self, at: datetime, order: OrderNow | None, lines: list[tuple[LineNow, int]]) -> None:
        if not lines:
            return
        arrived = [
            _arrived(line, spools, lot=f"L{shop_day(at):%y%j}-{line.offer.article_id}") for line, spools in lines
        ]
        supplier_id = order.supplier_id if order else None
        act = self._delivery_act(at, arrived, supplier_id=supplier_id, order_id=order.id if order else None)
        delivery_id = self.books.bulk.number(Delivery)
        self.books.bulk.add(Delivery, delivery_id, order.id if order else None, supplier_id, at, FREIGHT_MINOR)
        self.books.made(act, Delivery, delivery_id)
        prices = [one.price_minor for one in arrived for _ in range(one.spools)]
        landed = [sum(pair) for pair in zip(prices, largest_remainders(FREIGHT_MINOR, prices), strict=True)]
        codes: list[str] = []
        for one in [same for same in arrived for _ in range(same.spools)]:
            spool = self._spool(act, one.article_id, day=shop_day(at), lot=one.lot)
            spool.supplier_id, spool.delivery_id, spool.order_line_id = supplier_id, delivery_id, one.order_line_id
            cost_minor = landed[len(codes)]
            self.books.move(act, spool, Kind.DELIVERY, at, nth=len(codes), told=Told(SPOOL_MG, cost_minor=cost_minor))
            codes.append(spool.code)
            self.shelf[one.article_id].append(spool)
        for line, spools in lines:
            line.came += spools
            self.coming[line.offer.article_id] -= spools if order else 0
        self.books.answered(act, DeliveryAnswer(act.id, delivery_id, tuple(codes), sum(landed)))

    def _delivery_act(
        self, at: datetime, arrived: list[Arrived], *, supplier_id: int | None, order_id: int | None
    ) -> Done:
        request = {
            "arrived": arrived,
            "supplier_id": supplier_id,
            "order_id": order_id,
            "freight_minor": FREIGHT_MINOR,
            "arrived_at": None,
            "note": "",
        }
        spools = sum(one.spools for one in arrived)
        about = "1 spool" if spools == 1 else f"{spools} spools"
        return self.books.act("delivery", at=at, request=request, about=about)

    def _spool(self, act: Done, article_id: int, *, day: date, lot: str) -> SpoolBook:
        serial = self.books.serial(CodeKind.SPOOL)
        place_id = self.things.place_of(article_id).id
        number = self.books.bulk.number(Spool)
        spool = SpoolBook(number, serial, article_id, TARE_MG, day, lot, place_id)
        self.books.spools.append(spool)
        self.books.made(act, Spool, number)
        return spool


def _price(offer: OfferNow, spools: int) -> int:
    """Give the price of a spool at a quantity, by the breaks that every offer here has."""
    if spools >= 30:
        return offer.price_minor * 9 // 10
    return offer.price_minor * 95 // 100 if spools >= 10 else offer.price_minor


def _arrived(line: LineNow, spools: int, *, lot: str) -> Arrived:
    return Arrived(
        article_id=line.offer.article_id,
        spools=spools,
        spool_mg=SPOOL_MG,
        price_minor=line.price_minor,
        tare_mg=TARE_MG,
        lot=lot,
        order_line_id=line.id or None,
    )
