"""What needs a person today: feeds that end, items to order, orders, jobs, draws, weighings, stops and takings.

The start page calls it and words it. It only reads, in a number of queries that does not grow with the workshop.
"""

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from datetime import date, datetime, timedelta
from typing import Any, Generic, TypeVar

from sqlalchemy import BigInteger, Select, cast, func, literal, null, or_, select, union_all
from sqlalchemy.orm import Session
from sqlalchemy.sql.elements import SQLCoreOperations
from sqlmodel import col

from spoolkeep.domain.codes import CodeKind
from spoolkeep.domain.planned import Cause, State
from spoolkeep.domain.rightspool import Weight
from spoolkeep.domain.words import TO_COME, NoticeKind, OrderState, TakingsKind
from spoolkeep.services import (
    airing,
    firsthour,
    leadtimes,
    orderbook,
    orderneeds,
    orderplan,
    steady,
    stock,
    tonight,
    toweigh,
)
from spoolkeep.services.deliveries import lacking_of_line
from spoolkeep.services.finding import Item
from spoolkeep.services.firsthour import Hour
from spoolkeep.services.leadtimes import Learned
from spoolkeep.services.orderbook import OPEN_STATES, TooLate
from spoolkeep.services.orderplan import LIKELY, SOMETIMES, PlanView
from spoolkeep.services.shop import code_text, load_shop
from spoolkeep.services.steady import Behind
from spoolkeep.services.stock import Standing
from spoolkeep.services.toweigh import ToWeigh
from spoolkeep.store.columns import Moment
from spoolkeep.store.tables import (
    Addressee,
    Balance,
    Job,
    Machine,
    Movement,
    Notice,
    Order,
    OrderLine,
    Spool,
    Stop,
    Supplier,
    TakingsDay,
)

SHOWN = 3
"""So many of a kind are named; the rest is a number."""
TAKINGS_DAYS = 40
ENOUGH_DAYS = 10
WEEK = timedelta(days=7)

Kept = TypeVar("Kept")


@dataclass(frozen=True)
class Some(Generic[Kept]):
    """How many there are of a kind, and the worst few."""

    count: int
    first: tuple[Kept, ...]

    def __bool__(self) -> bool:
        """Say whether there are any."""
        return self.count > 0


@dataclass(frozen=True)
class FeedEnd:
    """A feed whose spool, and the one that stands by, may well end before tomorrow's opening."""

    feed: str
    feed_id: int
    item: Item | None
    """None where no spool is on it, and a job is to come."""
    left_mg: int
    ends_at: datetime
    """Now where nothing is left."""
    chance: float
    """That it lasts."""
    wrong: str = ""
    """Why the spool on it must not be used for its job."""


@dataclass(frozen=True)
class ItemDue:
    """An item that the plan orders for its own sake, or of which planned jobs need more than is here and coming."""

    item: Item
    short_mg: int
    lasts_days: int
    """What is here and coming, as drawn on average."""
    late: bool
    """Whether it has more likely than not run out before an order of today comes."""


@dataclass(frozen=True)
class OrderDue:
    """An order that is awaited by today, or drafted and not sent."""

    order_id: int
    code: str
    supplier: str
    due_on: date
    """For a draft, the day on which it was drafted."""
    promised: bool
    late: bool = False
    """Whether its promise has passed, or nine in ten of its supplier's deliveries would have come."""


@dataclass(frozen=True)
class Waiting:
    """A job past its due time, an open draw, a spool to weigh, or a machine that stands still."""

    number: int
    name: str
    at: datetime | None
    mg: int
    item: Item | None

    @property
    def spool_code(self) -> str:
        """Give its label's code, where it is a spool."""
        return code_text(CodeKind.SPOOL, self.number)


@dataclass(frozen=True)
class Today:
    """Everything that needs a person today; `steps` is given as long as a new workshop is led by the hand."""

    day: date
    opening: datetime
    """Tomorrow's."""
    steps: Hour | None
    stops: Some[Waiting]
    feeds: Some[FeedEnd]
    items: Some[ItemDue]
    jobs: Some[Waiting]
    late_orders: Some[TooLate]
    """Orders that come after the day on which they are needed, or for which no day is promised."""
    deliveries: Some[OrderDue]
    draws: Some[Waiting]
    weighings: Some[Waiting]
    doubts: Some[ToWeigh]
    """Spools of which nobody knows whether they last for a job that is to come."""
    drafts: Some[OrderDue]
    clock: Behind | None
    """How far this computer's clock is behind the books, where it is."""
    dry: Some[airing.Drying]
    """Spools that are dry and still in a dryer."""
    notices: Some[Waiting]
    """Addressees whose notices were given up."""
    takings_until: date | None
    """The last day whose takings were entered, where yesterday's are missing."""

    @property
    def needs(self) -> tuple[str, ...]:
        """Give the names of what is there, worst first."""
        worst = ("clock", "stops", "feeds", "items", "jobs", "late_orders")
        rest = ("deliveries", "draws", "weighings", "doubts", "drafts", "dry", "notices")
        return tuple(name for name in (*worst, *rest, "takings_until") if getattr(self, name))


def needed(*, session: Session, now: datetime, wall: datetime | None = None) -> Today:
    """Give what needs a person today; `wall` is what the computer's clock says, where that may be another moment."""
    shop = load_shop(session)
    today = shop.today(now)
    lead_times = leadtimes.learned(session, shop=shop, today=today)
    told = stock.standing(session=session, now=now, lead_times=lead_times)
    known = told.known
    drafts, awaited, late = _orders(session, told, now=now)
    waiting = _waiting(session, known, now)
    led = firsthour.hour(session, shop)
    return Today(
        day=today,
        opening=shop.opening(now),
        steps=None if led.is_over else led,
        stops=waiting["stops"],
        feeds=_some(feeds_that_end(session=session, now=now) if led.has_spools else []),
        items=_items(orderplan.kept(session=session, now=now, told=told)),
        jobs=waiting["jobs"],
        late_orders=_some(late),
        deliveries=_some(awaited),
        draws=waiting["draws"],
        weighings=waiting["weighings"],
        doubts=_some(toweigh.asked(session=session) if led.has_spools else []),
        drafts=_some(drafts),
        clock=steady.behind(session, wall) if wall else None,
        dry=_some([one for one in airing.in_dryers(session) if one.ready_at <= now]),
        notices=waiting["notices"],
        takings_until=_takings_until(session, today - timedelta(days=1)),
    )


def _some(found: Sequence[Kept]) -> Some[Kept]:
    return Some(len(found), tuple(found[:SHOWN]))


def feeds_that_end(*, session: Session, now: datetime) -> list[FeedEnd]:
    """Give the feeds that may well end before tomorrow's opening, the dearest first, and those that are empty."""
    ahead = tonight.look_ahead(session=session, now=now)
    found = []
    for one in ahead.to_see_to:
        on = one.feed.in_use
        if on is None and not one.night.needs_mg:
            continue
        stops = one.checked.weight is Weight.STOP
        ends_at = now if one.left_mg <= 0 or stops else one.night.risk.ends_at
        if ends_at is not None:
            item = on.spool.item if on else None
            wrong = " ".join(fault.words for fault in one.checked.open if fault.weight is Weight.STOP).rstrip(".")
            found.append(FeedEnd(one.feed.name, one.feed.feed_id, item, one.left_mg, ends_at, one.chance, wrong))
    return found


def _items(plan: PlanView) -> Some[ItemDue]:
    found = [
        ItemDue(one.item, one.short_mg, one.told.lasts_days, late=one.told.chance_now >= LIKELY)
        for one in plan.items
        if one.short_mg
        or one.told.cause in {Cause.LATE, Cause.RISK, Cause.DUE, Cause.ENDS}
        or (one.told.state is State.NOBODY and one.told.chance_now >= SOMETIMES)
        or (one.told.chance_now >= LIKELY and not one.on_order_mg)
        or (one.told.order_by_days == 0 and not one.spools and not one.on_order_mg)
    ]
    return _some(sorted(found, key=lambda one: (not one.late, -one.short_mg, one.lasts_days, one.item.name)))


def _orders(session: Session, told: Standing, *, now: datetime) -> tuple[list[OrderDue], list[OrderDue], list[TooLate]]:
    """Give drafts, orders awaited by today (late ones first), and what comes too late."""
    shop, today, lead_times = told.shop, told.today, told.taking
    lacking = lacking_of_line()
    query = (
        select(Order, Supplier, lacking)
        .join(Supplier, col(Supplier.id) == col(Order.supplier_id))
        .join(OrderLine, col(OrderLine.order_id) == col(Order.id))
        .where(col(Order.live), col(OrderLine.live), col(Order.state).in_(OPEN_STATES))
        .where((col(Order.state) == OrderState.DRAFTED) | (lacking > 0))
    )
    drafts, awaited, coming = {}, {}, {}
    for order, supplier, missing in session.execute(query):
        due = _due(order, supplier, lead_times[supplier.id], today=today)
        coming[order.id] = order, supplier
        if order.state == OrderState.DRAFTED:
            drafts[order.id] = due
        elif missing > 0 and due.due_on <= today:
            awaited[order.id] = due
    needs = orderneeds.needs(session=session, now=now, told=told)
    by_day: Callable[[OrderDue], tuple[bool, date, int]] = lambda one: (not one.late, one.due_on, one.order_id)  # noqa: E731
    late = orderbook.too_late(coming.values(), lead_times, needs=needs, shop=shop, now=now)
    return sorted(drafts.values(), key=by_day), sorted(awaited.values(), key=by_day), late


def _due(order: Order, supplier: Supplier, known: Learned, *, today: date) -> OrderDue:
    """Give when an order is due; of a draft, when it was drafted."""
    drafted_on = known.opens.shop.today(order.drafted_at)
    return OrderDue(
        order_id=order.id,
        code=code_text(CodeKind.ORDER, order.serial),
        supplier=supplier.name,
        due_on=drafted_on if order.sent_at is None else known.due_on(order, today=today),
        promised=order.promised_for is not None,
        late=known.is_late(order, today=today),
    )


def _waiting(session: Session, known: dict[int, Item], now: datetime) -> dict[str, Some[Waiting]]:
    """Give, by kind, how many wait and the oldest few: five kinds in one query."""
    counts: dict[str, int] = {}
    first: dict[str, list[Waiting]] = {"stops": [], "jobs": [], "draws": [], "weighings": [], "notices": []}
    kinds = [_stops(), _jobs(now), _draws(), _weighings(), _notices()]
    for kind, count, number, name, at, mg, article_id in session.execute(union_all(*kinds)):
        counts[kind] = count
        first[kind].append(Waiting(number, name or "", at, int(mg or 0), known.get(article_id or 0)))
    return {kind: Some(counts.get(kind, 0), tuple(some)) for kind, some in first.items()}


_NO_NUMBER = cast(null(), BigInteger)


def _few(kind: str, columns: Sequence[Any], query: Select[Any], by: SQLCoreOperations[Any]) -> Select[Any]:
    """Give the first few of a query in the shape (kind, count, number, name, at, mg, article)."""
    names = ("number", "name", "at", "mg", "article_id")
    shaped = [column.label(name) for name, column in zip(names, columns, strict=True)]
    few = query.with_only_columns(literal(kind).label("kind"), func.count().over().label("count"), *shaped)
    return select(few.order_by(by).limit(SHOWN).subquery(kind))


def _stops() -> Select[Any]:
    query = select(Stop).join(Machine, col(Machine.id) == col(Stop.machine_id))
    lasting = query.where(col(Stop.live), col(Stop.until_at).is_(None))
    shape = (col(Stop.id), col(Machine.name), col(Stop.from_at), _NO_NUMBER, col(Stop.article_id))
    return _few("stops", shape, lasting, col(Stop.from_at))


def _jobs(now: datetime) -> Select[Any]:
    late = select(Job).where(col(Job.live), col(Job.state).in_(TO_COME), col(Job.due_at) < now)
    return _few("jobs", (col(Job.id), col(Job.title), col(Job.due_at), _NO_NUMBER, _NO_NUMBER), late, col(Job.due_at))


def _draws() -> Select[Any]:
    back = select(col(Movement.reverses_id)).where(
        col(Movement.spool_id).is_(None), col(Movement.reverses_id).is_not(None)
    )
    query = select(Movement).outerjoin(Job, col(Job.id) == col(Movement.job_id))
    waiting = query.where(col(Movement.spool_id).is_(None), col(Movement.sign) == 1, col(Movement.id).not_in(back))
    at = col(Movement.occurred_at)
    return _few(
        "draws", (col(Movement.id), col(Job.title), at, -col(Movement.asked_mg), col(Movement.article_id)), waiting, at
    )


def _weighings() -> Select[Any]:
    query = select(Spool).join(Balance, col(Balance.spool_id) == col(Spool.id))
    asking = query.where(col(Balance.doubtful), col(Spool.live), col(Spool.retired_on).is_(None))
    shape = (col(Spool.serial), col(Spool.lot), cast(null(), Moment), col(Balance.left_mg), col(Spool.article_id))
    return _few("weighings", shape, asking, col(Spool.serial))


def _notices() -> Select[Any]:
    of_them = col(Notice.addressee_id) == col(Addressee.id)
    failed_at = select(func.max(col(Notice.given_up_at))).where(of_them, col(Notice.kind) != NoticeKind.TRIAL)
    sent_at = select(func.max(col(Notice.sent_at))).where(of_them).correlate(Addressee).scalar_subquery()
    at = failed_at.correlate(Addressee).scalar_subquery()
    getting = select(Addressee).where(col(Addressee.removed_at).is_(None), ~col(Addressee.paused))
    failed = getting.where(at.is_not(None), or_(sent_at.is_(None), sent_at < at))
    return _few("notices", (col(Addressee.id), col(Addressee.name), at, _NO_NUMBER, _NO_NUMBER), failed, at)


def _takings_until(session: Session, yesterday: date) -> date | None:
    """Give the last day with takings where yesterday's are missing; a weekday on which nothing is ever sold is none."""
    query = (
        select(col(TakingsDay.shop_day))
        .where(col(TakingsDay.shop_day) <= yesterday, col(TakingsDay.amount_minor) != 0)
        .where(col(TakingsDay.kind) == TakingsKind.SALE)
        .distinct()
        .order_by(col(TakingsDay.shop_day).desc())
        .limit(TAKINGS_DAYS)
    )
    days = session.scalars(query).all()
    if not days or days[0] == yesterday:
        return None
    closed = len(days) >= ENOUGH_DAYS and all(day.weekday() != yesterday.weekday() for day in days)
    return None if closed and yesterday - days[0] < WEEK else days[0]
