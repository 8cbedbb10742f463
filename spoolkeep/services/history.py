"""What was drawn of each item on each shop day, and which days are evidence of what is asked for.

The forecast and its track record call it. It only reads.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import date, timedelta

import numpy as np
import numpy.typing as npt
from sqlalchemy import case, func, select
from sqlalchemy.orm import Session
from sqlmodel import col

from spoolkeep.domain.runout import AHEAD_DAYS
from spoolkeep.domain.words import Kind
from spoolkeep.store.copies import OPEN
from spoolkeep.store.tables import Article, CalendarDay, DayTotal, ProductPart

Amounts = npt.NDArray[np.float64]

PAST_DAYS = 800
"""Two years and a season: what is older says little of now."""
DRAWN = (Kind.DRAW, OPEN)


@dataclass(frozen=True)
class Past:
    """The days before today, of some items."""

    today: date
    article_ids: tuple[int, ...]
    grams: Amounts
    """Milligrams drawn, (items, days), net of what was undone; the last column is yesterday."""
    on_shelf: Amounts
    """(items, days): 1 where enough for a usual job was there or came, or something was drawn; else 0."""
    open_days: Amounts
    """(days + AHEAD_DAYS,): 0 where the calendar says closed."""
    kin: npt.NDArray[np.int64]
    """(items, 2): a product that it is part of, and its material; -1 for none."""

    @property
    def days(self) -> int:
        """Give how many days are known."""
        return int(self.grams.shape[1])

    @property
    def first(self) -> date:
        """Give the first day."""
        return self.today - timedelta(days=self.days)

    def until(self, days_ago: int) -> "Past":
        """Give what was known so many days ago."""
        end = self.days - days_ago
        today = self.today - timedelta(days=days_ago)
        open_days = self.open_days[: end + AHEAD_DAYS]
        return Past(today, self.article_ids, self.grams[:, :end], self.on_shelf[:, :end], open_days, self.kin)


def read(session: Session, usual_mg: Mapping[int, int], *, today: date, closed: Sequence[date]) -> Past:
    """Give the past of the items of which `usual_mg` gives the usual job.

    It begins with the first day of which more is told than that a spool came which was there before the books: that
    nothing was drawn before only says that nobody kept any.
    """
    article_ids = tuple(usual_mg)
    told = select(func.min(col(DayTotal.shop_day))).where(col(DayTotal.kind) != Kind.OPENING)
    first = session.scalar(told) or today
    start = max(min(first, today - timedelta(days=1)), today - timedelta(days=PAST_DAYS))
    days = (today - start).days
    grams, moved = _by_day(session, article_ids, start, today)
    held = _before(session, article_ids, start)[:, None] + np.cumsum(moved, axis=1)
    at_start = held - moved
    came = np.maximum(moved + grams, 0.0)
    enough = at_start + came >= np.array([usual_mg[one] for one in article_ids], dtype=np.float64).reshape(-1, 1)
    calendar = np.ones(days + AHEAD_DAYS)
    calendar[[(day - start).days for day in closed if 0 <= (day - start).days < len(calendar)]] = 0.0
    return Past(
        today, article_ids, grams, (enough | (grams > 0)).astype(np.float64), calendar, _kin(session, article_ids)
    )


def closed_days(session: Session) -> list[date]:
    """Give the days on which the shop is or was closed, by its calendar."""
    query = select(col(CalendarDay.day)).where(
        col(CalendarDay.live), col(CalendarDay.supplier_id).is_(None), ~col(CalendarDay.is_open)
    )
    return sorted(session.scalars(query))


_DRAWN_MG = func.sum(case((col(DayTotal.kind).in_(DRAWN), -col(DayTotal.mg)), else_=0))
_MOVED_MG = func.sum(case((col(DayTotal.kind) == OPEN, 0), else_=col(DayTotal.mg)))


def _by_day(session: Session, article_ids: Sequence[int], start: date, today: date) -> tuple[Amounts, Amounts]:
    """Give milligrams drawn, and the change of what is held, (items, days) each."""
    at = {article: row for row, article in enumerate(article_ids)}
    shape = (len(article_ids), (today - start).days)
    drawn, moved = np.zeros(shape), np.zeros(shape)
    query = (
        select(col(DayTotal.article_id), col(DayTotal.shop_day), _DRAWN_MG, _MOVED_MG)
        .where(col(DayTotal.shop_day) >= start, col(DayTotal.shop_day) < today)
        .group_by(col(DayTotal.article_id), col(DayTotal.shop_day))
    )
    for article, day, drawn_mg, moved_mg in session.execute(query):
        if article in at:
            drawn[at[article], (day - start).days] = drawn_mg
            moved[at[article], (day - start).days] = moved_mg
    return drawn, moved


def _before(session: Session, article_ids: Sequence[int], start: date) -> Amounts:
    """Give what was held of each item when the first day began, (items,)."""
    query = (
        select(col(DayTotal.article_id), _MOVED_MG)
        .where(col(DayTotal.shop_day) < start)
        .group_by(col(DayTotal.article_id))
    )
    held = {article: float(mg) for article, mg in session.execute(query)}
    return np.array([held.get(article, 0.0) for article in article_ids])


def _kin(session: Session, article_ids: Sequence[int]) -> npt.NDArray[np.int64]:
    """Give each item's groups: the product in which most of it goes, and its material."""
    product: dict[int, tuple[int, int]] = {}
    parts = select(col(ProductPart.article_id), col(ProductPart.mg), col(ProductPart.product_id))
    for article, mg, product_id in session.execute(parts.where(col(ProductPart.live))):
        product[article] = max(product.get(article, (0, 0)), (mg, product_id))
    material = dict(session.execute(select(col(Article.id), col(Article.material_id))).all())
    return np.array(
        [(product.get(one, (0, -1))[1], material.get(one, -1)) for one in article_ids], dtype=np.int64
    ).reshape(-1, 2)
