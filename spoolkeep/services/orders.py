"""Orders: what to order now and why, drafted, sent, promised, called off; how they stand is in the order book.

The web's Orders page and the command line call it.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import date, datetime

from sqlalchemy.orm import Session

from spoolkeep.domain.codes import CodeKind
from spoolkeep.domain.errors import BadInput, Conflict, NotFound
from spoolkeep.domain.reorder import Expected, Need, Purchase, Reason, Suggestion, purchase, suggest, whole_spools
from spoolkeep.domain.runout import StockDays
from spoolkeep.domain.words import OrderState
from spoolkeep.services import offers, stock
from spoolkeep.services.finding import Item
from spoolkeep.services.offers import Held
from spoolkeep.services.orderbook import (
    OPEN_STATES,
    OVERDUE,
    LineView,
    OrderView,
    freight_minor,
    lines_of,
    listed,
    standing,
    view,
)
from spoolkeep.services.shop import Shop, code_text, load_shop, next_serials
from spoolkeep.store.acts import By, once
from spoolkeep.store.journal import change, create
from spoolkeep.store.tables import Act, Offer, Order, OrderLine, OrderPromise, Supplier

__all__ = [
    "OPEN_STATES",
    "Advice",
    "LineView",
    "OrderAnswer",
    "OrderView",
    "PassedOver",
    "Wanted",
    "advise",
    "draft",
    "listed",
    "move_on",
    "read_offer",
    "set_state",
    "view",
]


@dataclass(frozen=True)
class PassedOver:
    """Who asks less for what is wanted, but delivers too late."""

    supplier: str
    lead_days: int


@dataclass(frozen=True)
class Advice:
    """What to order of one item now, from whom, and why."""

    item: Item
    offer_id: int | None
    """None where nobody offers it."""
    supplier_id: int | None
    supplier: str
    supplier_address: str
    their_number: str
    pack: int
    wanted_mg: int
    """Before it was rounded up to whole spools and packs."""
    spools: int
    spool_mg: int
    price_minor: int
    total_minor: int
    gap_days: int
    """Whole days without it that are expected even if it is ordered today, at this supplier's lead time."""
    why: Reason
    passed_over: PassedOver | None


@dataclass(frozen=True)
class Wanted:
    """Spools of one offer to order."""

    offer_id: int
    spools: int


@dataclass(frozen=True)
class OrderAnswer:
    """What became of an order, or of several."""

    act_id: int
    order_ids: tuple[int, ...]


def advise(*, session: Session, now: datetime) -> list[Advice]:
    """Give what to order today, by supplier and item; empty where nothing is due."""
    shop = load_shop(session)
    today = shop.today(now)
    held = offers.holding(session, shop=shop, today=today)
    drafted = stock.ordered_mg(session, (OrderState.DRAFTED,))  # so that the same need is not advised twice
    advices = []
    for row in stock.rows(session=session, now=now):
        more_mg = drafted.get(row.item.article_id, 0)
        need = Need(
            daily_mg=row.days.daily_mg,
            left_mg=row.usable_mg,
            committed_mg=row.committed_mg,
            on_order_mg=row.on_order_mg + more_mg,
            lead_days=row.lead_days,
            safety_days=shop.safety_days,
            expected=_expected(row.days, more_mg),
        )
        advices.append(_advice(row.item, need, held.get(row.item.article_id, ()), shop=shop, today=today))
    return sorted(filter(None, advices), key=lambda one: (one.supplier == "", one.supplier, one.item.name))


def _expected(days: StockDays, drafted_mg: int) -> Expected:
    """Give what the forecast tells, with what is drafted besides: it lasts as long as its grams do on average."""
    longer = drafted_mg / days.daily_mg if days.daily_mg > 0 else 0.0
    ends, middle = (None if one is None else one + longer for one in (days.ends_at_risk, days.with_ordered.p50))
    return Expected(ends, days.days, middle, days.at_risk)


USUAL_SPOOL_MG = 1_000_000
"""What a spool is taken to hold where nobody offers the item yet: a kilogram, common practice."""


def draft(*, session: Session, now: datetime, by: By, wanted: Sequence[Wanted]) -> OrderAnswer:
    """Draft one order for each supplier of these offers. Errors: BadInput, NotFound."""

    def do(act: Act) -> OrderAnswer:
        chosen = [one for one in wanted if one.spools]
        if not chosen:
            raise BadInput("nothing_ordered", "Choose at least 1 spool to order.")
        by_supplier: dict[int, list[tuple[Offer, int]]] = {}
        for one in chosen:
            offer = read_offer(session, one)
            by_supplier.setdefault(offer.supplier_id, []).append((offer, one.spools))
        orders = [_draft_one(session, act, supplier, lines, now=now) for supplier, lines in by_supplier.items()]
        return OrderAnswer(act.id, tuple(order.id for order in orders))

    request = {"wanted": list(wanted)}
    return once(session, "draft order", by=by, now=now, request=request, answers=OrderAnswer, do=do)


def move_on(
    *, session: Session, now: datetime, by: By, order_id: int, state: OrderState, promised_for: date | None = None
) -> OrderAnswer:
    """Send, promise, close short or call off an order. Errors: BadInput, NotFound, Conflict."""

    def do(act: Act) -> OrderAnswer:
        order = standing(session, order_id)
        stands = view(session=session, now=now, order_id=order_id).state
        if state not in _NEXT.get(stands, ()):
            raise Conflict("not_from_there", f"An order that is {stands} cannot become {state}.")
        set_state(session, act, order, state, now=now)
        if state is OrderState.PROMISED:
            _promise(session, act, order, promised_for, now=now)
        return OrderAnswer(act.id, (order.id,))

    request = {"order_id": order_id, "state": state, "promised_for": promised_for}
    about = code_text(CodeKind.ORDER, standing(session, order_id).serial)
    return once(session, f"order {state}", by=by, now=now, request=request, answers=OrderAnswer, about=about, do=do)


_NEXT: dict[str, tuple[OrderState, ...]] = {
    OrderState.DRAFTED: (OrderState.SENT, OrderState.CALLED_OFF),
    OrderState.SENT: (OrderState.PROMISED, OrderState.CALLED_OFF),
    OrderState.PROMISED: (OrderState.PROMISED, OrderState.CALLED_OFF),
    OrderState.PART_IN: (OrderState.PROMISED, OrderState.CLOSED_SHORT),
    OVERDUE: (OrderState.PROMISED, OrderState.CLOSED_SHORT, OrderState.CALLED_OFF),
}


def _advice(item: Item, need: Need, held: Sequence[Held], *, shop: Shop, today: date) -> Advice | None:
    if not held:
        due = suggest(need, today=today, review_days=shop.review_days, cover_days=shop.cover_days)
        return _nobodys(item, due) if due else None
    terms = [one.terms for one in held]
    bought = purchase(need, terms, today=today, review_days=shop.review_days, cover_days=shop.cover_days)
    return _bought(item, bought, {one.terms.offer_id: one for one in held}) if bought else None


def _nobodys(item: Item, due: Suggestion) -> Advice:
    return Advice(
        item=item,
        offer_id=None,
        supplier_id=None,
        supplier="",
        supplier_address="",
        their_number="",
        pack=1,
        wanted_mg=due.wanted_mg,
        spools=whole_spools(due.wanted_mg, spool_mg=USUAL_SPOOL_MG),
        spool_mg=USUAL_SPOOL_MG,
        price_minor=0,
        total_minor=0,
        gap_days=due.gap_days,
        why=due.why,
        passed_over=None,
    )


def _bought(item: Item, bought: Purchase, held: Mapping[int, Held]) -> Advice:
    choice, due = bought.choice, bought.suggestion
    one = held[choice.offer_id]
    other = None if bought.passed_over is None else held[bought.passed_over]
    return Advice(
        item=item,
        offer_id=choice.offer_id,
        supplier_id=one.supplier_id,
        supplier=one.supplier,
        supplier_address=one.supplier_address,
        their_number=one.their_number,
        pack=one.terms.pack,
        wanted_mg=due.wanted_mg,
        spools=choice.spools,
        spool_mg=one.terms.spool_mg,
        price_minor=choice.price_minor,
        total_minor=choice.total_minor,
        gap_days=due.gap_days,
        why=due.why,
        passed_over=None if other is None else PassedOver(other.supplier, other.terms.lead_days),
    )


def read_offer(session: Session, wanted: Wanted) -> Offer:
    """Give the offer that is wanted, of which so many spools can be had. Errors: BadInput, NotFound."""
    offer = session.get(Offer, wanted.offer_id)
    if offer is None or not offer.live:
        raise NotFound("no_such_offer", "There is no such offer any more. Open the page again.")
    most = 500
    if not 0 < wanted.spools <= most:
        raise BadInput("no_such_number", f"Order 1 to {most} spools of an item.")
    if wanted.spools % offer.pack or wanted.spools < offer.least_spools:
        words = f"This offer is sold in packs of {offer.pack}, from {offer.least_spools} spools on. Change the number."
        raise BadInput("not_whole_packs", words)
    return offer


def _draft_one(
    session: Session, act: Act, supplier_id: int, lines: Sequence[tuple[Offer, int]], *, now: datetime
) -> Order:
    serial = next_serials(session, CodeKind.ORDER)[0]
    order = create(session, act, Order(serial=serial, supplier_id=supplier_id, drafted_at=now))
    for offer, spools in lines:
        line = OrderLine(
            order_id=order.id,
            offer_id=offer.id,
            article_id=offer.article_id,
            spools=spools,
            spool_mg=offer.spool_mg,
            price_minor=offers.price_at(session, offer, spools),
        )
        create(session, act, line)
    return order


def set_state(session: Session, act: Act, order: Order, state: OrderState, *, now: datetime) -> None:
    """Put an order into a state; once it is sent, it keeps what its parcel costs by the terms of that day."""
    change(session, act, order, state=state)
    if state is OrderState.SENT:
        lines = lines_of(session, [order.id])
        goods = sum(line.spools * line.price_minor for line in lines)
        parcel = freight_minor(session.get_one(Supplier, order.supplier_id), goods)
        change(session, act, order, sent_at=now, freight_minor=parcel)
        for line in lines:
            change(session, act, line, placed_at=now)
    if state in {OrderState.CLOSED_SHORT, OrderState.CALLED_OFF}:
        change(session, act, order, closed_at=now)


def _promise(session: Session, act: Act, order: Order, promised_for: date | None, *, now: datetime) -> None:
    if promised_for is None:
        raise BadInput("no_day", "Say for which day the supplier promises it.")
    if promised_for < load_shop(session).today(order.drafted_at):
        raise BadInput("before_its_order", "A promise cannot lie before the order was drafted. Check the date.")
    change(session, act, order, promised_for=promised_for)
    for line in lines_of(session, [order.id]):
        change(session, act, line, confirmed_for=promised_for)
        session.add(OrderPromise(act_id=act.id, order_line_id=line.id, promised_for=promised_for, said_at=now))
