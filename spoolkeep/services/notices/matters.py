"""What there is to warn of at a moment: stops, feeds that will not last the night, late deliveries, items to order.

The sending of notices calls it. It only reads, by the services that the pages read.
"""

from collections.abc import Callable, Collection
from datetime import datetime, timedelta
from enum import StrEnum

from sqlalchemy import select
from sqlalchemy.orm import Session
from sqlmodel import col

from spoolkeep.domain.codes import CodeKind
from spoolkeep.domain.notices import Matter
from spoolkeep.domain.words import OrderState
from spoolkeep.services import finding, leadtimes, orderdays, today
from spoolkeep.services.deliveries import lacking_of_line
from spoolkeep.services.orderbook import OPEN_STATES
from spoolkeep.services.shop import Shop, code_text, load_shop
from spoolkeep.services.today import FeedEnd
from spoolkeep.store.tables import Machine, Order, OrderLine, Stop, Supplier

BEFORE_LEAVING = timedelta(hours=1)
"""From so long before the last person leaves, and until as long after, a night is warned of. Source: our own choice."""


class About(StrEnum):
    """What a warning is about; an addressee chooses among them. The worst first."""

    STOPS = "stops"
    NIGHTS = "nights"
    LATE = "late"
    ORDERS = "orders"


def standing(*, session: Session, now: datetime, about: Collection[About]) -> list[Matter]:
    """Give what there is to warn of now, of these kinds, the worst first. A key begins with its kind."""
    shop = load_shop(session)
    found: list[Matter] = []
    for kind in About:
        if kind in about:
            found += _OF[kind](session, shop, now)
    return found


def kind_of(key: str) -> About:
    """Give what a matter is about, by its key."""
    return About(key.partition(":")[0])


def feed_words(feed: FeedEnd, shop: Shop) -> tuple[str, str]:
    """Give what is the matter with a feed tonight: in a few words, and as a sentence."""
    item = f": {feed.item.name}" if feed.item else ""
    if feed.wrong:
        head = f"{feed.feed} has a wrong spool on it"
        return head, f"{head}. {feed.wrong}."
    if feed.item is None:
        head = f"{feed.feed} has no spool"
        return head, f"{head}, and a job is to come."
    if feed.left_mg <= 0:
        head = f"{feed.feed} is empty by the books"
        return head, f"{head}{item}."
    head = f"{feed.feed} may not last until tomorrow's opening"
    ends = f"it could end at {shop.formats.clock(feed.ends_at)}"
    return head, f"{head}{item}, {shop.formats.grams(feed.left_mg)}; {ends}."


def _stops(session: Session, shop: Shop, now: datetime) -> list[Matter]:
    query = (
        select(Stop, col(Machine.name))
        .join(Machine, col(Machine.id) == col(Stop.machine_id))
        .where(col(Stop.live), col(Stop.until_at).is_(None))
        .order_by(col(Stop.from_at), col(Stop.id))
    )
    found = session.execute(query).all()
    items = finding.items(session, {stop.article_id for stop, _ in found if stop.article_id})
    return [
        Matter(
            key=f"{About.STOPS}:{stop.id}",
            head=f"{name} stands still",
            words=f"{name} stands still since {_since(shop, stop.from_at, now)}"
            + (f", for want of {items[stop.article_id].name}." if stop.article_id else "."),
            act="Say that it runs again, or look at the stop",
            page="Jobs",
            path=f"/jobs/stops/{stop.id}",
        )
        for stop, name in found
    ]


def _since(shop: Shop, moment: datetime, now: datetime) -> str:
    same_day = shop.clock.local(moment).date() == shop.clock.local(now).date()
    return shop.formats.clock(moment) if same_day else shop.formats.moment(moment)


def _nights(session: Session, shop: Shop, now: datetime) -> list[Matter]:
    day = shop.today(now)
    after_midnight = shop.closes_hour <= shop.day_starts_hour
    leaves = shop.hour_of(day + timedelta(days=after_midnight), shop.closes_hour)
    if not leaves - BEFORE_LEAVING <= now < leaves + BEFORE_LEAVING:
        return []
    found = []
    for one in today.feeds_that_end(session=session, now=now):
        head, words = feed_words(one, shop)
        key = f"{About.NIGHTS}:feed {one.feed_id}:{day.isoformat()}"
        found.append(Matter(key, head, words, "See what to load", "Tonight", "/tonight"))
    return found


def _late(session: Session, shop: Shop, now: datetime) -> list[Matter]:
    day = shop.today(now)
    lacking = lacking_of_line()
    query = (
        select(Order, Supplier)
        .join(Supplier, col(Supplier.id) == col(Order.supplier_id))
        .where(col(Order.live), col(Order.state).in_(OPEN_STATES), col(Order.state) != OrderState.DRAFTED)
        .where(
            select(col(OrderLine.id))
            .where(col(OrderLine.order_id) == col(Order.id), col(OrderLine.live), lacking > 0)
            .exists()
        )
        .order_by(col(Order.id))
    )
    awaited = session.execute(query).all()
    taking = leadtimes.learned(session, shop=shop, today=day) if awaited else {}
    found = []
    for order, supplier in awaited:
        known = taking[supplier.id]
        if known.is_late(order, today=day):
            due_on = order.promised_for or known.due_on(order, today=day)
            told = "promised for" if order.promised_for else "by the usual days it was to come"
            code, since = code_text(CodeKind.ORDER, order.serial), shop.formats.short_day(due_on)
            head = f"A delivery of {supplier.name} is late"
            key = f"{About.LATE}:order {order.id}:{order.promised_for or 'no promise'}"
            words = f"{head}: {code}, {told} {since}."
            found.append((due_on, Matter(key, head, words, "Ask, or book it in", "Orders", f"/orders/{order.id}")))
    return [matter for _, matter in sorted(found, key=lambda one: (one[0], one[1].key))]


def _orders(session: Session, shop: Shop, now: datetime) -> list[Matter]:
    by = shop.today(now) + timedelta(days=1)
    found = []
    for row in orderdays.rows(session=session, now=now):
        if row.order.is_due(by):
            is_now = row.order.spools > 0 or (row.order.day or by) < by
            when = "today" if is_now else "by tomorrow"
            head = f"{row.item.name} is to be ordered {when}"
            lasts = f"{shop.formats.grams(row.usable_mg)} are left"
            words = f"{head}{f', from {row.order.supplier}' if row.order.supplier else ''}: {lasts}."
            key = f"{About.ORDERS}:item {row.item.article_id}"
            found.append(Matter(key, head, words, "Order", "Orders", "/orders"))
    return found


_OF: dict[About, Callable[[Session, Shop, datetime], list[Matter]]] = {
    About.STOPS: _stops,
    About.NIGHTS: _nights,
    About.LATE: _late,
    About.ORDERS: _orders,
}
