"""One supplier's order as a game: whole spools, a lead time by chance, a cost an order, and a cost a day without.

`reorder` and the tests call it: the game, its exact bound with all foreseen, and rules of thumb. Grams and money.
"""

import math
from collections.abc import Callable
from dataclasses import dataclass
from typing import NamedTuple

import numpy as np
import numpy.typing as npt

from spoolkeep.domain.reorder import Planner
from tests.benchmarks.ordering.orderpoint import Supply, rq_best

Amounts = npt.NDArray[np.float64]
Rng = np.random.Generator
Decide = Callable[[int, Amounts, Amounts], Amounts | None]
"""What to order on the evening of a day, in spools, by what is here and what is on order."""

WEEK, MONTH, YEAR = 7, 30, 365
COVER_DAYS = 14
BUFFER = 1.5
_SPAN = 100
_HARDLY = 1e-9
_SEEN = 1e-6
_ANEW_DAYS = 28


@dataclass
class Game:
    """What things cost. Source of the figures: common practice, no source."""

    spool: float = 1000.0
    order_cost: float = 12.0
    price_kg: float = 18.0
    carry: float = 0.2
    """A year, of the worth."""
    out_cost: float = 42.0
    """For each day on which an item that is asked for has run out."""
    lead: tuple[int, int] = (5, 9)

    @property
    def h(self) -> float:
        """Give what a gram costs that lies for a day."""
        return self.carry * self.price_kg / 1000.0 / YEAR


class Year(NamedTuple):
    """What a year came to."""

    out_days: float
    orders: float
    ordering: float
    lying: float
    lost: float

    @property
    def total(self) -> float:
        """Give what it cost."""
        return self.ordering + self.lying + self.lost


def drawn(rng: Rng, items: int, days: int, *, grams_a_day: float) -> Amounts:
    """Give what is asked, (items, days): from once a month to several times a day.

    Jobs of a day are gamma-Poisson around a level with a weekday, a season of half of the items and a slow trend; a
    job's grams are gamma. Source: our own choice; it is not the model that the forecast assumes.
    """
    day = np.arange(days)
    trend = rng.normal(0.0, 0.3, items)[:, None] * (day - days / 2) / YEAR
    peak = np.where(rng.random(items) < 0.5, 335, rng.integers(0, YEAR, items))[:, None]
    from_peak = (day - peak + YEAR // 2) % YEAR - YEAR // 2
    season = rng.exponential(0.35, items)[:, None] * np.exp(-((from_peak / 30.0) ** 2))
    weekday = np.array([1.25, 1.15, 1.0, 1.0, 1.1, 0.9, 0.6])[day % WEEK]
    level = np.exp(rng.normal(-0.7, 1.2, items))[:, None] * np.exp(trend + season) * weekday
    jobs = rng.poisson(level * rng.gamma(2.0, 0.5, (items, days)))
    size = np.exp(rng.normal(4.0, 0.5, items))[:, None]
    asked = np.where(jobs > 0, rng.gamma(2.5 * np.maximum(jobs, 1), size / 2.5), 0.0)
    return np.asarray(asked * grams_a_day * days / asked.sum())


def opening(asked: Amounts, game: Game, first: int) -> Amounts:
    """Give the spools with which every rule begins: two weeks of the thirty-day mean, one at least, in grams."""
    mean = asked[:, first - MONTH : first].mean(axis=1)
    return np.asarray(np.maximum(np.ceil(COVER_DAYS * mean / game.spool), 1.0) * game.spool)


def played(asked: Amounts, decide: Decide, game: Game, *, first: int, seed: int) -> Year:
    """Play from a day on to the end of what is asked. What is not there is lost; lead times are the same for all rules.

    An order of the evening of day t is there on the morning of day t + lead.
    """
    items, days = asked.shape
    lead = np.random.default_rng(seed).integers(game.lead[0], game.lead[1] + 1, size=(days,)).tolist()
    here, coming = opening(asked, game, first), np.zeros((days + game.lead[1] + 1, items))
    on_order = np.zeros(items)
    out = orders = 0
    lying = 0.0
    for day in range(first, days):
        here, on_order = here + coming[day], on_order - coming[day]
        out += int((asked[:, day] > here + _SEEN).sum())
        here = np.maximum(here - asked[:, day], 0.0)
        lying += float(here.sum())
        spools = decide(day, here.copy(), on_order.copy())
        if spools is not None and spools.any():
            orders += 1
            coming[day + lead[day]] += spools * game.spool
            on_order = on_order + spools * game.spool
    part = YEAR / (days - first)
    return Year(
        out * part, orders * part, orders * part * game.order_cost, lying * part * game.h, out * part * game.out_cost
    )


def foreseen(asked: Amounts, game: Game, *, first: int) -> Year:
    """Give the least that the game can cost where demand and lead times are known: a shortest path over days.

    Nothing runs out, as an order for one spool costs less than a day without. An order that comes on day i lasts until
    the one of day j, so each item is then filled to the whole spools that it needs by j; what lies on the days between
    follows from i and j alone. As Wagner and Whitin 1958, but for whole spools and many items.
    """
    start = opening(asked, game, first)
    coming = asked[:, first:]
    days = coming.shape[1]
    need = np.concatenate([np.zeros((len(coming), 1)), np.cumsum(coming, axis=1)], axis=1)
    short = np.maximum(need - start[:, None], 0.0)
    bought = np.ceil(short / game.spool - _HARDLY) * game.spool
    filled = (start[:, None] + bought).sum(axis=0)
    left_after = np.concatenate([[0.0], np.cumsum(need[:, 1:].sum(axis=0))])
    least = np.full(days + 1, math.inf)
    orders = np.zeros(days + 1)
    least[0] = 0.0
    for until in range(1, days + 1):
        from_days = np.arange(max(0, until - _SPAN), until)
        lies = (until - from_days) * filled[until] - (left_after[until] - left_after[from_days])
        costs = least[from_days] + game.order_cost + game.h * lies
        at = int(costs.argmin())
        least[until], orders[until] = costs[at], orders[from_days[at]] + 1
        if not bought[:, until].any():
            least[until] = game.h * (until * start.sum() - left_after[until])
            orders[until] = 0
    part = YEAR / days
    ordering = float(orders[-1] * game.order_cost * part)
    return Year(0.0, float(orders[-1] * part), ordering, float(least[-1] * part) - ordering, 0.0)


# ---- rules


def planned(asked: Amounts, game: Game) -> Decide:
    """Give the order plan's rule."""
    plan = Planner()
    return lambda day, here, on_order: plan(asked[:, : day + 1], here, on_order, game)


def when_last_is_opened(asked: Amounts, game: Game) -> Decide:
    """Order one spool of an item when its last is opened."""
    del asked
    return lambda _, here, on_order: np.asarray(((here <= game.spool) & (on_order <= 0)).astype(np.float64))


def each_alone(asked: Amounts, game: Game) -> Decide:
    """Fill an item to two weeks above its minimum, half as much again as the mean of thirty days draws in a lead time.

    Source: common practice, no source.
    """

    def decide(day: int, here: Amounts, on_order: Amounts) -> Amounts:
        mean = asked[:, day + 1 - MONTH : day + 1].mean(axis=1)
        return filled_above(mean, here + on_order, sum(game.lead) / 2, spool=game.spool)

    return decide


def weekly_together(asked: Amounts, game: Game) -> Decide:
    """Do so once a week, in one order, with a week more in the minimum. Source: common practice, no source."""

    def decide(day: int, here: Amounts, on_order: Amounts) -> Amounts | None:
        if day % WEEK:
            return None
        mean = asked[:, day + 1 - MONTH : day + 1].mean(axis=1)
        return filled_above(mean, here + on_order, sum(game.lead) / 2 + WEEK, spool=game.spool)

    return decide


def filled_above(mean: Amounts, position: Amounts, lead_days: Amounts | float, *, spool: float) -> Amounts:
    """Give the spools that fill each item from its minimum, with a buffer of half, to two weeks above."""
    low = mean * lead_days * BUFFER
    wanted = low + np.maximum(COVER_DAYS * mean, spool) - position
    return np.asarray(np.where((position <= low) & (mean > 0), np.ceil(wanted / spool), 0.0))


def by_textbook(asked: Amounts, game: Game) -> Decide:
    """Order by (r, Q), each item alone, in whole spools, its figures taken anew each four weeks.

    Source: orderpoint; that a gram missing for a day costs a day without over a day's draw is our own choice.
    """
    points: dict[int, tuple[Amounts, Amounts]] = {}

    def decide(day: int, here: Amounts, on_order: Amounts) -> Amounts:
        month = day // _ANEW_DAYS
        if month not in points:
            past = asked[:, max(0, day + 1 - 3 * MONTH) : day + 1]
            points[month] = point_and_lot(
                past,
                np.full(len(asked), sum(game.lead) / 2),
                order_cost=game.order_cost,
                holding=np.full(len(asked), game.h),
                out_cost=game.out_cost,
            )
        return at_the_point(points[month], here + on_order, game.spool)

    return decide


def at_the_point(told: tuple[Amounts, Amounts], position: Amounts, spool: float) -> Amounts:
    """Give the spools of each item whose position fell to its point."""
    point, lot = told
    spools = np.maximum(np.ceil((point - position + lot) / spool), 1.0)
    return np.asarray(np.where((position <= point) & (lot > 0), spools, 0.0))


def point_and_lot(
    past: Amounts, lead_days: Amounts, *, order_cost: float, holding: Amounts, out_cost: float
) -> tuple[Amounts, Amounts]:
    """Give (r, Q) of each item, (items,) both, by its mean and scatter; 0 where nothing was drawn."""
    points, lots = np.zeros(len(past)), np.zeros(len(past))
    for row, drew in enumerate(past):
        mean = float(drew.mean())
        if mean > 0:
            penalty = out_cost / mean
            supply = Supply(
                order_cost, float(holding[row]), penalty, mean, float(drew.std(ddof=1)), float(lead_days[row])
            )
            best = rq_best(supply)
            points[row], lots[row] = max(best.point, 0.0), best.quantity
    return points, lots
