"""Orders: drafted, sent, promised, closed short or called off.

The web's Orders page and the command line call it.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date, datetime

from sqlalchemy import select
from sqlalchemy.orm import Session
from sqlmodel import col

from spoolkeep.domain.codes import CodeKind
from spoolkeep.domain.errors import BadInput, Conflict, NotFound
from spoolkeep.domain.words import OrderState
from spoolkeep.services import finding, offers
from spoolkeep.services.deliveries import arrived_by_line, lacking_of_line
from spoolkeep.services.finding import Item
from spoolkeep.services.shop import code_text, load_shop, next_serials
from spoolkeep.store.acts import By, once
from spoolkeep.store.journal import change, create
from spoolkeep.store.tables import Act, Offer, Order, OrderLine, OrderPromise, Supplier

OPEN_STATES = (OrderState.DRAFTED, OrderState.SENT, OrderState.PROMISED)
OVERDUE = "overdue"


@dataclass(frozen=True)
class LineView:
    """One line of an order."""

    line_id: int
    item: Item
    their_number: str
    spools: int
    arrived: int
    spool_mg: int
    pack: int
    price_minor: int

    @property
    def total_minor(self) -> int:
        """Give the price of all its spools."""
        return self.spools * self.price_minor


@dataclass(frozen=True)
class OrderView:
    """An order as its page and its sheet show it."""

    order_id: int
    code: str
    supplier: str
    supplier_address: str
    state: str
    drafted_at: datetime
    sent_at: datetime | None
    promised_for: date | None
    note: str
    lines: tuple[LineView, ...]

    @property
    def total_minor(self) -> int:
        """Give the price of all its lines."""
        return sum(line.total_minor for line in self.lines)


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


def draft(*, session: Session, now: datetime, by: By, wanted: Sequence[Wanted]) -> OrderAnswer:
    """Draft one order for each supplier of these offers. Errors: BadInput, NotFound."""

    def do(act: Act) -> OrderAnswer:
        chosen = [one for one in wanted if one.spools]
        if not chosen:
            raise BadInput("nothing_ordered", "Choose at least 1 spool to order.")
        by_supplier: dict[int, list[tuple[Offer, int]]] = {}
        for one in chosen:
            offer = _offer(session, one)
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
        order = _order(session, order_id)
        stands = view(session=session, now=now, order_id=order_id).state
        if state not in _NEXT.get(stands, ()):
            raise Conflict("not_from_there", f"An order that is {stands} cannot become {state}.")
        _set_state(session, act, order, state, now=now)
        if state is OrderState.PROMISED:
            _promise(session, act, order, promised_for, now=now)
        return OrderAnswer(act.id, (order.id,))

    request = {"order_id": order_id, "state": state, "promised_for": promised_for}
    about = code_text(CodeKind.ORDER, _order(session, order_id).serial)
    return once(session, f"order {state}", by=by, now=now, request=request, answers=OrderAnswer, about=about, do=do)


_NEXT: dict[str, tuple[OrderState, ...]] = {
    OrderState.DRAFTED: (OrderState.SENT, OrderState.CALLED_OFF),
    OrderState.SENT: (OrderState.PROMISED, OrderState.CALLED_OFF),
    OrderState.PROMISED: (OrderState.PROMISED, OrderState.CALLED_OFF),
    OrderState.PART_IN: (OrderState.PROMISED, OrderState.CLOSED_SHORT),
    OVERDUE: (OrderState.PROMISED, OrderState.CLOSED_SHORT, OrderState.CALLED_OFF),
}


def listed(*, session: Session, now: datetime, open_only: bool = False, limit: int | None = 50) -> list[OrderView]:
    """Give orders, newest first, all where the limit is None; the state says `overdue` where a promise has passed."""
    query = select(Order).where(col(Order.live)).order_by(col(Order.id).desc()).limit(limit)
    if open_only:
        awaited = select(1).where(col(OrderLine.order_id) == col(Order.id), col(OrderLine.live), lacking_of_line() > 0)
        query = query.where(col(Order.state).in_(OPEN_STATES), awaited.correlate(Order).exists())
    return _views(session, session.scalars(query).all(), today=load_shop(session).today(now))


def view(*, session: Session, now: datetime, order_id: int) -> OrderView:
    """Give one order. Errors: NotFound."""
    return _views(session, [_order(session, order_id)], today=load_shop(session).today(now))[0]


def _offer(session: Session, wanted: Wanted) -> Offer:
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


def _set_state(session: Session, act: Act, order: Order, state: OrderState, *, now: datetime) -> None:
    change(session, act, order, state=state)
    if state is OrderState.SENT:
        change(session, act, order, sent_at=now)
        for line in _lines(session, [order.id]):
            change(session, act, line, placed_at=now)
    if state in {OrderState.CLOSED_SHORT, OrderState.CALLED_OFF}:
        change(session, act, order, closed_at=now)


def _promise(session: Session, act: Act, order: Order, promised_for: date | None, *, now: datetime) -> None:
    if promised_for is None:
        raise BadInput("no_day", "Say for which day the supplier promises it.")
    if promised_for < load_shop(session).today(order.drafted_at):
        raise BadInput("before_its_order", "A promise cannot lie before the order was drafted. Check the date.")
    change(session, act, order, promised_for=promised_for)
    for line in _lines(session, [order.id]):
        change(session, act, line, confirmed_for=promised_for)
        session.add(OrderPromise(act_id=act.id, order_line_id=line.id, promised_for=promised_for, said_at=now))


def _order(session: Session, order_id: int) -> Order:
    order = session.get(Order, order_id)
    if order is None or not order.live:
        raise NotFound("no_such_order", f"There is no order {order_id}, or it was undone.")
    return order


def _lines(session: Session, order_ids: Sequence[int]) -> list[OrderLine]:
    query = select(OrderLine).where(col(OrderLine.order_id).in_(order_ids), col(OrderLine.live))
    return list(session.scalars(query.order_by(col(OrderLine.id))))


def _views(session: Session, orders: Sequence[Order], *, today: date) -> list[OrderView]:
    ids = [order.id for order in orders]
    lines = _views_of_lines(session, ids)
    suppliers = {one.id: one for one in session.scalars(select(Supplier))}
    return [
        OrderView(
            order_id=order.id,
            code=code_text(CodeKind.ORDER, order.serial),
            supplier=suppliers[order.supplier_id].name,
            supplier_address=suppliers[order.supplier_id].address,
            state=_state(order, [(line.spools, line.arrived) for line in lines.get(order.id, ())], today),
            drafted_at=order.drafted_at,
            sent_at=order.sent_at,
            promised_for=order.promised_for,
            note=order.note,
            lines=tuple(lines.get(order.id, ())),
        )
        for order in orders
    ]


def _views_of_lines(session: Session, order_ids: Sequence[int]) -> dict[int, list[LineView]]:
    """Give the lines of these orders by order."""
    came = arrived_by_line(session, order_ids)
    query = (
        select(OrderLine, col(Offer.their_number), col(Offer.pack))
        .join(Offer, col(Offer.id) == col(OrderLine.offer_id))
        .where(col(OrderLine.order_id).in_(order_ids), col(OrderLine.live))
        .order_by(col(OrderLine.id))
    )
    rows = session.execute(query).all()
    known = finding.items(session, {line.article_id for line, _, _ in rows})
    lines: dict[int, list[LineView]] = {}
    for line, their_number, pack in rows:
        view = LineView(
            line_id=line.id,
            item=known[line.article_id],
            their_number=their_number,
            spools=line.spools,
            arrived=came.get(line.id, 0),
            spool_mg=line.spool_mg,
            pack=pack,
            price_minor=line.price_minor,
        )
        lines.setdefault(line.order_id, []).append(view)
    return lines


def _state(order: Order, came: Sequence[tuple[int, int]], today: date) -> str:
    """Give where an order stands. In, part in and overdue are not stored: they follow from what came and the day."""
    if order.state not in OPEN_STATES:
        return order.state
    if all(spools <= arrived for spools, arrived in came):
        return OrderState.IN
    if order.promised_for is not None and order.promised_for < today:
        return OVERDUE
    return OrderState.PART_IN if any(arrived for _, arrived in came) else order.state
