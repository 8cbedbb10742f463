"""Orders: drafted, sent, promised, called off; how they stand is in the order book.

The web's Orders page and the command line call it.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import date, datetime

from sqlalchemy import func, select
from sqlalchemy.orm import Session
from sqlmodel import col

from spoolkeep.domain.codes import CodeKind
from spoolkeep.domain.errors import BadInput, Conflict, NotFound
from spoolkeep.domain.terms import MOST_SPOOLS, Bought, bill
from spoolkeep.domain.words import OrderState
from spoolkeep.services import finding, offers, orderneeds
from spoolkeep.services.orderbook import OVERDUE, lines_of, standing, view
from spoolkeep.services.shop import code_text, load_shop, next_serials
from spoolkeep.store.acts import By, once
from spoolkeep.store.journal import change, create
from spoolkeep.store.tables import Act, Offer, Order, OrderLine, OrderPromise, Supplier


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
        today = load_shop(session).today(now)
        by_supplier: dict[int, list[tuple[Offer, int]]] = {}
        for one in chosen:
            offer = read_offer(session, one)
            offers.check_holds(session, offer, today)
            by_supplier.setdefault(offer.supplier_id, []).append((offer, one.spools))
        prices = _prices(session, by_supplier)
        orders = [
            _draft_one(
                session,
                act,
                Order(serial=0, supplier_id=number, drafted_at=now),
                lines=lines,
                prices=prices[number],
            )
            for number, lines in by_supplier.items()
        ]
        return OrderAnswer(act.id, tuple(order.id for order in orders))

    request = {"wanted": list(wanted)}
    return once(session, "draft order", by=by, now=now, request=request, answers=OrderAnswer, do=do)


def in_packs(session: Session, wanted: Mapping[int, int]) -> tuple[list[Wanted], tuple[str, ...]]:
    """Give spools by offer as they are sold: in whole packs, from the least number on; and what that changed, in words.

    An offer that is not there any more stays as it is asked for: to draft it is refused.
    """
    chosen, told = [], []
    for number, asked in wanted.items():
        offer = session.get(Offer, number)
        spools = (
            offers.terms_of(session, [offer])[offer.id].bought(asked) if offer is not None and offer.live else asked
        )
        if offer is not None and spools != asked:
            name = finding.item_name(session, offer.article_id)
            told.append(f"{name}: {asked} asked for, {spools} taken, as it is sold.")
        chosen.append(Wanted(number, spools))
    return chosen, tuple(told)


def last_id(session: Session) -> int:
    """Give the number of the newest order, 0 where there is none."""
    return session.scalar(select(func.max(col(Order.id)))) or 0


def check_seen(session: Session, seen: int | None) -> None:
    """Refuse to draft from a page that is older than the newest order. Errors: Conflict; None is not asked."""
    if seen is not None and seen != last_id(session):
        words = (
            "Meanwhile another order was drafted, so this page is old. Look at the plan again: it counts that order."
        )
        raise Conflict("drafted_since", words)


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


def read_offer(session: Session, wanted: Wanted) -> Offer:
    """Give the offer that is wanted, of which so many spools can be had. Errors: BadInput, NotFound."""
    offer = session.get(Offer, wanted.offer_id)
    if offer is None or not offer.live:
        raise NotFound("no_such_offer", "There is no such offer any more. Open the page again.")
    if not 0 < wanted.spools <= MOST_SPOOLS:
        raise BadInput("no_such_number", f"Order 1 to {MOST_SPOOLS} spools of an item.")
    if wanted.spools % offer.pack or wanted.spools < offer.least_spools:
        name = finding.item_name(session, offer.article_id)
        told = [f"in packs of {offer.pack}"] if offer.pack > 1 else []
        told += [f"from {offer.least_spools} spools on"] if offer.least_spools > 1 else []
        words = f"{name} is sold {', '.join(told)}. Change the number."
        raise BadInput("not_whole_packs", words)
    return offer


def _prices(session: Session, wanted: Mapping[int, Sequence[tuple[Offer, int]]]) -> dict[int, tuple[int, ...]]:
    """Give by supplier what a spool of each line costs, with breaks and what is taken off the basket."""
    terms = offers.terms_of(session, [offer for lines in wanted.values() for offer, _ in lines])
    baskets = offers.baskets(session)
    found = {}
    for number, lines in wanted.items():
        seller = offers.seller_of(session.get_one(Supplier, number), baskets.get(number, ()))
        found[number] = bill([Bought(terms[offer.id], spools) for offer, spools in lines], seller).prices_minor
    return found


def _draft_one(
    session: Session, act: Act, order: Order, *, lines: Sequence[tuple[Offer, int]], prices: Sequence[int]
) -> Order:
    order.serial = next_serials(session, CodeKind.ORDER)[0]
    create(session, act, order)
    for (offer, spools), price_minor in zip(lines, prices, strict=True):
        line = OrderLine(
            order_id=order.id,
            offer_id=offer.id,
            article_id=offer.article_id,
            spools=spools,
            spool_mg=offer.spool_mg,
            price_minor=price_minor,
        )
        create(session, act, line)
    return order


def set_state(session: Session, act: Act, order: Order, state: OrderState, *, now: datetime) -> None:
    """Put an order into a state.

    Once it is sent, it keeps what its parcel costs by the terms of that day, and the day on its sheet by which it is
    needed.
    """
    if state is OrderState.SENT and not order.needed_said:
        need = orderneeds.needs(session=session, now=now).get(order.id)
        change(session, act, order, needed_by=need.by if need else None)
    change(session, act, order, state=state)
    if state is OrderState.SENT:
        lines = lines_of(session, [order.id])
        goods = sum(line.spools * line.price_minor for line in lines)
        seller = offers.seller_now(session, session.get_one(Supplier, order.supplier_id))
        change(session, act, order, sent_at=now, freight_minor=seller.freight_minor(goods) if goods else 0)
        for line in lines:
            change(session, act, line, placed_at=now)
    if state in {OrderState.CLOSED_SHORT, OrderState.CALLED_OFF}:
        change(session, act, order, closed_at=now)


def _promise(session: Session, act: Act, order: Order, promised_for: date | None, *, now: datetime) -> None:
    if promised_for is None:
        raise BadInput("no_day", "Say for which day the supplier promises it.")
    if promised_for < load_shop(session).today(order.drafted_at):
        raise BadInput("before_its_order", "A promise cannot lie before the order was drafted. Check the date.")
    if promised_for > load_shop(session).today(now) + offers.FURTHEST:
        raise BadInput("no_such_day", "A promise lies within two years. Check the date.")
    change(session, act, order, promised_for=promised_for)
    for line in lines_of(session, [order.id]):
        change(session, act, line, confirmed_for=promised_for)
        session.add(OrderPromise(act_id=act.id, order_line_id=line.id, promised_for=promised_for, said_at=now))
