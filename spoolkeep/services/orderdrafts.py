"""Orders while they are drafted: their note, a day that a person says, their lines; and all of them sent at once.

The Orders pages call it.
"""

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from datetime import date, datetime

from sqlalchemy import or_, select
from sqlalchemy.orm import Session
from sqlmodel import col

from spoolkeep.domain.codes import CodeKind
from spoolkeep.domain.errors import BadInput, Conflict
from spoolkeep.domain.terms import Bought, bill
from spoolkeep.domain.words import OrderState
from spoolkeep.services import finding, offers, orders
from spoolkeep.services.offers import FURTHEST
from spoolkeep.services.orderbook import LineView, OrderView, lines_of, standing, view
from spoolkeep.services.orders import Wanted
from spoolkeep.services.shop import code_text, load_shop
from spoolkeep.store.acts import By, once
from spoolkeep.store.journal import change, create
from spoolkeep.store.tables import Act, Offer, OrderLine, Supplier

MOST_NOTE = 1000


@dataclass(frozen=True)
class DraftAnswer:
    """What became of a draft, and what a person should know of it: each price that is another now."""

    act_id: int
    order_ids: tuple[int, ...]
    notes: tuple[str, ...] = ()


@dataclass(frozen=True)
class Addable:
    """An offer of an order's supplier that is not in the order yet. The price is for one spool, without any break."""

    offer_id: int
    name: str
    pack: int
    least_spools: int
    spool_mg: int
    price_minor: int


def note_and_day(
    *, session: Session, now: datetime, by: By, order_id: int, note: str, needed_by: date | None
) -> DraftAnswer:
    """Write a draft's note, and by when it is needed; without a day that follows from how its lines stand.

    Errors: BadInput, NotFound, Conflict.
    """

    def do(act: Act) -> DraftAnswer:
        drafted = _draft(session, now, order_id)
        today = load_shop(session).today(now)
        if len(note) > MOST_NOTE:
            raise BadInput("too_long", f"The note has {len(note)} characters. Write at most {MOST_NOTE}.")
        if needed_by is not None and needed_by != drafted.needed_by and not today <= needed_by <= today + FURTHEST:
            raise BadInput("no_such_day", "It is needed by today or a day of the next two years. Check the date.")
        said = needed_by is not None
        change(session, act, standing(session, order_id), note=note.strip(), needed_by=needed_by, needed_said=said)
        return DraftAnswer(act.id, (order_id,))

    request = {"order_id": order_id, "note": note, "needed_by": needed_by}
    return _once(session, "order note", by=by, now=now, request=request, order_id=order_id, do=do)


def set_spools(*, session: Session, now: datetime, by: By, order_id: int, spools: Mapping[int, int]) -> DraftAnswer:
    """Change how many spools of its lines a draft asks for, by the line's number; 0 takes a line out.

    Prices follow today's offers, their breaks and the supplier's basket break; a line whose offer was withdrawn keeps
    its price and its number, or goes. Errors: BadInput, NotFound, Conflict.
    """

    def do(act: Act) -> DraftAnswer:
        drafted = _draft(session, now, order_id)
        lines = {line.line_id: line for line in drafted.lines}
        if unknown := set(spools) - set(lines):
            raise BadInput("no_such_line", f"Line {min(unknown)} is not in this order any more. Open the page again.")
        wanted = {line_id: spools.get(line_id, line.spools) for line_id, line in lines.items()}
        if not any(wanted.values()):
            raise BadInput("nothing_ordered", "An order has at least 1 spool. To drop it, call it off.")
        for row in lines_of(session, [order_id]):
            _set_line(session, act, row, lines[row.id], spools=wanted[row.id])
        session.flush()
        return DraftAnswer(act.id, (order_id,), _price_again(session, act, order_id, lines))

    request = {"order_id": order_id, "spools": {str(key): value for key, value in sorted(spools.items())}}
    return _once(session, "order lines", by=by, now=now, request=request, order_id=order_id, do=do)


def add_line(*, session: Session, now: datetime, by: By, order_id: int, wanted: Wanted) -> DraftAnswer:
    """Add spools of a further offer of the same supplier to a draft. Errors: BadInput, NotFound, Conflict."""

    def do(act: Act) -> DraftAnswer:
        drafted = _draft(session, now, order_id)
        offer = orders.read_offer(session, wanted)
        offers.check_holds(session, offer, load_shop(session).today(now))
        if offer.supplier_id != drafted.supplier_id:
            raise BadInput("other_supplier", f"That offer is not {drafted.supplier}'s. Draft an order of its own.")
        if any(row.offer_id == offer.id for row in lines_of(session, [order_id])):
            raise Conflict("stands_there", "That offer is in the order already. Change its number of spools.")
        before = {line.line_id: line for line in drafted.lines}
        line = OrderLine(
            order_id=order_id,
            offer_id=offer.id,
            article_id=offer.article_id,
            spools=wanted.spools,
            spool_mg=offer.spool_mg,
            price_minor=offers.price_at(session, offer, wanted.spools),
        )
        create(session, act, line)
        return DraftAnswer(act.id, (order_id,), _price_again(session, act, order_id, before))

    request = {"order_id": order_id, "wanted": wanted}
    return _once(session, "order lines", by=by, now=now, request=request, order_id=order_id, do=do)


def send_all(*, session: Session, now: datetime, by: By, order_ids: Sequence[int]) -> DraftAnswer:
    """Say of these drafts that they are sent, all in one act. Errors: BadInput; NotFound; Conflict where one is not."""

    def do(act: Act) -> DraftAnswer:
        if not order_ids:
            raise BadInput("no_drafts", "No order is drafted, so none is to be sent.")
        for order_id in order_ids:
            _draft(session, now, order_id)
            orders.set_state(session, act, standing(session, order_id), OrderState.SENT, now=now)
        return DraftAnswer(act.id, tuple(order_ids))

    about = "1 order" if len(order_ids) == 1 else f"{len(order_ids)} orders"
    request = {"order_ids": list(order_ids)}
    return once(session, "orders sent", by=by, now=now, request=request, answers=DraftAnswer, about=about, do=do)


def addable(*, session: Session, now: datetime, order: OrderView) -> list[Addable]:
    """Give the supplier's offers that hold today and are not in the order, by item; none once it is no draft."""
    if order.state != OrderState.DRAFTED:
        return []
    today = load_shop(session).today(now)
    there = {row.offer_id for row in lines_of(session, [order.order_id])}
    query = select(Offer).where(
        col(Offer.live),
        col(Offer.supplier_id) == order.supplier_id,
        or_(col(Offer.from_day).is_(None), col(Offer.from_day) <= today),
        or_(col(Offer.until_day).is_(None), col(Offer.until_day) >= today),
    )
    sold = [one for one in session.scalars(query) if one.id not in there]
    known = finding.items(session, {one.article_id for one in sold})
    found = [
        Addable(one.id, known[one.article_id].name, one.pack, one.least_spools, one.spool_mg, one.price_minor)
        for one in sold
        if one.article_id in known
    ]
    return sorted(found, key=lambda one: (one.name, one.price_minor, one.offer_id))


def _draft(session: Session, now: datetime, order_id: int) -> OrderView:
    """Give an order that is drafted still. Errors: NotFound; Conflict where it is anything else by now."""
    found = view(session=session, now=now, order_id=order_id)
    if found.state != OrderState.DRAFTED:
        words = f"Order {found.code} is {found.state}, so it stays as it is. Only a draft can be changed or sent."
        raise Conflict("no_draft", words)
    return found


def _set_line(session: Session, act: Act, row: OrderLine, line: LineView, *, spools: int) -> None:
    if spools == 0:
        change(session, act, row, live=False)
        return
    if spools == row.spools:
        return
    if line.is_withdrawn:
        words = f"{line.item.name}: its offer was withdrawn. Leave {row.spools} spools, or set 0 to take the line out."
        raise Conflict("offer_withdrawn", words)
    offer = orders.read_offer(session, Wanted(row.offer_id, spools))
    if spools > row.spools:
        offers.check_holds(session, offer, load_shop(session).today(act.recorded_at))
    change(session, act, row, spools=spools)


def _price_again(session: Session, act: Act, order_id: int, before: Mapping[int, LineView]) -> tuple[str, ...]:
    """Set the lines' prices by today's offers and the basket break; give what changed of those that were there.

    A line whose offer was withdrawn counts towards the basket, and keeps its price.
    """
    order, shop = standing(session, order_id), load_shop(session)
    rows = lines_of(session, [order_id])
    sold = [session.get_one(Offer, row.offer_id) for row in rows]
    terms = offers.terms_of(session, sold)
    bought = [Bought(terms[row.offer_id], row.spools) for row in rows]
    comes_to = bill(bought, offers.seller_now(session, session.get_one(Supplier, order.supplier_id)))
    formats = view(session=session, now=act.recorded_at, order_id=order_id).priced(shop.formats)
    told = []
    for row, offer, now_minor in zip(rows, sold, comes_to.prices_minor, strict=True):
        price = now_minor if offer.live else row.price_minor
        if row.id in before and price != row.price_minor:
            name, old, new = before[row.id].item.name, formats.money(row.price_minor), formats.money(price)
            told.append(f"{name}: {new} a spool now, it was {old}.")
        change(session, act, row, price_minor=price)
    session.flush()
    return tuple(told)


def _once(
    session: Session,
    kind: str,
    *,
    by: By,
    now: datetime,
    request: Mapping[str, object],
    order_id: int,
    do: Callable[[Act], DraftAnswer],
) -> DraftAnswer:
    about = code_text(CodeKind.ORDER, standing(session, order_id).serial)
    return once(session, kind, by=by, now=now, request=request, answers=DraftAnswer, about=about, do=do)
