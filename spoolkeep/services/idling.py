"""What a day without an item costs: the hours of machines that print it, what they earn, and orders that go out late.

The order plan calls it. It only reads.
"""

from collections.abc import Sequence
from datetime import date, datetime, timedelta
from typing import Any, NamedTuple

import numpy as np
from sqlalchemy import func, select
from sqlalchemy.orm import Session
from sqlmodel import col

from spoolkeep.domain.shortfall import Floats
from spoolkeep.domain.truecost import KG_PER_HOUR, MG_PER_KG, PPM, SECONDS_PER_HOUR
from spoolkeep.domain.words import JobState, Kind
from spoolkeep.services.asked import open_lines
from spoolkeep.services.shop import Shop
from spoolkeep.store.tables import Job, Machine, Movement, ProductPart, Spool

SINCE_DAYS = 90
"""Over how many days jobs tell what machines earn with an item. Source: our own choice."""
_LEANING_MG = 2 * MG_PER_KG
"""How much plastic of all items counts beside an item's own. Source: our own choice."""
_AHEAD_DAYS = 28


class _Earned(NamedTuple):
    mg: float
    minor: float
    """What the machines that printed it earn in those hours."""


def lost_a_day(session: Session, *, shop: Shop, now: datetime, article_ids: Sequence[int], daily_mg: Floats) -> Floats:
    """Give what a day costs on which each item has run out, in minor units, (items,).

    What its machines earn with a gram, by the jobs of ninety days, times what is expected to be drawn a day, times the
    chance that they have no other work; and the orders on hand that would go out late. A job of several items counts
    for each: without any one of them it stands still.
    """
    earned = _earned(session, shop, since=now - timedelta(days=SINCE_DAYS))
    every = _Earned(*(sum(one) for one in zip(*earned.values(), strict=True))) if earned else _Earned(0.0, 0.0)
    untold = shop.earns_minor_per_hour / KG_PER_HOUR / MG_PER_KG
    usual = (every.minor + _LEANING_MG * untold) / (every.mg + _LEANING_MG)
    own = [earned.get(number, _Earned(0.0, 0.0)) for number in article_ids]
    rates = np.array([(one.minor + _LEANING_MG * usual) / (one.mg + _LEANING_MG) for one in own])
    late = _late(session, article_ids, today=shop.today(now)) if shop.late_minor else np.zeros(len(own))
    return np.asarray(rates * daily_mg * idle_share(shop, shop.today(now)) + late * shop.late_minor)


def idle_share(shop: Shop, today: date) -> float:
    """Give the chance that a machine that lacks its item has no other work, in this month."""
    is_busy = bool(shop.busy_months >> (today.month - 1) & 1)
    return (shop.idle_busy_ppm if is_busy else shop.idle_ppm) / PPM


def _earned(session: Session, shop: Shop, *, since: datetime) -> dict[int, _Earned]:
    """Give what was drawn of each item by jobs whose time is known, and what their machines earn in it."""
    rate = func.coalesce(col(Machine.earns_minor_per_hour), shop.earns_minor_per_hour)
    each: Any = (
        select(
            col(Spool.article_id).label("article_id"),
            (-func.sum(col(Movement.asked_mg) * col(Movement.sign))).label("mg"),
            (func.max(col(Job.duration_s)) * func.max(rate)).label("earned"),
        )
        .select_from(Movement)
        .join(Job, col(Job.id) == col(Movement.job_id))
        .join(Spool, col(Spool.id) == col(Movement.spool_id))
        .outerjoin(Machine, col(Machine.id) == col(Job.machine_id))
        .where(col(Movement.kind) == Kind.DRAW, col(Movement.occurred_at) > since)
        .where(col(Job.live), col(Job.state) == JobState.ENDED, col(Job.duration_s).is_not(None))
        .group_by(col(Job.id), col(Spool.article_id))
    ).subquery()
    whole = select(each.c.article_id, func.sum(each.c.mg), func.sum(each.c.earned)).where(each.c.mg > 0)
    query = whole.group_by(each.c.article_id)
    return {
        number: _Earned(float(mg), float(earned) / SECONDS_PER_HOUR) for number, mg, earned in session.execute(query)
    }


def _late(session: Session, article_ids: Sequence[int], *, today: date) -> Floats:
    """Give the orders on hand a day, over the coming four weeks, that wait for each item, (items,)."""
    asks: dict[int, set[int]] = {}
    parts = select(col(ProductPart.product_id), col(ProductPart.article_id)).where(col(ProductPart.live))
    for product_id, article_id in session.execute(parts):
        asks.setdefault(product_id, set()).add(article_id)
    counted: dict[int, int] = {}
    for line in session.scalars(open_lines()):
        if line.due_on is None or line.due_on <= today + timedelta(days=_AHEAD_DAYS):
            for article_id in {line.article_id} if line.article_id else asks.get(line.product_id, set()):
                counted[article_id] = counted.get(article_id, 0) + 1
    return np.array([counted.get(number, 0) / _AHEAD_DAYS for number in article_ids])
