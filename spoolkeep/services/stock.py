"""Stock by item: how much, how long it lasts, what is committed and what is coming.

The Stock page, the orders and the command line call it. It only reads.
"""

from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass
from datetime import date, datetime
from typing import Any, NamedTuple

import numpy as np
import numpy.typing as npt
from sqlalchemy import func, select
from sqlalchemy.orm import Session
from sqlmodel import col

from spoolkeep.domain.codes import CodeKind
from spoolkeep.domain.demand import consumed_by_day
from spoolkeep.domain.runout import AHEAD_DAYS, StockDays, Supply, stock_days
from spoolkeep.domain.words import TO_COME, OrderState
from spoolkeep.services import asides, finding, leadtimes, outlooks
from spoolkeep.services.asked import by_day as onhand_by_day
from spoolkeep.services.deliveries import lacking_of_line
from spoolkeep.services.finding import Item
from spoolkeep.services.leadtimes import Learned
from spoolkeep.services.outlooks import Outlooks
from spoolkeep.services.shop import Shop, code_text, load_shop
from spoolkeep.store.tables import Article, Balance, Job, JobFeed, Loading, Order, OrderLine, Place, Spool

AWAITED = (OrderState.SENT, OrderState.PROMISED)
_LOADED = (col(Loading.spool_id) == col(Spool.id)) & col(Loading.live) & col(Loading.until_at).is_(None)


class OrderDay(NamedTuple):
    """By when an item is to be ordered."""

    day: date | None
    """The last day; None where none is in sight."""
    supplier: str
    """From whom, by the plan; empty where it weighs no offer: the day is then a delivery's time before its end."""
    comes_days: int
    """What a delivery takes, in the middle."""
    chance_short: float
    """That it ends before an order placed today could arrive."""
    spools: int = 0
    """What the plan orders today."""
    joins: bool = False
    """Whether they are ordered before that day, since the parcel goes out anyway."""
    waits: bool = False
    """Whether it is left for a better price, which is that supplier's from that day on."""

    def is_due(self, by: date) -> bool:
        """Tell whether it is to be ordered now, or by a day."""
        return self.spools > 0 or (self.day is not None and self.day <= by)


@dataclass(frozen=True)
class StockRow:
    """One item's stock."""

    item: Item
    left_mg: int
    aside_mg: int
    """What of it is set aside: it lasts nobody a day."""
    rests_mg: int
    """What of it lies on spools with too little for a usual job."""
    spools: int
    committed_mg: int
    on_order_mg: int
    days: StockDays
    order: OrderDay
    doubtful: int
    """How many of its spools ask for a weighing."""

    @property
    def usable_mg(self) -> int:
        """Give what is left but for what is set aside and for rests."""
        return self.left_mg - self.aside_mg - self.rests_mg

    @property
    def short_mg(self) -> int:
        """Give how much more planned jobs need than is here and on order."""
        return max(0, self.committed_mg - self.usable_mg - self.on_order_mg)


@dataclass(frozen=True)
class SpoolRow:
    """One spool in an item's list."""

    code: str
    left_mg: int
    lot: str
    where: str
    loaded: bool
    stands_by: bool
    opened_on: date | None
    received_on: date
    doubtful: bool
    aside: bool


@dataclass(frozen=True)
class Standing:
    """What every item's stock and the days to come are reckoned from."""

    shop: Shop
    today: date
    known: dict[int, Item]
    outlook: Outlooks
    held: dict[int, "Held"]
    committed: dict[int, list[tuple[date | None, int]]]
    coming: dict[int, list[tuple[int, int]]]
    """By item, in how many days what is awaited should come, and how much."""
    taking: Mapping[int, Learned]
    """How long each supplier's deliveries take."""
    sure: npt.NDArray[np.float64]
    """What is sure to be asked, (items, AHEAD_DAYS)."""

    def of(self, article_id: int) -> "Held":
        """Give what an item's spools hold."""
        return self.held.get(article_id, Held())

    def is_asked(self, at: int, article_id: int) -> bool:
        """Tell whether an item is more than set up: seen, foreseen, here, coming or sure to be asked."""
        lies = self.of(article_id).mg > 0 or article_id in self.coming
        return not self.outlook.is_unheard_of(at) or lies or bool(self.sure[at].any())

    def usable(self, article_id: int) -> tuple[npt.NDArray[np.float64], npt.NDArray[np.float64]]:
        """Give what is usable by each day, without and with what is coming, (AHEAD_DAYS + 1,)."""
        alone = np.full(AHEAD_DAYS + 1, float(self.of(article_id).usable_mg))
        return alone, alone + by_then(self.coming.get(article_id, ()))


def standing(*, session: Session, now: datetime, lead_times: Mapping[int, Learned] | None = None) -> Standing:
    """Give what every item's stock and the days to come are reckoned from.

    `lead_times` are those of the suppliers, where the caller has read them already.
    """
    shop = load_shop(session)
    today = shop.today(now)
    outlook = outlooks.told(session, today=today)
    committed = _committed(session)
    taking = leadtimes.learned(session, shop=shop, today=today) if lead_times is None else lead_times
    return Standing(
        shop=shop,
        today=today,
        known=finding.items(session),
        outlook=outlook,
        held=_left(session, outlook.usual_mg),
        committed=committed,
        coming=coming_of(session, taking, AWAITED, shop=shop, now=now),
        taking=taking,
        sure=_sure(session, outlook.past.article_ids, committed, today=today),
    )


def retired_left(*, session: Session) -> list[tuple[Item, int]]:
    """Give the retired items of which something is left, with its milligrams, by name."""
    left = select(col(Spool.article_id), func.sum(col(Balance.left_mg)))
    query = (
        left.join(Balance, col(Balance.spool_id) == col(Spool.id))
        .join(Article, col(Article.id) == col(Spool.article_id))
        .where(col(Article.retired), col(Spool.live), col(Balance.left_mg) > 0)
        .group_by(col(Spool.article_id))
    )
    found = {number: int(mg) for number, mg in session.execute(query)}
    items = finding.items(session, found)
    return sorted(((items[number], mg) for number, mg in found.items()), key=lambda one: one[0].name)


def rows(*, session: Session, now: datetime) -> list[StockRow]:
    """Give every item's stock, by itself: by when to order it as if nobody sold it yet."""
    return rows_of(standing(session=session, now=now), {})


def rows_of(
    told: Standing, ordered: Mapping[int, OrderDay], lead_days: Mapping[int, int] | None = None
) -> list[StockRow]:
    """Give every item's stock: those that end first at the top, those that nothing draws at the foot.

    `ordered` is by item when those are ordered that the plan weighs, `lead_days` what a delivery of others takes where
    somebody sells them.
    """
    drawn = consumed_by_day(told.outlook.drawn, told.sure)
    found = [
        _row(told, at, drawn[at], ordered.get(article_id), lead_days=(lead_days or {}).get(article_id))
        for at, article_id in enumerate(told.outlook.past.article_ids)
        if article_id in told.known
    ]
    return sorted(found, key=lambda row: (row.days.days is None, row.days.days or 0, row.item.name))


def _row(
    told: Standing, at: int, drawn: npt.NDArray[np.float64], ordered: OrderDay | None, *, lead_days: int | None
) -> StockRow:
    article_id, shop = told.outlook.past.article_ids[at], told.shop
    held, takes = told.of(article_id), shop.lead_days if lead_days is None else lead_days
    asked = told.is_asked(at, article_id)
    days = stock_days(
        drawn if asked else np.zeros_like(drawn),
        told.usable(article_id),
        Supply(takes, shop.safety_days, shop.risk),
        daily_mg=float(told.outlook.daily_mg[at]) if asked else 0.0,
        today=told.today,
    )
    return StockRow(
        item=told.known[article_id],
        left_mg=held.mg,
        aside_mg=held.aside_mg,
        rests_mg=held.rests_mg,
        spools=held.spools,
        committed_mg=sum(mg for _, mg in told.committed.get(article_id, ())),
        on_order_mg=sum(mg for _, mg in told.coming.get(article_id, ())),
        doubtful=held.doubtful,
        days=days,
        order=ordered or OrderDay(days.order_by, "", takes, days.chance_short),
    )


def by_then(coming: Sequence[tuple[int, int]]) -> npt.NDArray[np.float64]:
    """Give what has come by each day, (AHEAD_DAYS + 1,)."""
    found = np.zeros(AHEAD_DAYS + 1)
    for day, mg in coming:
        found[min(max(day, 0), AHEAD_DAYS) :] += mg if day <= AHEAD_DAYS else 0
    return found


def _sure(
    session: Session,
    article_ids: Sequence[int],
    committed: Mapping[int, Sequence[tuple[date | None, int]]],
    *,
    today: date,
) -> npt.NDArray[np.float64]:
    """Give what is sure to be asked, (items, AHEAD_DAYS): planned jobs, and orders on hand beyond them, by due day."""
    asked = onhand_by_day(session)
    found = np.zeros((len(article_ids), AHEAD_DAYS))
    for row, article_id in enumerate(article_ids):
        planned = committed.get(article_id, ())
        covered = sum(mg for _, mg in planned)
        for due, mg in planned:
            found[row] += _on(due, today, mg)
        for due, mg in asked.get(article_id, ()):
            met = min(covered, mg)
            covered -= met
            found[row] += _on(due, today, mg - met)
    return found


def _on(due: date | None, today: date, mg: int) -> npt.NDArray[np.float64]:
    """Give grams on the day on which they are due; today where none is known or it has passed, none beyond the days."""
    found = np.zeros(AHEAD_DAYS)
    day = 0 if due is None else max((due - today).days, 0)
    if day < AHEAD_DAYS:
        found[day] = mg
    return found


def spools_of(*, session: Session, article_id: int) -> list[SpoolRow]:
    """Give the spools of an item that have something left, ask for the scale or are on a machine, opened ones first."""
    query = (
        select(Spool, Balance, col(Place.name), col(Loading.feed_id), col(Loading.standby))
        .join(Balance, col(Balance.spool_id) == col(Spool.id))
        .outerjoin(Loading, _LOADED)
        .outerjoin(Place, col(Place.id) == col(Spool.place_id))
        .where(col(Spool.article_id) == article_id, col(Spool.live), col(Spool.retired_on).is_(None))
        .where((col(Balance.left_mg) > 0) | col(Balance.doubtful) | col(Loading.id).is_not(None))
        .order_by(col(Spool.opened_on).is_(None), col(Spool.received_on), col(Spool.serial))
    )
    rows: Sequence[Any] = session.execute(query).all()  # without place or feed, which the columns' types do not say
    feeds = finding.feed_names(session, {feed_id for *_, feed_id, _ in rows if feed_id is not None})
    aside = asides.standing(session)
    return [
        SpoolRow(
            code=code_text(CodeKind.SPOOL, spool.serial),
            left_mg=balance.left_mg,
            lot=spool.lot,
            where=feeds[feed_id] if feed_id is not None else place or "",
            loaded=feed_id is not None,
            stands_by=bool(standby),
            opened_on=spool.opened_on,
            received_on=spool.received_on,
            doubtful=balance.doubtful,
            aside=aside.holds(spool.id, article_id, spool.lot),
        )
        for spool, balance, place, feed_id, standby in rows
    ]


class Held(NamedTuple):
    """What an item's spools hold."""

    mg: int = 0
    aside_mg: int = 0
    rests_mg: int = 0
    spools: int = 0
    doubtful: int = 0

    @property
    def usable_mg(self) -> int:
        """Give what is left but for what is set aside and for rests."""
        return self.mg - self.aside_mg - self.rests_mg


def _left(session: Session, usual_mg: Mapping[int, int]) -> dict[int, Held]:
    """Give what each item's spools hold, those counted that have something or ask for the scale."""
    aside = asides.standing(session)
    query = (
        select(Spool, Balance, col(Loading.id))
        .join(Balance, col(Balance.spool_id) == col(Spool.id))
        .outerjoin(Loading, _LOADED)
        .where(col(Spool.live), (col(Balance.left_mg) > 0) | col(Balance.doubtful), col(Spool.retired_on).is_(None))
    )
    found: dict[int, Held] = {}
    for spool, balance, loading_id in session.execute(query):
        article, left_mg = spool.article_id, balance.left_mg
        held = found.get(article, Held())
        off_mg = left_mg if aside.holds(spool.id, article, spool.lot) else 0
        few_mg = min(usual_mg.get(article, 0), balance.received_mg)
        on_shelf = spool.opened_on is not None and not loading_id
        is_rest = on_shelf and not off_mg and 0 < left_mg < few_mg
        found[article] = Held(
            held.mg + left_mg,
            held.aside_mg + off_mg,
            held.rests_mg + (left_mg if is_rest else 0),
            held.spools + 1,
            held.doubtful + balance.doubtful,
        )
    return found


def _committed(session: Session) -> dict[int, list[tuple[date | None, int]]]:
    """Give what planned and running jobs will need, by item, with the day on which each is due.

    The item is the one that they name, else the one on the feed.
    """
    on_feed = (
        select(col(Loading.feed_id), col(Spool.article_id))
        .join(Spool, col(Spool.id) == col(Loading.spool_id))
        .where(col(Loading.live), col(Loading.until_at).is_(None), ~col(Loading.standby))
        .subquery()
    )
    article = func.coalesce(col(JobFeed.article_id), on_feed.c.article_id)
    query = (
        select(article, col(Job.due_at), func.sum(col(JobFeed.needs_mg)))
        .join(Job, col(Job.id) == col(JobFeed.job_id))
        .outerjoin(on_feed, on_feed.c.feed_id == col(JobFeed.feed_id))
        .where(col(JobFeed.live), col(Job.live), col(Job.state).in_(TO_COME), article.is_not(None))
        .group_by(article, col(Job.due_at))
    )
    clock = load_shop(session).clock
    found: dict[int, list[tuple[date | None, int]]] = {}
    for number, due_at, mg in session.execute(query):
        found.setdefault(number, []).append((clock.day_of(due_at) if due_at else None, int(mg)))
    return found


def coming_of(
    session: Session, known: Mapping[int, Learned], states: Collection[OrderState], *, shop: Shop, now: datetime
) -> dict[int, list[tuple[int, int]]]:
    """Give by item in how many days what orders in these states still bring should come, and how much."""
    found: dict[int, list[tuple[int, int]]] = {}
    for coming in coming_by_order(session, known, states, shop=shop, now=now).values():
        for article_id, days, mg in coming:
            found.setdefault(article_id, []).append((days, mg))
    return found


def coming_by_order(
    session: Session, known: Mapping[int, Learned], states: Collection[OrderState], *, shop: Shop, now: datetime
) -> dict[int, list[tuple[int, int, int]]]:
    """Give by order what it still brings: the item, in how many days it should come, and how much.

    `known` are the lead times of all suppliers, by `Learned.awaited_on`.
    """
    today, lacking = shop.today(now), lacking_of_line()
    query = (
        select(Order, col(OrderLine.article_id), lacking, col(OrderLine.spool_mg))
        .join(OrderLine, col(OrderLine.order_id) == col(Order.id))
        .where(col(Order.live), col(OrderLine.live), col(Order.state).in_(states), lacking > 0)
    )
    found: dict[int, list[tuple[int, int, int]]] = {}
    for order, article_id, spools, spool_mg in session.execute(query):
        days = (known[order.supplier_id].awaited_on(order, today=today) - today).days
        found.setdefault(order.id, []).append((article_id, max(days, 0), spools * spool_mg))
    return found
