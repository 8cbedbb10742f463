"""Booking in with a scanner: what an order's code, a maker's code or a place's code means while a delivery is entered.

The web's Deliveries page calls it. It only reads.
"""

from dataclasses import dataclass
from datetime import date, datetime

from sqlalchemy import select
from sqlalchemy.orm import Session
from sqlmodel import col

from spoolkeep.domain.codes import CodeKind, RetailCode, kind_in_words, read_code
from spoolkeep.domain.errors import BadInput, Conflict
from spoolkeep.services import finding, offers, orderbook
from spoolkeep.services.orderbook import LineView, OrderView
from spoolkeep.services.shop import load_shop
from spoolkeep.store.tables import Offer, OrderLine, Spool, Supplier


@dataclass(frozen=True)
class Filled:
    """An offer as it fills the form."""

    offer_id: int
    supplier_id: int
    article_id: int
    spool_mg: int
    tare_mg: int | None
    price_minor: int
    spools: int
    place_id: int | None
    is_foreign: bool = False
    """Whether the price stands in another currency than the workshop's."""


@dataclass(frozen=True)
class Heard:
    """What a scan says for the delivery that is being entered."""

    words: str
    is_known: bool = True
    """Whether it leads further by itself; else a person chooses what the code belongs to."""
    retail_code: str = ""
    order_id: int | None = None
    line_id: int | None = None
    offer: Filled | None = None
    place_id: int | None = None


def hear(*, session: Session, now: datetime, text: str, order_id: int | None) -> Heard:
    """Give what a scan says: an order opens, a maker's code finds its line or its offer, a place is where it is put.

    Errors: BadInput for another code; NotFound; Conflict for an order that awaits nothing.
    """
    code = read_code(text)
    if isinstance(code, RetailCode):
        return _makers(session, now, code.digits, order_id)
    if code.kind is CodeKind.ORDER:
        order = finding.order_by_serial(session, code.serial)
        awaited = orderbook.listed(session=session, now=now, open_only=True, limit=None)
        if order.id not in {one.order_id for one in awaited}:
            words = f"Order {code.grouped} awaits nothing: it is {order.state} or all in. Book in without it."
            raise Conflict("order_is_closed", words)
        return Heard(f"Order {code.grouped}. Scan a maker’s code, or book it in.", order_id=order.id)  # noqa: RUF001
    if code.kind is CodeKind.PLACE:
        place = finding.place_by_serial(session, code.serial)
        return Heard(f"It goes to {place.name}.", order_id=order_id, place_id=place.id)
    what = kind_in_words(code.kind)
    raise BadInput("not_here", f"{code.text} is the code of {what}. Here scan an order, a maker's code or a place.")


def place_of_last(session: Session, article_id: int) -> int | None:
    """Give where the item's last spools were first put away; None where there were none."""
    query = select(col(Spool.home_id)).where(
        col(Spool.article_id) == article_id, col(Spool.live), col(Spool.home_id).is_not(None)
    )
    return session.scalars(query.order_by(col(Spool.id).desc())).first()


def _makers(session: Session, now: datetime, digits: str, order_id: int | None) -> Heard:
    known = offers.with_code(session, digits)
    awaited = orderbook.listed(session=session, now=now, open_only=True, limit=None)
    chosen = next((order for order in awaited if order.order_id == order_id), None)
    of_items = {offer.article_id for offer in known}
    among = [chosen] if chosen else sorted(awaited, key=lambda one: (one.promised_for or date.max, one.order_id))
    for order in among:
        line = _line_of(session, order, {offer.id for offer in known}, of_items)
        if line is not None:
            words = f"{line.item.name}, of order {order.code}."
            return Heard(words, retail_code=digits, order_id=order.order_id, line_id=line.line_id)
    if chosen and not known:
        return _unknown_in_order(digits, chosen)
    if known:
        return _offered(session, digits, known[0], order=chosen)
    words = f"{digits} is new here. Choose its item and supplier; it is known from then on."
    return Heard(words, is_known=False, retail_code=digits)


def _line_of(session: Session, order: OrderView, offer_ids: set[int], article_ids: set[int]) -> LineView | None:
    """Give a line that awaits something: of these offers, else of these items; None where none does."""
    wanted = [line for line in order.lines if line.item.article_id in article_ids]
    ids = {line.line_id for line in wanted}
    query = select(col(OrderLine.id)).where(col(OrderLine.id).in_(ids), col(OrderLine.offer_id).in_(offer_ids))
    exact = set(session.scalars(query))
    return min(
        (line for line in wanted if line.arrived < line.spools),
        key=lambda line: (line.line_id not in exact, line.line_id),
        default=None,
    )


def _unknown_in_order(digits: str, order: OrderView) -> Heard:
    lacking = [line for line in order.lines if line.arrived < line.spools]
    if len(lacking) == 1:
        words = f"{digits} is new here, and taken for {lacking[0].item.name}: the only line that awaits something."
        return Heard(words, retail_code=digits, order_id=order.order_id, line_id=lacking[0].line_id)
    words = f"{digits} is new here. Choose the line that it is on; it is known from then on."
    return Heard(words, is_known=False, retail_code=digits, order_id=order.order_id)


def _offered(session: Session, digits: str, offer: Offer, *, order: OrderView | None) -> Heard:
    name = finding.item_name(session, offer.article_id)
    if order is not None:
        words = f"{digits} is {name}, of which order {order.code} awaits nothing. Book it in without the order."
        raise Conflict("not_on_order", words)
    supplier = session.get_one(Supplier, offer.supplier_id)
    filled = Filled(
        offer_id=offer.id,
        supplier_id=offer.supplier_id,
        article_id=offer.article_id,
        spool_mg=offer.spool_mg,
        tare_mg=offer.tare_mg,
        price_minor=offers.price_at(session, offer, offer.pack),
        spools=offer.pack,
        place_id=place_of_last(session, offer.article_id),
        is_foreign=supplier.currency not in {None, load_shop(session).currency},
    )
    price = f" It is priced in {supplier.currency}: enter what a spool costs you." if filled.is_foreign else ""
    words = f"{name}, from {supplier.name}. Enter how many came.{price}"
    return Heard(words, retail_code=digits, offer=filled)
