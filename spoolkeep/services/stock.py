"""Stock by item: how much, how long it lasts, what is committed and what is coming.

The Stock page, the orders and the command line call it. It only reads.
"""

from collections.abc import Collection, Sequence
from dataclasses import dataclass
from datetime import date, datetime, timedelta
from typing import Any, NamedTuple

import numpy as np
import numpy.typing as npt
from sqlalchemy import func, select
from sqlalchemy.orm import Session
from sqlmodel import col

from spoolkeep.domain.codes import CodeKind
from spoolkeep.domain.runout import StockDays, mean_daily_mg, stock_days
from spoolkeep.domain.words import TO_COME, Kind, OrderState
from spoolkeep.services import asides, finding, offers
from spoolkeep.services.deliveries import lacking_of_line
from spoolkeep.services.finding import Item
from spoolkeep.services.shop import code_text, load_shop
from spoolkeep.store.copies import OPEN
from spoolkeep.store.tables import (
    Article,
    Balance,
    DayTotal,
    Job,
    JobFeed,
    Loading,
    Order,
    OrderLine,
    Place,
    Spool,
)

WINDOW_DAYS = 30
DRAWN = (Kind.DRAW, OPEN)
AWAITED = (OrderState.SENT, OrderState.PROMISED)


@dataclass(frozen=True)
class StockRow:
    """One item's stock."""

    item: Item
    left_mg: int
    aside_mg: int
    """What of it is set aside: it lasts nobody a day."""
    spools: int
    committed_mg: int
    on_order_mg: int
    lead_days: int
    """What the quickest delivery takes, of the offers that hold today."""
    days: StockDays
    doubtful: int
    """How many of its spools ask for a weighing."""

    @property
    def usable_mg(self) -> int:
        """Give what is left but for what is set aside."""
        return self.left_mg - self.aside_mg


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


def rows(*, session: Session, now: datetime) -> list[StockRow]:
    """Give every item's stock: those that end first at the top, those that nothing draws at the foot."""
    shop = load_shop(session)
    today = shop.today(now)
    known = finding.items(session)
    left, committed, coming = _left(session), _committed(session), ordered_mg(session, AWAITED)
    daily = daily_mg(session, list(known), today=today)
    quickest = offers.quickest(session, shop=shop, today=today)
    found = []
    for article_id, item in known.items():
        held = left.get(article_id, _Held())
        lead_days = quickest.get(article_id, shop.lead_days)
        found.append(
            StockRow(
                item=item,
                left_mg=held.mg,
                aside_mg=held.aside_mg,
                spools=held.spools,
                committed_mg=committed.get(article_id, 0),
                on_order_mg=coming.get(article_id, 0),
                lead_days=lead_days,
                doubtful=held.doubtful,
                days=stock_days(
                    left_mg=held.mg - held.aside_mg,
                    committed_mg=committed.get(article_id, 0),
                    on_order_mg=coming.get(article_id, 0),
                    daily_mg=daily[article_id],
                    today=today,
                    lead_days=lead_days,
                    safety_days=shop.safety_days,
                ),
            )
        )
    return sorted(found, key=lambda row: (row.days.days is None, row.days.days or 0, row.item.name))


def spools_of(*, session: Session, article_id: int) -> list[SpoolRow]:
    """Give the spools of an item that have something left, ask for the scale or are on a machine, opened ones first."""
    loaded = (col(Loading.spool_id) == col(Spool.id)) & col(Loading.live) & col(Loading.until_at).is_(None)
    query = (
        select(Spool, Balance, col(Place.name), col(Loading.feed_id), col(Loading.standby))
        .join(Balance, col(Balance.spool_id) == col(Spool.id))
        .outerjoin(Loading, loaded)
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


def daily_mg(session: Session, article_ids: list[int], *, today: date, window: int = WINDOW_DAYS) -> dict[int, float]:
    """Give each item's mean draw a shop day over the last `window` whole days, or those since it was first drawn."""
    history = drawn_history(session, article_ids, today=today, days=window)
    first = _first_drawn(session, article_ids)
    known = [(today - first.get(article, today)).days for article in article_ids]
    means = mean_daily_mg(history, window=window, known_days=known)
    return dict(zip(article_ids, map(float, means), strict=True))


def drawn_history(session: Session, article_ids: list[int], *, today: date, days: int) -> npt.NDArray[np.int64]:
    """Give milligrams drawn by item and shop day, (items, days), the last column being yesterday."""
    start = today - timedelta(days=days)
    history = np.zeros((len(article_ids), days), dtype=np.int64)
    at = {article: row for row, article in enumerate(article_ids)}
    query = select(col(DayTotal.article_id), col(DayTotal.shop_day), col(DayTotal.mg)).where(
        col(DayTotal.kind).in_(DRAWN), col(DayTotal.shop_day) >= start, col(DayTotal.shop_day) < today
    )
    for article, day, mg in session.execute(query):
        if article in at:
            history[at[article], (day - start).days] -= mg
    return history


def _first_drawn(session: Session, article_ids: list[int]) -> dict[int, date]:
    """Give the day on which each item was first drawn: looked up item by item, so that no history is read through."""
    first = (
        select(col(DayTotal.shop_day))
        .where(col(DayTotal.article_id) == col(Article.id), col(DayTotal.kind).in_(DRAWN), col(DayTotal.mg) != 0)
        .order_by(col(DayTotal.shop_day))
        .limit(1)
        .correlate(Article)
        .scalar_subquery()
    )
    some = set(article_ids)
    rows: Sequence[Any] = session.execute(select(col(Article.id), first)).all()
    return {article: day for article, day in rows if day is not None and article in some}


class _Held(NamedTuple):
    """What an item's spools hold."""

    mg: int = 0
    aside_mg: int = 0
    spools: int = 0
    doubtful: int = 0


def _left(session: Session) -> dict[int, _Held]:
    """Give what each item's spools hold, those counted that have something or ask for the scale."""
    aside = asides.standing(session)
    query = (
        select(col(Spool.id), col(Spool.article_id), col(Spool.lot), col(Balance.left_mg), col(Balance.doubtful))
        .join(Balance, col(Balance.spool_id) == col(Spool.id))
        .where(col(Spool.live), (col(Balance.left_mg) > 0) | col(Balance.doubtful), col(Spool.retired_on).is_(None))
    )
    found: dict[int, _Held] = {}
    for spool_id, article, lot, left_mg, doubtful in session.execute(query):
        held = found.get(article, _Held())
        off_mg = left_mg if aside.holds(spool_id, article, lot) else 0
        found[article] = _Held(held.mg + left_mg, held.aside_mg + off_mg, held.spools + 1, held.doubtful + doubtful)
    return found


def _committed(session: Session) -> dict[int, int]:
    """Give the grams that planned and running jobs will need, by item: the one they name, else the one on the feed."""
    on_feed = (
        select(col(Loading.feed_id), col(Spool.article_id))
        .join(Spool, col(Spool.id) == col(Loading.spool_id))
        .where(col(Loading.live), col(Loading.until_at).is_(None), ~col(Loading.standby))
        .subquery()
    )
    article = func.coalesce(col(JobFeed.article_id), on_feed.c.article_id)
    query = (
        select(article, func.sum(col(JobFeed.needs_mg)))
        .join(Job, col(Job.id) == col(JobFeed.job_id))
        .outerjoin(on_feed, on_feed.c.feed_id == col(JobFeed.feed_id))
        .where(col(JobFeed.live), col(Job.live), col(Job.state).in_(TO_COME), article.is_not(None))
        .group_by(article)
    )
    return {number: int(mg) for number, mg in session.execute(query)}


def ordered_mg(session: Session, states: Collection[OrderState]) -> dict[int, int]:
    """Give the grams that orders in these states still bring, by item."""
    lacking = lacking_of_line()
    query = (
        select(col(OrderLine.article_id), lacking, col(OrderLine.spool_mg))
        .join(Order, col(Order.id) == col(OrderLine.order_id))
        .where(col(Order.live), col(OrderLine.live), col(Order.state).in_(states), lacking > 0)
    )
    coming: dict[int, int] = {}
    for article, spools, spool_mg in session.execute(query):
        coming[article] = coming.get(article, 0) + spools * spool_mg
    return coming
