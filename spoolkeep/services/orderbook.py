"""The order book: orders as they stand, their lines, what they cost in the supplier's currency, and when they come.

The Orders and Deliveries pages, the sheets and the Bench call it. It only reads.
"""

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import date, datetime

from sqlalchemy import ColumnElement, func, select, true
from sqlalchemy.orm import Session
from sqlmodel import col

from spoolkeep.domain.arrival import Arrival, Need
from spoolkeep.domain.codes import CodeKind
from spoolkeep.domain.errors import NotFound
from spoolkeep.domain.formats import Formats
from spoolkeep.domain.words import OrderState
from spoolkeep.services import finding, leadtimes, offers
from spoolkeep.services.deliveries import EVERY, Which, arrived_by_line, lacking_of_line
from spoolkeep.services.finding import Item
from spoolkeep.services.leadtimes import Learned
from spoolkeep.services.shop import Shop, code_text, load_shop
from spoolkeep.store.journal import batched
from spoolkeep.store.tables import Offer, Order, OrderLine, Supplier

OPEN_STATES = (OrderState.DRAFTED, OrderState.SENT, OrderState.PROMISED)
OVERDUE = "overdue"
Steps = tuple[tuple[int, int], ...]
"""Basket breaks: from how many spools on, and what is taken off in millionths; the lowest first."""


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
    is_withdrawn: bool = False
    """Whether its offer was withdrawn since: the line stands as it was ordered."""

    @property
    def total_minor(self) -> int:
        """Give the price of all its spools."""
        return self.spools * self.price_minor


@dataclass(frozen=True)
class OrderTerms:
    """What bears on an order's price besides its lines. Amounts are minor units of the supplier's currency."""

    freight_minor: int = 0
    """What the parcel costs: reckoned while it is drafted, and as it was when it was sent."""
    free_from_minor: int | None = None
    """From what the goods must be worth the parcel is free; None where it never is."""
    least_minor: int | None = None
    """What the goods must be worth at least; None where nothing is asked."""
    basket: tuple[int, int] | None = None
    """The basket break that a draft reaches: from how many spools on, and what is off in millionths."""


@dataclass(frozen=True)
class OrderView:
    """An order as its page and its sheet show it. Amounts are minor units of `currency`, the supplier's."""

    order_id: int
    code: str
    supplier_id: int
    supplier: str
    supplier_address: str
    supplier_mail: str
    state: str
    drafted_at: datetime
    sent_at: datetime | None
    promised_for: date | None
    needed_by: date | None
    """The day on its sheet: as a person said, of a draft as its lines stand, else as it was when it was sent."""
    note: str
    lines: tuple[LineView, ...]
    currency: str
    is_foreign: bool
    """Whether that currency is another than the workshop's: its amounts are added to none of ours."""
    terms: OrderTerms
    arrival: Arrival | None
    """When it is to come; None once nothing more is awaited."""

    @property
    def total_minor(self) -> int:
        """Give the price of all its lines, without the parcel."""
        return sum(line.total_minor for line in self.lines)

    @property
    def to_pay_minor(self) -> int:
        """Give the price of all its lines and of the parcel."""
        return self.total_minor + self.terms.freight_minor

    @property
    def is_below_least(self) -> bool:
        """Give whether the supplier asks for a larger order."""
        return self.terms.least_minor is not None and self.total_minor < self.terms.least_minor

    def priced(self, formats: Formats) -> Formats:
        """Give the formats by which its amounts are written: the workshop's, in the supplier's currency."""
        return formats.paid_in(self.currency)


Needs = Mapping[int, Need]
"""By order, until when it must come by how its open lines stand (services/orderneeds)."""


def listed(
    *,
    session: Session,
    now: datetime,
    open_only: bool = False,
    limit: int | None = 50,
    needs: Needs | None = None,
    which: Which = EVERY,
) -> list[OrderView]:
    """Give orders, newest first, all where the limit is None; the state says `overdue` where a promise has passed.

    Here and below, without `needs` only a day that a person said is held against an order's arrival.
    """
    meant = col(Order.live) & _meant(session, which)
    query = select(Order).where(meant).order_by(col(Order.id).desc()).limit(limit)
    if open_only:
        query = query.where(_is_open())
    return _views(session, session.scalars(query).all(), now=now, needs=needs)


@dataclass(frozen=True)
class Ended:
    """Orders that are over, some at a time, newest first."""

    orders: tuple[OrderView, ...]
    count: int
    """Of all that are over."""
    older: int | None
    """The number of the last one shown, where there are older ones; None where there are none."""


def ended(
    *,
    session: Session,
    now: datetime,
    before: int | None = None,
    limit: int | None = 50,
    which: Which = EVERY,
    state: str = "",
) -> Ended:
    """Give orders of which nothing more is awaited, those older than the order numbered `before`, newest first.

    All that are older where the limit is None; `state` says of which state.
    """
    over = col(Order.live) & ~_is_open() & _meant(session, which)
    if state:
        # that all came is not stored: the order stands as it was sent or promised
        over &= col(Order.state).in_(OPEN_STATES if state == OrderState.IN else [state])
    query = select(Order).where(over).order_by(col(Order.id).desc())
    if before is not None:
        query = query.where(col(Order.id) < before)
    rows = session.scalars(query if limit is None else query.limit(limit + 1)).all()
    count = session.scalar(select(func.count()).select_from(Order).where(over)) or 0
    shown = [one for some in batched(rows[:limit]) for one in _views(session, some, now=now, needs=None)]
    older = rows[limit - 1].id if limit is not None and len(rows) > limit else None
    return Ended(tuple(shown), count, older)


def _meant(session: Session, which: Which) -> ColumnElement[bool]:
    """Give, for a query of orders, whether one is meant; its day is that on which it was drafted."""
    meant: ColumnElement[bool] = true()
    if which.supplier_id is not None:
        meant &= col(Order.supplier_id) == which.supplier_id
    if which.since is not None:
        meant &= col(Order.drafted_at) >= which.since
    if which.fits is not None:
        items, suppliers = which.named(session)
        of_item = select(1).where(col(OrderLine.order_id) == col(Order.id), col(OrderLine.article_id).in_(items))
        meant &= of_item.where(col(OrderLine.live)).correlate(Order).exists() | col(Order.supplier_id).in_(suppliers)
    return meant


def _is_open() -> ColumnElement[bool]:
    """Give, for a query of orders, whether something is awaited of one."""
    awaited = select(1).where(col(OrderLine.order_id) == col(Order.id), col(OrderLine.live), lacking_of_line() > 0)
    return col(Order.state).in_(OPEN_STATES) & awaited.correlate(Order).exists()


def drafts(*, session: Session, now: datetime, needs: Needs | None = None) -> list[OrderView]:
    """Give every order that is drafted and of which nothing came, the oldest first."""
    query = select(Order).where(col(Order.live), col(Order.state) == OrderState.DRAFTED).order_by(col(Order.id))
    found = _views(session, session.scalars(query).all(), now=now, needs=needs)
    return [one for one in found if one.state == OrderState.DRAFTED]


def view(*, session: Session, now: datetime, order_id: int, needs: Needs | None = None) -> OrderView:
    """Give one order. Errors: NotFound."""
    return _views(session, [standing(session, order_id)], now=now, needs=needs)[0]


def standing(session: Session, order_id: int) -> Order:
    """Give an order's row. Errors: NotFound."""
    order = session.get(Order, order_id)
    if order is None or not order.live:
        raise NotFound("no_such_order", f"There is no order {order_id}, or it was undone.")
    return order


def lines_of(session: Session, order_ids: Sequence[int]) -> list[OrderLine]:
    """Give the rows of these orders' lines, in the order in which they were written."""
    query = select(OrderLine).where(col(OrderLine.order_id).in_(order_ids), col(OrderLine.live))
    return list(session.scalars(query.order_by(col(OrderLine.id))))


def came_in_words(order: OrderView) -> tuple[str, ...]:
    """Give what came of an order beside what was asked, in sentences: what is still to come, and what came over."""
    lacking = [f"{line.spools - line.arrived} {line.item.name}" for line in order.lines if line.arrived < line.spools]
    over = [f"{line.arrived - line.spools} {line.item.name}" for line in order.lines if line.arrived > line.spools]
    still = f"Still to come of order {order.code}: {', '.join(lacking)}." if lacking else ""
    more = f"More came than was ordered: {', '.join(over)}. Send it back from the delivery's page, or keep it."
    return tuple(filter(None, (still, more if over else "")))


@dataclass(frozen=True)
class TooLate:
    """An order that comes after the day on which it is needed, or for which no day is promised; and when it comes."""

    order_id: int
    code: str
    supplier: str
    arrival: Arrival


def too_late(
    awaited: Iterable[tuple[Order, Supplier]],
    lead_times: Mapping[int, Learned],
    *,
    needs: Needs,
    shop: Shop,
    now: datetime,
) -> list[TooLate]:
    """Give those of awaited orders that come too late, the worst first, then those of which nobody said when they come.

    Only of those that were sent, are needed by a day and are not due yet: what is due is told anyway. A promise is
    missed from the day after it was sent. Source: our own choice.
    """
    today = shop.today(now)
    found = []
    for order, supplier in awaited:
        comes = arrival(order, lead_times[supplier.id], today=today, need=needs.get(order.id))
        if order.sent_at is None or comes.need is None:
            continue
        asks = comes.lacks_promise and shop.today(order.sent_at) < today
        if comes.on > today and (comes.days_without or asks):
            found.append(TooLate(order.id, code_text(CodeKind.ORDER, order.serial), supplier.name, comes))
    return sorted(found, key=_worst_first)


def _worst_first(one: TooLate) -> tuple[bool, int, date, int]:
    return not one.arrival.is_likely, -one.arrival.days_without, one.arrival.on, one.order_id


def _views(session: Session, orders: Sequence[Order], *, now: datetime, needs: Needs | None) -> list[OrderView]:
    shop = load_shop(session)
    lines = _views_of_lines(session, [order.id for order in orders])
    suppliers = {one.id: one for one in session.scalars(select(Supplier))}
    steps = offers.baskets(session)
    open_ones = any(order.state in OPEN_STATES for order in orders)
    lead_times = leadtimes.learned(session, shop=shop, today=shop.today(now)) if open_ones else {}
    return [
        _view(
            order,
            suppliers[order.supplier_id],
            tuple(lines.get(order.id, ())),
            known=lead_times.get(order.supplier_id),
            currency=suppliers[order.supplier_id].currency or shop.currency,
            shop=shop,
            today=shop.today(now),
            steps=steps.get(order.supplier_id, ()),
            needs=needs,
        )
        for order in orders
    ]


def _view(
    order: Order,
    supplier: Supplier,
    lines: tuple[LineView, ...],
    *,
    known: Learned | None,
    currency: str,
    shop: Shop,
    today: date,
    steps: Steps,
    needs: Needs | None,
) -> OrderView:
    state = _state(order, [(line.spools, line.arrived) for line in lines], today)
    awaited = state in {*OPEN_STATES, "part in", OVERDUE}
    need = (needs or {}).get(order.id)
    follows = needs is not None and state == OrderState.DRAFTED and not order.needed_said
    return OrderView(
        order_id=order.id,
        code=code_text(CodeKind.ORDER, order.serial),
        supplier_id=supplier.id,
        supplier=supplier.name,
        supplier_address=supplier.address,
        supplier_mail=supplier.mail,
        state=state,
        drafted_at=order.drafted_at,
        sent_at=order.sent_at,
        promised_for=order.promised_for,
        needed_by=(need.by if need else None) if follows else order.needed_by,
        note=order.note,
        lines=lines,
        currency=currency,
        is_foreign=currency != shop.currency,
        terms=_terms(order, supplier, lines, steps=steps),
        arrival=arrival(order, known, today=today, need=need) if known is not None and awaited else None,
    )


def _terms(order: Order, supplier: Supplier, lines: Sequence[LineView], *, steps: Steps) -> OrderTerms:
    goods = sum(line.total_minor for line in lines)
    drafted, seller = order.state == OrderState.DRAFTED, offers.seller_of(supplier, tuple(steps))
    parcel = seller.freight_minor(goods) if goods else 0
    return OrderTerms(
        freight_minor=parcel if drafted else order.freight_minor,
        free_from_minor=supplier.free_freight_minor,
        least_minor=supplier.least_minor,
        basket=seller.reached(sum(line.spools for line in lines)) if drafted else None,
    )


def arrival(order: Order, known: Learned, *, today: date, need: Need | None) -> Arrival:
    """Give when an order comes: as promised, else in the middle of what its supplier's deliveries take.

    It is needed by the day that a person said, else as its open lines say.
    """
    return Arrival(
        on=known.due_on(order, today=today),
        is_promised=order.promised_for is not None,
        is_sent=order.sent_at is not None,
        need=Need(order.needed_by) if order.needed_said and order.needed_by else need,
        today=today,
    )


def _views_of_lines(session: Session, order_ids: Sequence[int]) -> dict[int, list[LineView]]:
    """Give the lines of these orders by order."""
    came = arrived_by_line(session, order_ids)
    query = (
        select(OrderLine, col(Offer.their_number), col(Offer.pack), col(Offer.live))
        .join(Offer, col(Offer.id) == col(OrderLine.offer_id))
        .where(col(OrderLine.order_id).in_(order_ids), col(OrderLine.live))
        .order_by(col(OrderLine.id))
    )
    rows = session.execute(query).all()
    known = finding.items(session, {line.article_id for line, *_ in rows})
    lines: dict[int, list[LineView]] = {}
    for line, their_number, pack, stands in rows:
        view = LineView(
            line_id=line.id,
            item=known[line.article_id],
            their_number=their_number,
            spools=line.spools,
            arrived=came.get(line.id, 0),
            spool_mg=line.spool_mg,
            pack=pack,
            price_minor=line.price_minor,
            is_withdrawn=not stands,
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
