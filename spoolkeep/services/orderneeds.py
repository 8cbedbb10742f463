"""Until when each open order must come, by how the lines that are still awaited of it stand today.

The order book's pages, the sheets and Today ask it. It only reads.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta

import numpy as np
from sqlalchemy.orm import Session

from spoolkeep.domain.arrival import Need
from spoolkeep.domain.ordering import needed_by
from spoolkeep.domain.shortfall import Floats, chance_above
from spoolkeep.services import orderpile, stock
from spoolkeep.services.orderbook import OPEN_STATES
from spoolkeep.services.stock import Standing


@dataclass(frozen=True)
class _Awaited:
    """An item that is awaited of one order."""

    order_id: int
    article_id: int
    days: int
    """In how many days it should come."""


def needs(*, session: Session, now: datetime, told: Standing | None = None) -> dict[int, Need]:
    """Give by order the last day on which it still comes in time, of those that are drafted or awaited.

    It is the first day on which one of its items would be out, in one case of ten, if this order never came; what
    other orders bring is counted, as in the plan. An order whose items last beyond the days that are told has none,
    nor has one whose items have no pace. `told` is how stock stands, where the caller has read it.
    """
    told = told or stock.standing(session=session, now=now)
    coming = stock.coming_by_order(session, told.taking, OPEN_STATES, shop=told.shop, now=now)
    rows = {
        number: at
        for at, number in enumerate(told.outlook.past.article_ids)
        if number in told.known and _is_wanted(told, at, number)
    }
    awaited = sorted(
        {_Awaited(order, number, days) for order, some in coming.items() for number, days, _ in some if number in rows},
        key=lambda one: (one.order_id, one.article_id),
    )
    if not awaited:
        return {}
    daily = _chances(told, awaited, rows, coming)
    found: dict[int, list[tuple[int, float, _Awaited]]] = {}
    for one, by, out in zip(awaited, needed_by(daily), daily, strict=True):
        if by is not None:
            found.setdefault(one.order_id, []).append((by, -float(out[: one.days + 1].max()), one))
    return {order: _need(told, some) for order, some in found.items()}


def _is_wanted(told: Standing, at: int, number: int) -> bool:
    """Tell whether somebody waits for an item: what was never here, and nothing is sure to ask for, can come late."""
    return not told.outlook.is_unheard_of(at) or told.of(number).mg > 0 or bool(told.sure[at].any())


def _need(told: Standing, some: Sequence[tuple[int, float, _Awaited]]) -> Need:
    by, chance, first = min(some, key=lambda one: one[:2])
    short = sum(days < one.days for days, _, one in some)
    return Need(
        by=told.today + timedelta(days=by),
        item=told.known[first.article_id].name,
        chance=-chance,
        others=max(0, short - 1),
        counted_on=told.today + timedelta(days=first.days),
    )


def _chances(
    told: Standing,
    awaited: Sequence[_Awaited],
    rows: Mapping[int, int],
    coming: Mapping[int, Sequence[tuple[int, int, int]]],
) -> Floats:
    """Give the chance that each is out by the end of each day, if its own order never came, (awaited, days + 1)."""
    mean, variance = orderpile.with_sure(told, np.array([rows[one.article_id] for one in awaited], dtype=np.intp))
    held = [_without(told, one, coming) for one in awaited]
    return chance_above(mean, variance, orderpile.by_the_end(held))


def _without(told: Standing, one: _Awaited, coming: Mapping[int, Sequence[tuple[int, int, int]]]) -> Floats:
    """Give what is usable of an item by each day, with what all other orders bring."""
    others = [
        (days, mg)
        for order, some in coming.items()
        if order != one.order_id
        for number, days, mg in some
        if number == one.article_id
    ]
    return told.usable(one.article_id)[0] + stock.by_then(others)
