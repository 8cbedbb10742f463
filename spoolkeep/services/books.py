"""The books of stock by month and item, what stock was worth on a day, and the list to count against at a year's end.

The Money pages and the command line call it. It only reads; the arithmetic is `domain.books`.
"""

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import date, datetime
from itertools import groupby

from sqlalchemy import Select, func, select
from sqlalchemy.orm import Session
from sqlmodel import col

from spoolkeep.domain import months
from spoolkeep.domain.books import POOLS, Flow, Moved, Pool, day_order, one_by_one, run
from spoolkeep.domain.codes import Code, CodeKind
from spoolkeep.domain.errors import BadInput, NotFound
from spoolkeep.domain.goneover import Day, Over, gone_over
from spoolkeep.domain.ledger import RECEIPTS
from spoolkeep.domain.split import largest_remainders
from spoolkeep.domain.words import CostFlow, Kind
from spoolkeep.services import finding, itemmoves
from spoolkeep.services.finding import Item
from spoolkeep.services.shop import load_shop
from spoolkeep.store.copies import OPEN
from spoolkeep.store.ledger import workshop
from spoolkeep.store.tables import DayTotal, Line, Movement, Place, Spool

FIRST_YEAR = 2000


@dataclass(frozen=True)
class MonthBooks:
    """One month: by the chosen cost flow, and beside it with the cost of each spool itself."""

    month: date
    flow: Flow
    by_spool: Flow
    by_item: Mapping[int, Flow]
    is_closed: bool
    is_over: bool


@dataclass(frozen=True)
class Books:
    """Every month since the books began, the newest last."""

    cost_flow: CostFlow
    closed_through: date | None
    can_close: tuple[date, ...]
    """The last days of the months that are over and not closed, the newest first."""
    months: tuple[MonthBooks, ...]
    items: Mapping[int, Item]


@dataclass(frozen=True)
class Listed:
    """One spool of a stock list."""

    code: Code
    place: str
    lot: str
    left_mg: int
    value_minor: int
    """Its part of the item's value, by grams."""


@dataclass(frozen=True)
class ListedItem:
    """One item of a stock list, with its spools."""

    item: Item
    mg: int
    minor: int
    spools: tuple[Listed, ...]


@dataclass(frozen=True)
class StockList:
    """What was there at the end of a day, by the books as they stand now."""

    day: date
    cost_flow: CostFlow
    items: tuple[ListedItem, ...]

    @property
    def mg(self) -> int:
        """Give all milligrams."""
        return sum(one.mg for one in self.items)

    @property
    def minor(self) -> int:
        """Give what all of it is worth."""
        return sum(one.minor for one in self.items)


def by_month(*, session: Session, now: datetime) -> Books:
    """Give the books by month and item. What came late to a closed month stands in the open one."""
    shop = load_shop(session)
    today, closed = shop.today(now), workshop(session).closed_through
    days, over = _days(session, until=today)
    pool = POOLS[shop.cost_flow]
    of_pools, of_spools = gone_over(days, over, pool), gone_over(days, over, None)
    known = _months(of_pools, today)
    by_pool = {article: _by_month(pool(), some, known) for article, some in of_pools.items()}
    by_spool = {article: _by_month(None, some, known) for article, some in of_spools.items()}
    found = []
    for at, month in enumerate(known):
        by_item = {article: flows[at] for article, flows in by_pool.items() if flows[at] != Flow()}
        last = months.last_of(month)
        found.append(
            MonthBooks(
                month=month,
                flow=sum(by_item.values(), Flow()),
                by_spool=sum((flows[at] for flows in by_spool.values()), Flow()),
                by_item=by_item,
                is_closed=closed is not None and last <= closed,
                is_over=last < today,
            )
        )
    return Books(
        cost_flow=shop.cost_flow,
        closed_through=closed,
        can_close=tuple(months.last_of(one.month) for one in reversed(found) if one.is_over and not one.is_closed),
        months=tuple(found),
        items=finding.items(session, list(of_pools)),
    )


def month_of(told: Books, month: date) -> MonthBooks:
    """Give one month of the books. Errors: NotFound where they have nothing of it."""
    found = next((one for one in told.months if one.month == month), None)
    if found is None:
        raise NotFound("no_such_month", f"The books have nothing of {month:%Y-%m}. Choose another month.")
    return found


def stock_on(*, session: Session, now: datetime, day: date) -> StockList:
    """Give what was there at the end of a day, spool by spool, and what it was worth. Errors: BadInput."""
    shop = load_shop(session)
    if not day.year >= FIRST_YEAR or day > shop.today(now):
        raise BadInput("no_such_day", f"Choose a day from {FIRST_YEAR} until today.")
    held = {}
    days, over = _days(session, until=day)
    for article, some in gone_over(days, over, POOLS[shop.cost_flow]).items():
        pool = POOLS[shop.cost_flow]()
        run(pool, (one for _, moved in some for one in moved))
        if pool.mg or pool.minor:
            held[article] = pool
    items, spools = finding.items(session, list(held)), _spools_on(session, day)
    listed = [
        ListedItem(items[article], pool.mg, pool.minor, _valued(spools.get(article, []), pool.minor))
        for article, pool in held.items()
    ]
    return StockList(day, shop.cost_flow, tuple(sorted(listed, key=lambda one: one.item.name)))


def _days(session: Session, *, until: date) -> tuple[dict[int, list[Day]], list[Over]]:
    """Give what moved by item and day in the books, in the order of time and of `day_order`, and what went over.

    What came in is told spool by spool, so that what was taken back and entered anew is not netted, and each has its
    own cost; all else as sums of the day.
    """
    went = itemmoves.read(session, until=until)
    found: dict[int, dict[date, list[Moved]]] = {}
    for article, day, kind, mg, value, spool in session.execute(_came_in(until)):
        _add(found, went.item_on(spool, day) or article, day, Moved(Kind(kind), int(mg), int(value)))
    rows = session.execute(_all_else(until))
    sums = {(article, day, kind): (int(mg), int(value)) for article, day, kind, mg, value in rows}
    for (article, day, kind), (mg, value) in went.put_right(sums).items():
        _add(found, article, day, Moved(Kind(kind), mg, value))
    days = {
        article: [(day, sorted(moved, key=day_order)) for day, moved in sorted(by_day.items())]
        for article, by_day in sorted(found.items())
    }
    return days, went.over


def _add(found: dict[int, dict[date, list[Moved]]], article: int, day: date, moved: Moved) -> None:
    if moved.mg or moved.value_minor:
        found.setdefault(article, {}).setdefault(day, []).append(moved)


def _came_in(until: date) -> Select[int, date, str, int, int, int]:
    lines = col(Line.book_day), col(Line.kind), col(Line.mg), col(Line.value_minor), col(Line.spool_id)
    return (
        select(col(Spool.article_id), *lines)
        .join(Spool, col(Spool.id) == col(Line.spool_id))
        .join(Movement, col(Movement.id) == col(Line.movement_id))
        .where(col(Line.kind).in_(RECEIPTS), col(Line.book_day) <= until)
        .order_by(col(Movement.occurred_at), col(Line.id))
    )


def _all_else(until: date) -> Select[int, date, str, int, int]:
    keys = (col(DayTotal.article_id), col(DayTotal.book_day), col(DayTotal.kind))
    return (
        select(*keys, func.sum(col(DayTotal.mg)), func.sum(col(DayTotal.value_minor)))
        .where(col(DayTotal.kind).not_in((OPEN, *RECEIPTS)), col(DayTotal.book_day) <= until)
        .group_by(*keys)
        .order_by(*keys)
    )


def _months(days: Mapping[int, Sequence[Day]], today: date) -> list[date]:
    first = min((some[0][0] for some in days.values()), default=None)
    return [] if first is None else list(months.each(first, today))


def _by_month(pool: Pool | None, days: Sequence[Day], known: Sequence[date]) -> list[Flow]:
    """Give an item's books of every month: by a pool, or with the cost of each spool where there is none."""
    by_month = {month: list(some) for month, some in groupby(days, key=lambda day: months.month_of(day[0]))}
    found: list[Flow] = []
    for month in known:
        moved = _flat(by_month.get(month, ()))
        before = found[-1] if found else Flow()
        found.append(one_by_one(before, moved) if pool is None else run(pool, moved))
    return found


def _flat(days: Sequence[Day]) -> Iterator[Moved]:
    return (one for _, moved in days for one in moved)


def _spools_on(session: Session, day: date) -> dict[int, list[Listed]]:
    """Give the spools that were not empty at the end of a day in the books, by item; below 0 where one came late."""
    left, went = func.sum(col(Line.mg)), itemmoves.read(session, until=day)
    place = func.coalesce(col(Place.name), "")
    query = (
        select(col(Spool.id), col(Spool.article_id), col(Spool.serial), place, col(Spool.lot), left)
        .join(Line, col(Line.spool_id) == col(Spool.id))
        .outerjoin(Place, col(Place.id) == col(Spool.place_id))
        .where(col(Line.book_day) <= day)
        .group_by(col(Spool.id), col(Place.name))
        .having(left != 0)
        .order_by(col(Place.name), col(Spool.serial))
    )
    found: dict[int, list[Listed]] = {}
    for number, article, serial, where, lot, mg in session.execute(query):
        item = went.item_on(number, day) or article
        found.setdefault(item, []).append(Listed(Code(CodeKind.SPOOL, serial), where, lot, int(mg), 0))
    return found


def _valued(spools: Sequence[Listed], minor: int) -> tuple[Listed, ...]:
    if not spools:
        return ()
    parts = largest_remainders(minor, [max(0, one.left_mg) for one in spools])
    return tuple(
        Listed(one.code, one.place, one.lot, one.left_mg, part) for one, part in zip(spools, parts, strict=True)
    )
