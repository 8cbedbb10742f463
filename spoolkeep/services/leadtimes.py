"""How long each supplier's deliveries take, learned from what came of its orders; and when they are to be expected.

Stock, Today, the orders and a supplier's own page ask it. It only reads, in a fixed number of queries.
"""

from collections import Counter
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import date, datetime, timedelta
from functools import cached_property
from typing import NamedTuple

from sqlalchemy import func, select
from sqlalchemy.orm import Session, aliased
from sqlmodel import col

from spoolkeep.domain import leadtimes
from spoolkeep.domain.codes import CodeKind
from spoolkeep.domain.leadtimes import EVERY_DAY, MONDAY_TO_FRIDAY, Chances, Closed, Delivered, LeadTime
from spoolkeep.domain.words import OrderState
from spoolkeep.services.openhours import OpenHours, open_hours
from spoolkeep.services.shop import Shop, code_text
from spoolkeep.store.tables import Act, CalendarDay, Order, OrderLine, OrderPromise, Spool, Supplier

LEARNED_SINCE = timedelta(days=730)
"""Orders of the last two years teach; before, a supplier may have been another. Source: our own choice."""
FORGOTTEN_DAYS, FORGOTTEN_TIMES = 60, 4
"""What is awaited for so many days, and so many times as long as said, was forgotten. Source: our own choice."""
WEEKEND_DELIVERIES, WEEKEND_SHARE = 2, 0.05
"""From so many of them, and such a share of all, parcels are taken to come at the weekend. Source: our own choice."""
LATE_AT = 0.9
"""An order that nobody promised is late once nine in ten would have come. Source: our own choice."""
_DAY = timedelta(days=1)
_WEEKDAYS = 7
_SATURDAY = 5


@dataclass(frozen=True)
class Part:
    """What came at once of one order, or is awaited of it still."""

    order_id: int
    order_code: str
    sent_on: date
    came_on: date | None
    until: date
    """The day on which it came, or up to the end of which it has not."""
    is_open: bool
    """Whether it is awaited still."""
    share: float
    """What part of the order's lines it is."""
    promised_for: date | None
    """The first day that was said."""
    carrier_days: int = 0
    busy: bool = False

    @property
    def took_days(self) -> int:
        """Give the calendar days that it took, or has been awaited for."""
        return (self.until - self.sent_on).days

    @property
    def late_days(self) -> int | None:
        """Give how many days after the promised day it came, below 0 before it; None where either is not known."""
        return (self.came_on - self.promised_for).days if self.came_on and self.promised_for else None


@dataclass(frozen=True)
class Learned:
    """A supplier's lead time as far as it is known, and the days on which an order of it moves."""

    supplier_id: int
    lead: LeadTime
    said: LeadTime
    """The owner's word alone."""
    said_days: int
    """The same in calendar days."""
    order_days: int
    carrier_weekdays: int
    closed: frozenset[date]
    parts: tuple[Part, ...]
    """Newest first."""
    opens: OpenHours

    @cached_property
    def came(self) -> tuple[Part, ...]:
        """Give what has come: that many deliveries have taught it."""
        return tuple(one for one in self.parts if one.came_on is not None)

    @property
    def awaited(self) -> tuple[Part, ...]:
        """Give what is awaited still."""
        return tuple(one for one in self.parts if one.is_open)

    @property
    def late_days(self) -> tuple[int, ...]:
        """Give how many days after its promise each delivery came for which there was one, below 0 before it."""
        return tuple(one.late_days for one in self.parts if one.late_days is not None)

    def lead_on(self, day: date) -> LeadTime:
        """Give the lead time of an order of a day: in a busy month it may be longer."""
        return self.lead.in_busy if _is_busy(self.opens.shop, day) else self.lead

    def taken_on(self, sent_on: date) -> date:
        """Give the day on which the supplier takes an order that is sent on a day."""
        return leadtimes.next_open(sent_on, leadtimes.on_weekdays(self.order_days, self.closed.__contains__))

    def expected_on(self, sent_on: date, *, chance: float = 0.5, not_by: date | None = None) -> date:
        """Give the day by which an order that was sent on a day comes at a chance, not having come by the end of one.

        As long as nothing came from the supplier, its middle is the owner's word in calendar days.
        """
        if chance <= LATE_AT and not self.came and not_by is None:
            said = leadtimes.next_open(self.taken_on(sent_on) + timedelta(days=self.said_days), self._shut)
            return said if chance <= 0.5 else max(said, self._by_lead(sent_on, chance, None))  # noqa: PLR2004 - middle
        return self._by_lead(sent_on, chance, not_by)

    def _by_lead(self, sent_on: date, chance: float, not_by: date | None) -> date:
        taken, idle = self.taken_on(sent_on), self._idle
        waited = -1 if not_by is None or not_by < taken else leadtimes.carrier_days_between(taken, not_by, idle)
        days = self.lead_on(sent_on).quantile(chance, after=waited)
        return leadtimes.next_open(leadtimes.arrives_on(taken, days, idle), self._shut)

    def late_from(self, sent_on: date) -> date:
        """Give the day after which an order without a promise is late."""
        return self.expected_on(sent_on, chance=LATE_AT)

    def due_on(self, order: Order, *, today: date) -> date:
        """Give the day on which an order is due: promised, else in the middle after it was sent, a draft after today.

        It may have passed.
        """
        return order.promised_for or self.expected_on(self._sent_on(order, today))

    def awaited_on(self, order: Order, *, today: date) -> date:
        """Give the day on which an order that is not in may be counted on: as it is due, unless that has passed.

        A promise that was missed holds for as many days as are kept back for it; without one it is the middle of those
        that take longer than it was awaited already. Source: our own choice.
        """
        due = self.due_on(order, today=today)
        if due >= today:
            return due
        if order.promised_for is not None:
            return today + timedelta(days=self.opens.shop.safety_days)
        return self.expected_on(self._sent_on(order, today), not_by=today - _DAY)

    def is_late(self, order: Order, *, today: date) -> bool:
        """Tell whether the promise of an order has passed, or nine in ten would have come; a draft never is late."""
        if order.sent_at is None:
            return False
        return (order.promised_for or self.late_from(self._sent_on(order, today))) < today

    def _sent_on(self, order: Order, today: date) -> date:
        return today if order.sent_at is None else self.opens.shop.today(order.sent_at)

    def arrivals(self, from_day: date, *, horizon: int) -> Chances:
        """Give the chance that an order placed on a day is taken in on each day from it on, (horizon + 1,).

        What would come later is in none of them.
        """
        return leadtimes.arrivals(
            self.lead_on(from_day),
            from_day,
            order_days_mask=self.order_days,
            supplier_closed=self.closed.__contains__,
            carrier_weekdays=self.carrier_weekdays,
            shop_closed=self._shut,
            horizon=horizon,
        )

    def orders_taken(self, from_day: date, *, horizon: int) -> tuple[int, int]:
        """Give in how many days an order is taken, and how many days later one is again."""
        mask, closed = self.order_days, self.closed.__contains__
        return leadtimes.orders_taken(from_day, order_days_mask=mask, supplier_closed=closed, horizon=horizon)

    @property
    def _idle(self) -> Closed:
        return leadtimes.on_weekdays(self.carrier_weekdays, self.closed.__contains__)

    def _shut(self, day: date) -> bool:
        return not self.opens.works_on(day)


def learned(session: Session, *, shop: Shop, today: date) -> dict[int, Learned]:
    """Give, by supplier, how long its deliveries take, from the orders of the last two years and what came of them."""
    since = today - LEARNED_SINCE
    opens = open_hours(session, since=shop.hour_of(since, 12), shop=shop)
    closed = _closed_days(session)
    parts = _parts(session, shop=shop, today=today, since=since)
    return {
        one.id: _of(one, parts.get(one.id, ()), closed.get(one.id, frozenset()), opens)
        for one in session.scalars(select(Supplier))
    }


def _of(supplier: Supplier, parts: Sequence[Part], closed: frozenset[date], opens: OpenHours) -> Learned:
    shop = opens.shop
    said_days = shop.lead_days if supplier.lead_days is None else supplier.lead_days
    spread = shop.safety_days if supplier.lead_spread_days is None else supplier.lead_spread_days
    carried = _carrier_weekdays(parts)
    order_days = supplier.order_days & EVERY_DAY or EVERY_DAY
    idle, waits = (leadtimes.on_weekdays(mask, closed.__contains__) for mask in (carried, order_days))
    said = LeadTime.said(*(_in_carrier_days(days, order_days, carried) for days in (said_days, spread)))
    counted = [_counted(one, idle=idle, waits=waits, opens=opens) for one in parts]
    forgotten = max(FORGOTTEN_DAYS, FORGOTTEN_TIMES * said_days)
    seen = [taught for part, taught in counted if not taught.longer or part.took_days <= forgotten]
    return Learned(
        supplier_id=supplier.id,
        lead=LeadTime.learned(seen, prior=said),
        said=said,
        said_days=said_days,
        order_days=order_days,
        carrier_weekdays=carried,
        closed=closed,
        parts=tuple(sorted((part for part, _ in counted), key=lambda one: (one.sent_on, one.order_id), reverse=True)),
        opens=opens,
    )


def _counted(part: Part, *, idle: Closed, waits: Closed, opens: OpenHours) -> tuple[Part, Delivered]:
    """Give a part with the carrier days that it took, and what it teaches."""
    taken = leadtimes.next_open(part.sent_on, waits)
    days, busy = leadtimes.carrier_days_between(taken, part.until, idle), _is_busy(opens.shop, part.sent_on)
    before = part.until - _DAY
    while part.came_on and before > taken and not opens.works_on(before):
        before -= _DAY
    from_days = leadtimes.carrier_days_between(taken, before, idle) + 1 if before < part.until - _DAY else None
    taught = Delivered(days, busy=busy, longer=part.came_on is None, from_days=from_days, weight=part.share)
    return Part(**{**vars(part), "carrier_days": days, "busy": busy}), taught


def _in_carrier_days(days: int, order_days: int, carried: int) -> float:
    """Give what calendar days come to in carrier days, in the mean of the weekdays on which orders are taken."""
    monday = date(2024, 1, 1)
    begins = [monday + n * _DAY for n in range(_WEEKDAYS) if order_days >> n & 1]
    idle = leadtimes.on_weekdays(carried)
    return sum(leadtimes.carrier_days_between(one, one + days * _DAY, idle) for one in begins) / len(begins)


def _carrier_weekdays(parts: Iterable[Part]) -> int:
    """Give the weekdays on which parcels come, as bits: Monday to Friday, and what its own arrivals show besides."""
    came = Counter(part.came_on.weekday() for part in parts if part.came_on)
    least = max(WEEKEND_DELIVERIES, WEEKEND_SHARE * came.total())
    return MONDAY_TO_FRIDAY | sum(1 << day for day in range(_SATURDAY, _WEEKDAYS) if came[day] >= least)


def _is_busy(shop: Shop, day: date) -> bool:
    return bool(shop.busy_months >> (day.month - 1) & 1)


def _closed_days(session: Session) -> dict[int, frozenset[date]]:
    query = select(col(CalendarDay.supplier_id), col(CalendarDay.day)).where(
        col(CalendarDay.live), col(CalendarDay.supplier_id).is_not(None), ~col(CalendarDay.is_open)
    )
    found: dict[int, set[date]] = {}
    for supplier_id, day in session.execute(query):
        found.setdefault(supplier_id or 0, set()).add(day)
    return {number: frozenset(days) for number, days in found.items()}


class _Line(NamedTuple):
    """A line of an order that was sent."""

    line_id: int
    order: Order
    spools: int


def _parts(session: Session, *, shop: Shop, today: date, since: date) -> dict[int, list[Part]]:
    """Give what came or is awaited of orders sent since a day, by supplier: lines that came on one day together."""
    begins = shop.hour_of(since, 0)
    lines = _lines(session, begins)
    came, promised = _came(session, begins), _promised(session, begins)
    of_order: dict[int, list[_Line]] = {}
    for line in lines:
        of_order.setdefault(line.order.id, []).append(line)
    found: dict[int, list[Part]] = {}
    for those in of_order.values():
        order = those[0].order
        days = Counter(came_on(line.spools, came.get(line.line_id, ())) for line in those)
        said = min((promised[line.line_id] for line in those if line.line_id in promised), default=None)
        for day, count in days.items():
            part = _part(order, day, count / len(those), said, shop=shop, today=today)
            if part is not None:
                found.setdefault(order.supplier_id, []).append(part)
    return found


def _part(order: Order, day: date | None, share: float, said: date | None, *, shop: Shop, today: date) -> Part | None:
    """Give a part; None where it was not awaited for a whole day."""
    assert order.sent_at is not None  # noqa: S101 - those that were not sent are not asked for
    sent_on = shop.today(order.sent_at)
    ends = shop.today(order.closed_at) if order.closed_at else today
    until = ends - _DAY if day is None else max(day, sent_on)
    if until < sent_on:
        return None
    return Part(
        order_id=order.id,
        order_code=code_text(CodeKind.ORDER, order.serial),
        sent_on=sent_on,
        came_on=None if day is None else until,
        until=until,
        is_open=day is None and order.closed_at is None,
        share=share,
        promised_for=said,
    )


def came_on(spools: int, came: Sequence[tuple[date, int]]) -> date | None:
    """Give the day by which at least half of so many spools had come, of pairs of a day and a number in order."""
    here = 0
    for day, number in came:
        here += number
        if 2 * here >= spools:
            return day
    return None


_SENT = (col(Order.live), col(OrderLine.live), col(Order.sent_at).is_not(None))
_AWAITED_ONCE = (OrderState.SENT, OrderState.PROMISED, OrderState.CLOSED_SHORT, OrderState.CALLED_OFF)


def _lines(session: Session, begins: datetime) -> list[_Line]:
    query = (
        select(col(OrderLine.id), Order, col(OrderLine.spools))
        .join(Order, col(Order.id) == col(OrderLine.order_id))
        .where(*_SENT, col(Order.sent_at) >= begins, col(Order.state).in_(_AWAITED_ONCE))
        .order_by(col(OrderLine.id))
    )
    return [_Line(*row) for row in session.execute(query)]


def _came(session: Session, begins: datetime) -> dict[int, list[tuple[date, int]]]:
    """Give on which days how many spools of each line came, in order."""
    query = (
        select(col(OrderLine.id), col(Spool.received_on), func.count(col(Spool.id)))
        .join(Spool, col(Spool.order_line_id) == col(OrderLine.id))
        .join(Order, col(Order.id) == col(OrderLine.order_id))
        .where(*_SENT, col(Order.sent_at) >= begins, col(Spool.live))
        .group_by(col(OrderLine.id), col(Spool.received_on))
        .order_by(col(Spool.received_on))
    )
    found: dict[int, list[tuple[date, int]]] = {}
    for line, day, count in session.execute(query):
        found.setdefault(line, []).append((day, int(count)))
    return found


def _promised(session: Session, begins: datetime) -> dict[int, date]:
    """Give the first day that was promised of each line, by acts that were not undone."""
    undoing = aliased(Act)
    query = (
        select(col(OrderPromise.order_line_id), col(OrderPromise.promised_for))
        .join(OrderLine, col(OrderLine.id) == col(OrderPromise.order_line_id))
        .join(Order, col(Order.id) == col(OrderLine.order_id))
        .outerjoin(undoing, col(undoing.undoes_id) == col(OrderPromise.act_id))
        .where(*_SENT, col(Order.sent_at) >= begins)
        .where(col(undoing.id).is_(None), col(OrderPromise.promised_for).is_not(None))
        .order_by(col(OrderPromise.id).desc())
    )
    return {line: day for line, day in session.execute(query) if day is not None}
