"""The forecast of every item, reckoned once for what is known up to today and kept until that changes.

Stock, orders and the track record call it. It only reads.
"""

from collections.abc import Hashable
from dataclasses import dataclass
from datetime import date
from weakref import WeakKeyDictionary

import numpy as np
from sqlalchemy import Dialect, func, select
from sqlalchemy.orm import Session
from sqlmodel import col

from spoolkeep.domain.demand import Foreseen, Outlook
from spoolkeep.domain.runout import AHEAD_DAYS, paths
from spoolkeep.domain.shortfall import expected
from spoolkeep.services import foresight, history, picking
from spoolkeep.services.foresight import Known
from spoolkeep.services.history import Amounts, Past
from spoolkeep.store.tables import Article, ItemMove, Movement, ProductPart

MONTH_DAYS = 28
WEEK = 7


@dataclass(frozen=True)
class Outlooks:
    """What is expected of each item, without what is sure to be asked."""

    past: Past
    usual_mg: dict[int, int]
    known: tuple[Known, ...]
    outlook: Outlook
    drawn: Amounts
    """Paths, (items, chances, days): see `paths`."""
    daily_mg: Amounts
    """(items,): what is expected a day over the coming four weeks."""
    mean: Amounts
    """(items, days + 1): what is expected by the end of each coming day, and its variance."""
    variance: Amounts

    def is_unheard_of(self, row: int) -> bool:
        """Tell whether an item was never on the shelf and nobody foresees anything of it: it is only set up."""
        return not self.past.on_shelf[row].any() and not self.outlook.added[row, -1]

    def row(self, article_id: int) -> int:
        """Give an item's row."""
        return self.past.article_ids.index(article_id)


_KEPT: WeakKeyDictionary[Dialect, tuple[Hashable, Outlooks]] = WeakKeyDictionary()
"""The last of each database, by its engine's dialect, and what it rests on."""


def told(session: Session, *, today: date) -> Outlooks:
    """Give what is expected from today on: reckoned anew where a day, the past or the foresight is another."""
    known, closed = tuple(foresight.listed(session)), tuple(history.closed_days(session))
    query = select(col(Article.id), col(Article.usual_job_mg)).where(col(Article.live), ~col(Article.retired))
    articles = tuple(session.execute(query.order_by(col(Article.id))).all())
    parts = select(col(ProductPart.product_id), col(ProductPart.article_id), col(ProductPart.mg))
    in_products = tuple(session.execute(parts.where(col(ProductPart.live)).order_by(col(ProductPart.id))).all())
    rests_on = (today, last_of_past(session, today), known, closed, articles, in_products)
    database = session.get_bind().engine.dialect
    kept = _KEPT.get(database)
    if kept is None or kept[0] != rests_on:
        article_ids = [one.id for one in articles]
        usual = picking.usual_mg(session, article_ids, today=today) if article_ids else {}
        past = history.read(session, usual, today=today, closed=closed)
        kept = _KEPT[database] = (rests_on, _reckoned(session, past, usual, known))
    return kept[1]


def last_of_past(session: Session, today: date) -> tuple[int | None, int | None]:
    """Give the last movement of a day before today, and the last spool that went over to another item.

    What changes the past, a late report, an undo or a spool that goes over, is one more.
    """
    before = select(func.max(col(Movement.id))).where(col(Movement.shop_day) < today)
    moved = select(func.max(col(ItemMove.id)))
    last, over = session.execute(select(before.scalar_subquery(), moved.scalar_subquery())).one()
    return last, over


def _reckoned(session: Session, past: Past, usual_mg: dict[int, int], known: tuple[Known, ...]) -> Outlooks:
    foreseen, counted = foresight.foreseen(session, past, known)
    outlook = of_past(counted, foreseen=foreseen)
    daily = outlook.mean(MONTH_DAYS) / MONTH_DAYS if past.article_ids else np.zeros(0)
    mean, variance = expected(outlook)
    return Outlooks(past, usual_mg, known, outlook, paths(outlook), daily, mean, variance)


def of_past(past: Past, *, foreseen: Foreseen | None = None) -> Outlook:
    """Give the outlook from a past, with what is foreseen or without."""
    return Outlook.of(
        past.grams,
        AHEAD_DAYS,
        season=WEEK,
        open_days=past.open_days,
        observed=past.on_shelf,
        kin=past.kin,
        foreseen=foreseen,
    )
