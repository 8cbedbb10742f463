"""How items stand before the plan of what to order: what will be drawn, what is here, what a day without one costs.

The order plan and what says by when orders must come call it. It only reads.
"""

from collections.abc import Mapping, Sequence
from dataclasses import replace
from datetime import datetime

import numpy as np
from sqlalchemy import select
from sqlalchemy.orm import Session
from sqlmodel import col

from spoolkeep.domain.demand import consumed_by_day
from spoolkeep.domain.runout import CHANCES
from spoolkeep.domain.shortfall import Floats, Pile, chance_above
from spoolkeep.domain.truecost import PPM
from spoolkeep.services import idling, stock
from spoolkeep.services.stock import Standing
from spoolkeep.store.tables import Article, Substitute

COVER_DAYS = 28
_SOON_DAYS = 14

Coming = Mapping[int, Sequence[tuple[int, int]]]
"""By item, in how many days what is ordered should come, and how much."""


def pile_of(
    session: Session, told: Standing, rows: Sequence[tuple[int, int]], drafted: Coming, *, now: datetime
) -> Pile:
    """Give how the items stand: what will be drawn with what is sure, what is here, and what a day without costs."""
    at = np.array([row for row, _ in rows], dtype=np.intp)
    numbers = [number for _, number in rows]
    mean, variance = with_sure(told, at)
    held = [told.usable(number)[1] + stock.by_then(drafted.get(number, ())) for number in numbers]
    daily = mean[:, COVER_DAYS] / COVER_DAYS if numbers else np.zeros(0)
    lost = idling.lost_a_day(session, shop=told.shop, now=now, article_ids=numbers, daily_mg=daily)
    risks = dict(session.execute(select(col(Article.id), col(Article.risk_ppm))).all())
    accepted = [risks.get(one) for one in numbers]
    # where a stop costs nothing, the workshop's own risk decides
    usual = np.where(lost > 0, 1.0, told.shop.risk)
    risk = np.array([usual[at] if one is None else one / PPM for at, one in enumerate(accepted)])
    pile = Pile(mean, variance, by_the_end(held) if held else mean, np.where(risk < 1.0, 0.0, lost), risk)
    return replace(pile, lost=pile.lost * _alone(session, numbers, pile))


def by_the_end(held: Sequence[Floats]) -> Floats:
    """Give what had come for the draw up to the end of each day: what comes in its course is there for it.

    Of what is held by day, as Stock has it, the last of the days before.
    """
    by_day = np.stack(held)
    return np.concatenate([by_day[:, :1], by_day[:, :-1]], axis=1)


def with_sure(told: Standing, at: np.ndarray[tuple[int], np.dtype[np.intp]]) -> tuple[Floats, Floats]:
    """Give mean and variance with what is sure to be asked, which consumes the forecast of its week.

    What it changes in the middle and the spread of the paths, it is taken to change in these.
    """
    mean, variance = told.outlook.mean[at].copy(), told.outlook.variance[at].copy()
    some = np.flatnonzero(told.sure[at].any(axis=1))
    if len(some):
        plain = told.outlook.drawn[at[some]]
        usual, spread = _moments(plain)
        sure, sure_spread = _moments(consumed_by_day(plain, told.sure[at[some]]))
        mean[some] += sure - usual
        variance[some] = np.where(spread > 0, variance[some] * sure_spread / np.maximum(spread, 1e-9), sure_spread)
    return np.maximum.accumulate(np.maximum(mean, 0.0), axis=1), np.maximum(variance, 0.0)


def _moments(paths: Floats) -> tuple[Floats, Floats]:
    """Give mean and variance of paths, (items, chances, days), by the share of cases that each stands for."""
    edges = np.concatenate([[0.0], (CHANCES[1:] + CHANCES[:-1]) / 2, [1.0]])
    weights = np.diff(edges)[None, :, None]
    mean = (paths * weights).sum(axis=1)
    return mean, ((paths - mean[:, None]) ** 2 * weights).sum(axis=1)


def _alone(session: Session, numbers: Sequence[int], pile: Pile) -> Floats:
    """Give the share of cases in which no accepted substitute serves in an item's place when it has run out, (items,).

    It serves as far as both together would last over the coming two weeks.
    """
    row = {number: at for at, number in enumerate(numbers)}
    found = np.ones(len(numbers))
    query = select(col(Substitute.article_id), col(Substitute.instead_id)).where(col(Substitute.live))
    for number, instead in session.execute(query):
        if number in row and instead in row:
            one, other = row[number], row[instead]
            alone = _out(pile, [one])
            both = _out(pile, [one, other])
            found[one] *= min(1.0, both / alone) if alone > 0 else 1.0
    return found


def _out(pile: Pile, rows: list[int]) -> float:
    mean, variance, held = (one[rows, _SOON_DAYS].sum() for one in (pile.mean, pile.variance, pile.held))
    return float(chance_above(np.array([mean]), np.array([variance]), np.array([held]))[0])
