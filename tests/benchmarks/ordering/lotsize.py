"""How much to order at once, by the textbook: one item, price breaks, several items in one order, known demand.

Pure mathematics in any units that agree: amounts in pieces, costs in money, rates and holding costs for the same time.
The benchmark of ordering holds the order plan beside these rules, and tests hold them to printed examples. It must not
know items, suppliers, calendars or where figures come from.
"Snyder and Shen" is Fundamentals of Supply Chain Theory, 2nd edition, Wiley 2019; its sections are named from memory.
"""

import math
from collections.abc import Iterator, Sequence
from itertools import pairwise
from typing import NamedTuple

import numpy as np

from spoolkeep.domain.errors import BadInput


class Lot(NamedTuple):
    """A quantity to order each time, and what that costs for a unit of time."""

    quantity: float
    cost: float
    short_share: float = 0.0
    """The share of time without stock that pays, where customers wait; else 0."""


class PricedLot(NamedTuple):
    """A quantity at a price that depends on it."""

    quantity: float
    region: int
    """Which of the breaks it falls under, from 0."""
    cost: float
    """For a unit of time, with the purchase itself."""


class JointCycle(NamedTuple):
    """One order every `cycle`, in which item j has part each `multiples[j]`-th time."""

    multiples: tuple[int, ...]
    cycle: float
    cost: float
    """For a unit of time."""
    quantities: tuple[float, ...]
    """How many of each item when it has part."""


class Orders(NamedTuple):
    """What to order at the beginning of each period, and what that costs in all."""

    quantities: tuple[float, ...]
    cost: float


def economic(order_cost: float, holding: float, *, demand: float, penalty: float | None = None) -> Lot:
    """Give the economic order quantity; with a `penalty` for a piece and a unit of time, customers may wait.

    Errors: BadInput where an order costs less than nothing, or another figure is not above 0.
    Source: Harris 1913; Snyder and Shen, sections 3.2 and 3.5.
    """
    not_below_nothing(order_cost=order_cost)
    above_nothing(holding=holding, demand=demand, penalty=1.0 if penalty is None else penalty)
    short = 0.0 if penalty is None else holding / (holding + penalty)
    quantity = math.sqrt(2 * order_cost * demand / (holding * (1 - short)))
    return Lot(quantity, quantity * holding * (1 - short), short)


def all_units(order_cost: float, rate: float, *, demand: float, breaks: Sequence[tuple[float, float]]) -> PricedLot:
    """Give the best quantity where the whole order has the price of the break that it reaches.

    `breaks` are pairs (from this quantity, price of a piece), rising in quantity and falling in price; the first may be
    a least order. `rate` is what holding costs for a unit of time, as a share of the price.
    Errors: BadInput on a figure that cannot be, or breaks out of order.
    Source: Snyder and Shen, section 3.4.
    """
    return _discounted(order_cost, rate, demand=demand, breaks=breaks, extra=[0.0] * len(breaks))


def incremental(order_cost: float, rate: float, *, demand: float, breaks: Sequence[tuple[float, float]]) -> PricedLot:
    """Give the best quantity where only the pieces beyond a break have its price.

    As `all_units`; what the pieces before a break cost more counts as if it were paid for each order.
    Source: Snyder and Shen, section 3.4.
    """
    extra = [0.0]
    for (_, before), (start, price) in pairwise(breaks):
        extra.append(extra[-1] + start * (before - price))
    return _discounted(order_cost, rate, demand=demand, breaks=breaks, extra=extra)


def _discounted(
    order_cost: float, rate: float, *, demand: float, breaks: Sequence[tuple[float, float]], extra: Sequence[float]
) -> PricedLot:
    """Try each break's own best quantity, moved to where its price holds; `extra` is paid with each order."""
    not_below_nothing(order_cost=order_cost)
    above_nothing(rate=rate, demand=demand)
    _check_breaks(breaks)
    tried = []
    ends = [*(start for start, _ in breaks[1:]), math.inf]
    for region, ((start, price), end, paid) in enumerate(zip(breaks, ends, extra, strict=True)):
        fixed, holding = order_cost + paid, rate * price
        quantity = min(max(math.sqrt(2 * fixed * demand / holding), start), end)
        ordering = fixed * demand / quantity if fixed else 0.0
        cost = price * demand + ordering + holding * quantity / 2 + rate * paid / 2
        tried.append(PricedLot(quantity, region, cost))
    return min(tried, key=lambda lot: (lot.cost, -lot.region))


def _check_breaks(breaks: Sequence[tuple[float, float]]) -> None:
    if not breaks:
        raise BadInput("no_breaks", "Enter at least one price, and from which quantity it holds.")
    for start, price in breaks:
        not_below_nothing(quantity=start)
        above_nothing(price=price)
    for (start, price), (later, lower) in pairwise(breaks):
        if later <= start or lower >= price:
            raise BadInput("breaks_out_of_order", "Each price break needs a larger quantity and a lower price.")


def joint_cycle(
    shared: float, own: Sequence[float], *, holding: Sequence[float], demand: Sequence[float]
) -> JointCycle:
    """Give the best cycle for items that share an order, at least one of which is in each.

    `shared` is what each order costs, `own[j]` what it costs more with item j in it. As the cycle shortens, the best
    multiples only rise, one at a time; so each vector that can be best is tried, until orders alone cost too much.
    Errors: BadInput where lists differ in length or are empty, or a figure cannot be.
    Source: the cost as in Silver, Management Science 22(12) (1976), 1351-1361; m(m + 1) as in Goyal, Operational
    Research Quarterly 25(2) (1974) (from memory); that each item in turn is taken as the one in every order is our own.
    """
    best = silver_cycle(shared, own, holding=holding, demand=demand)
    value = [h * d for h, d in zip(holding, demand, strict=True)]
    for always in range(len(own)):
        multiples = _rising(always, shared, shortest=(shared + own[always]) / best.cost, own=own, value=value)
        best = min(best, _cycle(shared, own, value, multiples=multiples, demand=demand), key=_cost)
    return best


def silver_cycle(
    shared: float, own: Sequence[float], *, holding: Sequence[float], demand: Sequence[float]
) -> JointCycle:
    """Give a good cycle by Silver's heuristic: the item with the least own cost for its value is in each order.

    As `joint_cycle`, which is never dearer.
    Source: Silver, Management Science 22(12) (1976), 1351-1361; Silver, Pyke and Peterson 1998, section 11.2 (from
    memory).
    """
    _check_items(shared, own, holding, demand)
    value = [h * d for h, d in zip(holding, demand, strict=True)]
    first = min(range(len(own)), key=lambda j: own[j] / value[j])
    rest = value[first] / (shared + own[first])
    multiples = [max(1, math.floor(math.sqrt(k / v * rest) + 0.5)) for k, v in zip(own, value, strict=True)]
    multiples[first] = 1
    return _cycle(shared, own, value, multiples=multiples, demand=demand)


def _cost(cycle: JointCycle) -> float:
    return cycle.cost


def _check_items(shared: float, own: Sequence[float], holding: Sequence[float], demand: Sequence[float]) -> None:
    if not own or not len(own) == len(holding) == len(demand):
        raise BadInput("items_differ", "Enter an order cost, a holding cost and a demand for each of the items.")
    not_below_nothing(shared=shared)
    for k, h, d in zip(own, holding, demand, strict=True):
        not_below_nothing(own=k)
        above_nothing(order_cost=shared + k, holding=h, demand=d)


def _rising(always: int, shared: float, *, shortest: float, own: Sequence[float], value: Sequence[float]) -> list[int]:
    """Give the cheapest of the multiples that are best at some cycle not below `shortest`; one item stays at 1."""
    turns = sorted(
        (
            (turn, m, j)
            for j, (k, v) in enumerate(zip(own, value, strict=True))
            if j != always
            for m, turn in enumerate(_turns(2 * k / v, shortest), start=1)
        ),
        key=lambda one: -one[0],
    )
    saves = [own[j] / (m * (m + 1)) for _, m, j in turns]
    ordering = shared + sum(own) - np.cumsum([0.0, *saves])
    holding = sum(value) + np.cumsum([0.0, *(value[j] for _, _, j in turns)])
    taken = int(np.argmin(ordering * holding))
    times = np.bincount(np.asarray([j for _, _, j in turns[:taken]], np.int64), minlength=len(own))
    return [1 + int(one) for one in times]


def _turns(scale: float, shortest: float) -> Iterator[float]:
    """Give the cycles at which m + 1 becomes as good as m, for m = 1, 2, ..."""
    m = 1
    while (turn := math.sqrt(scale / (m * (m + 1)))) >= shortest:
        yield turn
        m += 1


def _cycle(
    shared: float, own: Sequence[float], value: Sequence[float], *, multiples: Sequence[int], demand: Sequence[float]
) -> JointCycle:
    """Give the best cycle for given multiples."""
    ordering = shared + sum(k / m for k, m in zip(own, multiples, strict=True))
    holding = sum(v * m for v, m in zip(value, multiples, strict=True))
    cycle = math.sqrt(2 * ordering / holding)
    quantities = tuple(d * m * cycle for d, m in zip(demand, multiples, strict=True))
    return JointCycle(tuple(multiples), cycle, math.sqrt(2 * ordering * holding), quantities)


def known_demand(
    order_cost: float, holding: float, *, demand: Sequence[float], prices: Sequence[float] | None = None
) -> Orders:
    """Give the cheapest orders for a demand that is known for each period.

    What is ordered at the beginning of a period is there in it; `holding` is for a piece that is left at its end.
    `prices` of a piece by period are counted in where they are given. Of two ways that cost the same, the one with
    its first order further ahead.
    Errors: BadInput where a figure is below 0, there is no period, or prices and periods differ in number.
    Source: Wagner and Whitin, Management Science 5(1) (1958), 89-96; Snyder and Shen, section 3.7.
    """
    not_below_nothing(order_cost=order_cost, holding=holding)
    price = [0.0] * len(demand) if prices is None else list(prices)
    if not demand or len(price) != len(demand):
        raise BadInput("periods_differ", "Enter the demand of at least one period, and as many prices as periods.")
    for d, p in zip(demand, price, strict=True):
        not_below_nothing(demand=d, price=p)
    periods = len(demand)
    cost, until = [0.0] * (periods + 1), [periods] * periods
    amounts = np.asarray(demand, np.float64)
    for start in reversed(range(periods)):
        ahead = amounts[start:]
        held = (price[start] + holding * np.arange(len(ahead))) * ahead
        total = np.cumsum(held) + order_cost * (np.cumsum(ahead) > 0) + np.asarray(cost[start + 1 :])
        furthest = len(ahead) - 1 - int(np.argmin(total[::-1]))
        cost[start], until[start] = float(total[furthest]), start + furthest + 1
    quantities, start = [0.0] * periods, 0
    while start < periods:
        quantities[start] = float(amounts[start : until[start]].sum())
        start = until[start]
    return Orders(tuple(quantities), cost[0])


def above_nothing(**figures: float) -> None:
    """Refuse a figure that is not above 0, by its name.

    Errors: BadInput.
    """
    for name, figure in figures.items():
        if not (figure > 0 and math.isfinite(figure)):
            raise BadInput("not_above_nothing", f"The {_told(name)} must be a number above 0, and is {figure}.")


def not_below_nothing(**figures: float) -> None:
    """Refuse a figure below 0, by its name.

    Errors: BadInput.
    """
    for name, figure in figures.items():
        if not (figure >= 0 and math.isfinite(figure)):
            raise BadInput("below_nothing", f"The {_told(name)} must be 0 or more, and is {figure}.")


def _told(name: str) -> str:
    return name.replace("_", " ")
