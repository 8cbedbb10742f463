"""When to order and up to what, by the textbook, where demand is uncertain and customers wait.

Three ways to look: once for a period (newsvendor, base stock), all the time (r, Q), and once a period (s, S).
Pure mathematics in any units that agree, as `lotsize`; it must not know items, suppliers, calendars or forecasts.
"Snyder and Shen" is Fundamentals of Supply Chain Theory, 2nd edition, Wiley 2019; its sections are named from memory.
"""

import math
from collections.abc import Callable
from dataclasses import dataclass
from statistics import NormalDist
from typing import NamedTuple

import numpy as np
from numpy.typing import ArrayLike, NDArray

from spoolkeep.domain.errors import BadInput
from tests.benchmarks.ordering.lotsize import above_nothing, economic, not_below_nothing

Floats = NDArray[np.float64]

_NORMAL = NormalDist()
_HALVINGS = 200
_ROUNDS = 10_000
_NEAR = 1e-14
_ADDS_UP = 1e-6


class Level(NamedTuple):
    """A level up to which to order in each period, and what that costs a period."""

    level: float
    cost: float


class Reorder(NamedTuple):
    """(r, Q): order `quantity` each time that the position falls to `point`."""

    point: float
    quantity: float
    cost: float
    """For a unit of time."""


class MinMax(NamedTuple):
    """(s, S): look once a period, and where the position is at `low` or below, order up to `high`."""

    low: float
    high: float
    cost: float | None
    """A period; None where the rule does not tell."""


class Normal(NamedTuple):
    """A normal demand over some time."""

    mean: float
    spread: float
    """Its standard deviation; 0 where it is certain."""

    def quantile(self, chance: float) -> float:
        """Give the demand that is not passed with this chance, above 0 and below 1."""
        return self.mean + self.spread * _NORMAL.inv_cdf(chance)

    def losses(self, stock: float) -> tuple[float, float]:
        """Give how much is missing on average where `stock` meets this demand, and that summed up from there.

        Source: the loss functions of the normal, Snyder and Shen, section 4.3 and appendix C.
        """
        if self.spread == 0:
            missing = max(self.mean - stock, 0.0)
            return missing, missing**2 / 2
        z = (stock - self.mean) / self.spread
        density, above = math.exp(-z * z / 2) / math.sqrt(2 * math.pi), math.erfc(z / math.sqrt(2)) / 2
        return self.spread * (density - z * above), self.spread**2 / 2 * ((z * z + 1) * above - z * density)

    def charge(self, holding: float, penalty: float, *, stock: float) -> float:
        """Give what is held and what is missing cost at such a stock."""
        return holding * (stock - self.mean) + (holding + penalty) * self.losses(stock)[0]


@dataclass(frozen=True)
class Supply:
    """An item that is watched all the time and takes `lead_time` to come; demand is normal and customers wait.

    Errors: BadInput where a cost, the rate or the lead time is not above 0, or the deviation is below 0.
    """

    order_cost: float
    """For an order."""
    holding: float
    """For a piece and a unit of time."""
    penalty: float
    """For a piece that is waited for, and a unit of time; in `rq_expected_level` for a piece alone."""
    rate: float
    """Mean demand in a unit of time."""
    sd: float
    """Standard deviation of demand in a unit of time."""
    lead_time: float

    def __post_init__(self) -> None:
        """Refuse what cannot be."""
        above_nothing(order_cost=self.order_cost, holding=self.holding, penalty=self.penalty)
        above_nothing(rate=self.rate, lead_time=self.lead_time)
        not_below_nothing(sd=self.sd)

    @property
    def ahead(self) -> Normal:
        """Give demand while an order is on its way."""
        return Normal(self.rate * self.lead_time, self.sd * math.sqrt(self.lead_time))

    @property
    def critical(self) -> float:
        """Give the chance of not running short at which holding and waiting are in balance."""
        return self.penalty / (self.holding + self.penalty)

    def charge(self, stock: float) -> float:
        """Give what holding and waiting cost for a unit of time at a position of `stock`."""
        return self.ahead.charge(self.holding, self.penalty, stock=stock)


def newsvendor_normal(
    holding: float, penalty: float, *, mean: float, sd: float, lead_time: float = 0, level: float | None = None
) -> Level:
    """Give the best level for normal demand of `mean` and `sd` a period, or what a given `level` costs.

    `lead_time`, in periods, makes it a base stock: the level then answers for one period more than it.
    Errors: BadInput where a cost is not above 0, or another figure is below 0.
    Source: Snyder and Shen, sections 4.3 and 4.4.
    """
    above_nothing(holding=holding, penalty=penalty)
    not_below_nothing(mean=mean, sd=sd, lead_time=lead_time)
    demand = Normal(mean * (lead_time + 1), sd * math.sqrt(lead_time + 1))
    best = demand.quantile(penalty / (holding + penalty)) if level is None else level
    return Level(best, demand.charge(holding, penalty, stock=best))


def poisson(mean: float) -> Floats:
    """Give the chances of 0, 1, 2, ... pieces, (n + 1,), until what is beyond n does not count.

    Errors: BadInput where the mean is not above 0.
    Source: the Poisson distribution; where it is cut (12 deviations and 40) is our own choice.
    """
    above_nothing(mean=mean)
    count = np.arange(1, math.ceil(mean + 12 * math.sqrt(mean)) + 40)
    chances = np.exp(np.concatenate(([0.0], np.cumsum(np.log(mean / count)))) - mean)
    return np.asarray(chances / chances.sum())


def newsvendor_discrete(
    holding: float, penalty: float, *, chances: ArrayLike, lead_time: int = 0, level: int | None = None
) -> Level:
    """Give the best level for a demand of 0, 1, 2, ... pieces a period with these `chances`, or what `level` costs.

    It is the least level that meets demand with the chance penalty / (penalty + holding). `lead_time`, in whole
    periods, makes it a base stock.
    Errors: BadInput where a cost is not above 0, or the chances are none.
    Source: Snyder and Shen, section 4.3.2.
    """
    above_nothing(holding=holding, penalty=penalty)
    demand = _over(chances, lead_time + 1)
    best = _critical(holding, penalty, demand) if level is None else level
    return Level(best, _charge(holding, penalty, demand)(best))


def _over(chances: ArrayLike, periods: int) -> Floats:
    """Give the chances of the sum of so many periods."""
    one = np.asarray(chances, np.float64)
    if one.ndim != 1 or not one.size or not np.all(one >= 0) or abs(one.sum() - 1) > _ADDS_UP:
        raise BadInput("bad_chances", "Enter a chance for 0, 1, 2 and so on; none below 0, and together 1.")
    if periods < 1:
        raise BadInput("below_nothing", "The lead time is 0 or more whole periods. Enter another.")
    total = one
    for _ in range(periods - 1):
        total = np.convolve(total, one)
    return np.asarray(total / total.sum())


def _critical(holding: float, penalty: float, demand: Floats) -> int:
    """Give the least level that meets demand with the chance penalty / (penalty + holding)."""
    wanted = penalty / (penalty + holding) - _NEAR
    return min(int(np.searchsorted(np.cumsum(demand), wanted)), len(demand) - 1)


def _charge(holding: float, penalty: float, demand: Floats) -> Callable[[int], float]:
    """Give what holding and waiting cost at each whole position."""
    mean = float(demand @ np.arange(len(demand)))
    left = np.concatenate(([0.0], np.cumsum(np.cumsum(demand))))

    def at(stock: int) -> float:
        if stock < 0:
            return penalty * (mean - stock)
        over = float(left[stock]) if stock < len(left) else stock - mean
        return holding * over + penalty * (over + mean - stock)

    return at


def rq_cost(case: Supply, point: float, *, quantity: float) -> float:
    """Give what (r, Q) costs for a unit of time: orders, and holding and waiting over positions from r to r + Q.

    Errors: BadInput where the quantity is not above 0.
    Source: Snyder and Shen, section 5.1.
    """
    above_nothing(quantity=quantity)
    middle = case.holding * quantity * (point + quantity / 2 - case.ahead.mean)
    missing = case.ahead.losses(point)[1] - case.ahead.losses(point + quantity)[1]
    return (case.order_cost * case.rate + middle + (case.holding + case.penalty) * missing) / quantity


def rq_point(case: Supply, quantity: float) -> Reorder:
    """Give the best point for a quantity: where holding and waiting cost the same at r and at r + Q.

    Errors: BadInput where the quantity is not above 0.
    Source: Snyder and Shen, section 5.1; Zheng, Management Science 38(1) (1992), 87-103 (from memory).
    """
    above_nothing(quantity=quantity)
    top = case.ahead.quantile(case.critical)
    point = _crossing(lambda r: case.charge(r) - case.charge(r + quantity), top - quantity, top)
    return Reorder(point, quantity, rq_cost(case, point, quantity=quantity))


def rq_best(case: Supply) -> Reorder:
    """Give the best point and quantity together.

    At the best quantity the cost for a unit of time is that of holding and waiting at r; below it costs more.
    Source: Zheng, Management Science 38(1) (1992), 87-103 (from memory).
    """

    def over(quantity: float) -> float:
        found = rq_point(case, quantity)
        return found.cost - case.charge(found.point)

    least = economic(case.order_cost, case.holding, demand=case.rate).quantity
    most = least
    while over(most) > 0:
        most *= 2
    return rq_point(case, _crossing(over, least / 2, most))


def rq_expected_level(case: Supply) -> Reorder:
    """Give (r, Q) by the expected-inventory-level approximation; the penalty is for a piece, however long it waits.

    `cost` is the approximation's own.
    Errors: BadInput where running short is so cheap that the rule has no answer.
    Source: Snyder and Shen, section 5.2; Hadley and Whitin 1963 (from memory).
    """

    def improve(quantity: float) -> tuple[float, float]:
        short = case.holding * quantity / (case.penalty * case.rate)
        if short >= 1:
            raise BadInput("penalty_too_low", "Running short costs too little for this rule. Enter a higher penalty.")
        point = case.ahead.quantile(1 - short)
        fixed = case.order_cost + case.penalty * case.ahead.losses(point)[0]
        return point, math.sqrt(2 * case.rate * fixed / case.holding)

    point, quantity = _settled(case, improve)
    fixed = case.order_cost + case.penalty * case.ahead.losses(point)[0]
    return Reorder(
        point, quantity, case.holding * (point - case.ahead.mean + quantity / 2) + fixed * case.rate / quantity
    )


def rq_backorders(case: Supply) -> Reorder:
    """Give (r, Q) with the economic quantity where customers wait, and the best point for it.

    Source: Snyder and Shen, section 5.2; Zheng 1992.
    """
    lot = economic(case.order_cost, case.holding, demand=case.rate, penalty=case.penalty)
    return rq_point(case, lot.quantity)


def rq_safety_stock(case: Supply) -> Reorder:
    """Give (r, Q) with the economic quantity, and mean demand on the way plus a safety stock as the point.

    Source: Snyder and Shen, section 5.2.
    """
    quantity = economic(case.order_cost, case.holding, demand=case.rate).quantity
    point = case.ahead.quantile(case.critical)
    return Reorder(point, quantity, rq_cost(case, point, quantity=quantity))


def rq_loss(case: Supply) -> Reorder:
    """Give (r, Q) by the loss-function approximation: as if r + Q always met demand on the way.

    Source: Snyder and Shen, section 5.2.
    """
    both = case.holding + case.penalty

    def improve(quantity: float) -> tuple[float, float]:
        missing = case.holding * quantity / both
        low = case.ahead.mean - missing - case.ahead.spread
        point = _crossing(lambda r: case.ahead.losses(r)[0] - missing, low, case.ahead.mean + 40 * case.ahead.spread)
        return point, math.sqrt(2 * (case.order_cost * case.rate + both * case.ahead.losses(point)[1]) / case.holding)

    point, quantity = _settled(case, improve)
    return Reorder(point, quantity, rq_cost(case, point, quantity=quantity))


def rq_poisson(order_cost: float, holding: float, *, penalty: float, rate: float, lead_time: float) -> Reorder:
    """Give the best (r, Q) in whole pieces for Poisson demand: positions are taken in as long as each lowers the cost.

    Errors: BadInput where a figure is not above 0.
    Source: Federgruen and Zheng, Operations Research 40(4) (1992), 808-813; Snyder and Shen, section 5.4 (from memory).
    """
    above_nothing(order_cost=order_cost, holding=holding, penalty=penalty, rate=rate, lead_time=lead_time)
    demand = poisson(rate * lead_time)
    charge = _charge(holding, penalty, demand)
    high = _critical(holding, penalty, demand)
    point, quantity, total = high - 1, 1, order_cost * rate + charge(high)
    while min(below := charge(point), above := charge(high + 1)) < total / quantity:
        point, high = (point - 1, high) if below <= above else (point, high + 1)
        quantity, total = quantity + 1, total + min(below, above)
    return Reorder(point, quantity, total / quantity)


def _crossing(falls: Callable[[float], float], low: float, high: float) -> float:
    """Give where a function that falls goes through 0 between two bounds, by halving."""
    for _ in range(_HALVINGS):
        middle = (low + high) / 2
        low, high = (middle, high) if falls(middle) > 0 else (low, middle)
        if high - low <= _NEAR * abs(middle):
            break
    return (low + high) / 2


def _settled(case: Supply, improve: Callable[[float], tuple[float, float]]) -> tuple[float, float]:
    """Improve point and quantity in turn, from the economic quantity until it stays."""
    quantity = economic(case.order_cost, case.holding, demand=case.rate).quantity
    for _ in range(_ROUNDS):
        before = quantity
        point, quantity = improve(before)
        if abs(quantity - before) <= _NEAR * quantity:
            break
    return point, quantity


def ss_discrete(order_cost: float, holding: float, *, penalty: float, chances: ArrayLike, lead_time: int = 0) -> MinMax:
    """Give the best (s, S) in whole pieces, looked at once a period, for demand of 0, 1, 2, ... with these `chances`.

    Errors: BadInput where a cost is not above 0, or the chances are none or all for 0.
    Source: Zheng and Federgruen, Operations Research 39(4) (1991), 654-665; Snyder and Shen, section 4.4 (from memory).
    """
    above_nothing(order_cost=order_cost, holding=holding, penalty=penalty)
    one, demand = _over(chances, 1), _over(chances, lead_time + 1)
    if one[0] >= 1:
        raise BadInput("no_demand", "Nothing is ever asked for, so nothing needs ordering.")
    charge, visits = _charge(holding, penalty, demand), _visits(one)

    def cost(low: int, high: int) -> float:
        seen = visits(high - low)
        return (order_cost + sum(float(seen[j]) * charge(high - j) for j in range(high - low))) / float(seen.sum())

    best = _critical(holding, penalty, demand)
    low = best - 1
    while cost(low, best) > charge(low):
        low -= 1
    least, high = cost(low, best), best + 1
    while charge(high) <= least:
        if cost(low, high) < least:
            best = high
            while cost(low, best) <= charge(low + 1):
                low += 1
            least = cost(low, best)
        high += 1
    return MinMax(low, best, least)


def _visits(chances: Floats) -> Callable[[int], Floats]:
    """Give how often, on average, the position stands 0, 1, 2, ... below S in a cycle: the renewal density."""
    known: list[float] = []

    def first(count: int) -> Floats:
        while len(known) < count:
            past = min(len(known), len(chances) - 1)
            came = sum(float(chances[k]) * known[-k] for k in range(1, past + 1))
            known.append((came if known else 1.0) / (1 - float(chances[0])))
        return np.asarray(known[:count])

    return first


def ss_power(
    order_cost: float, holding: float, *, penalty: float, mean: float, sd: float, lead_time: float = 0
) -> MinMax:
    """Give a near (s, S) by the power approximation, for demand of `mean` and `sd` a period; it tells no cost.

    Its cap for orders below one and a half periods' demand is left out, as in the textbook's example.
    Errors: BadInput where a figure is not above 0.
    Source: Ehrhardt and Mosier, Management Science 30(5) (1984), 618-622 (from memory); Snyder and Shen, section 4.4.
    """
    above_nothing(order_cost=order_cost, holding=holding, penalty=penalty, mean=mean, sd=sd)
    not_below_nothing(lead_time=lead_time)
    over, spread = mean * (lead_time + 1), sd * math.sqrt(lead_time + 1)
    apart = 1.3 * mean**0.494 * (order_cost / holding) ** 0.506 * (1 + (spread / mean) ** 2) ** 0.116
    z = math.sqrt(apart * holding / (spread * penalty))
    low = 0.973 * over + spread * (0.183 / z + 1.063 - 2.192 * z)
    return MinMax(low, low + apart, None)
