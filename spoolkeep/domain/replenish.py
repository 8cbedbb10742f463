"""When one supplier's order is worth its parcel, and how much of each item is in it: joint replenishment.

The order plan calls it for each supplier. Arrays in, arrays out. It must not know offers, names or a clock.

An order is shared by its items. It waits as long as a day of waiting costs less, in what may run out, than the best
order from here on costs a day; and it then brings each item as far as that best order goes. So the risk that is taken
follows from what a day without costs, what an order costs and what lies on the shelf.
"""

import math
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from functools import cached_property
from typing import NamedTuple

import numpy as np
import numpy.typing as npt

from spoolkeep.domain.shortfall import Floats, Pile, Whole

EAGER = 1.5
"""How many times the cost a day of the best order, less what lies, a day of waiting must come to. Source: our own, by
trial: 1.2 to 1.8 cost within 3 % of each other."""
ENDS_AT = 0.9
"""At which share of that an order lets the day's risk stand when it ends. Source: our own, by trial, as flat."""
_LEAST_SHARE = 0.15
_TIMES = 2
_STEPS = 24
"""Amounts that are weighed of each item for each length."""
_HALVINGS = 24
_WIDE = 12.0
_HARDLY = 1e-9
_EVERY = 4
_FIRST, _GROWS = 4.0, 1.12
_BARRED = 1e30
_PARTS = np.array([0.1, 0.25, 0.45, 0.65, 0.8, 0.9, 0.97, 1.0])
_LATE = 0.99
_DEAR = 1000.0
"""How many times what a pack costs that lies for a day, a day without is worth at least. Source: our own choice."""


class Packs(NamedTuple):
    """What can be bought of each item, (items,)."""

    mg: Floats
    """In one pack."""
    first: Floats
    """Packs, the fewest that are sold at once."""
    minor: Floats
    """What a pack costs."""
    spools: Floats
    """In one pack."""
    holding: Floats
    """What a unit of weight costs that lies for a day."""


class Reach(NamedTuple):
    """What an order may be raised to: so much of a sum over its packs."""

    each: Floats
    """What a pack counts, (items,)."""
    target: float


@dataclass(frozen=True)
class Chance:
    """One chance to order: what it costs and when it serves."""

    serves: Floats
    """The chance that each coming day is the first that it serves, (days + 1,); day 1 is the first that is told."""
    order_minor: float
    """What an order costs beside its goods, at the most."""
    review_days: int = 1
    """Days until the next chance."""
    most_days: int = 120
    """For how long ahead is bought at most."""

    @cached_property
    def cases(self) -> tuple[Whole, Floats]:
        """Give the days on which it may begin to serve and their chances: all of them, or a few that stand for them."""
        days = np.flatnonzero(self.serves > 0)
        weights = self.serves[days]
        if len(days) <= len(_PARTS):
            return days, np.asarray(weights)
        part = np.searchsorted(_PARTS, np.cumsum(weights) - weights / 2)
        whole = np.bincount(part, weights, len(_PARTS))
        middle = np.bincount(part, weights * days, len(_PARTS))
        some = whole > 0
        return np.rint(middle[some] / whole[some]).astype(np.intp), np.asarray(whole[some])

    @property
    def days(self) -> Whole:
        """Give the days of the cases."""
        return self.cases[0]

    @property
    def weights(self) -> Floats:
        """Give their chances."""
        return self.cases[1]

    @property
    def middle(self) -> int:
        """Give the day on which it begins to serve on average."""
        return round(float(self.days @ self.weights))

    @property
    def late(self) -> int:
        """Give the day by which it serves in all cases but one of a hundred."""
        return int(np.searchsorted(np.cumsum(self.serves), _LATE))


def _always(_: Floats) -> bool:
    return True


def _nothing(_: Floats) -> float:
    return 0.0


class Deal(NamedTuple):
    """What bears on an order beside its items."""

    costs: Callable[[Floats], float]
    """What it costs beside its goods, by the packs of each item."""
    dearer: Callable[[Floats], float]
    """How much more a day's draw costs at its prices than at the usual ones: below 0 where they are lower."""
    raised: Callable[[Floats, int], Floats]
    """The packs of each item, raised where a break pays; by the length of the order in days."""
    may: tuple[Reach, ...] = ()
    """What it may be raised to."""
    must: tuple[Reach, ...] = ()
    """What it is raised to where it is not taken otherwise."""
    taken: Callable[[Floats], bool] = _always
    """Whether the supplier takes it."""
    fits: Callable[[Floats], bool] = _always
    """Whether it passes no limit."""
    goods: Callable[[Floats], float] = _nothing
    """What its goods cost."""


@dataclass(frozen=True)
class Cycle:
    """The best order from here on, and whether to place it now."""

    packs: Floats
    """Of each item, (items,)."""
    needed: Floats
    """The same before it was raised to what a break, free freight or the least order asks."""
    days: int
    """How long it lasts beyond its coming."""
    rate_minor: float
    """What it costs a day: its own cost, what lies, and what may run out."""
    waiting_minor: float
    """What a day of waiting costs, in what may run out."""
    worth_minor: float
    """What a day of waiting must cost for the order to be worth it."""
    barred: bool
    """Whether an item runs out at a greater chance than is accepted of it, if it is not ordered now."""
    cut: bool
    """Whether a limit cut it."""
    pays: bool = True
    """Whether what it spares, until it is used up, is worth an order."""

    @property
    def is_due(self) -> bool:
        """Tell whether to order now."""
        return self.barred or (self.pays and self.waiting_minor >= self.worth_minor)


def ahead(daily: Floats, serves: Floats, *, before: bool = False) -> Floats:
    """Give what `daily` comes to on the day from which an order would serve, were it placed so many days later.

    `daily` is (items, days + 1); so is what is given, in which what lies beyond the days is as on the last. With
    `before` it is the day before that: what has run out by then was not served in time.
    """
    days = np.flatnonzero(serves > 0)
    whole = daily.shape[1]
    if not len(days):
        return np.zeros_like(daily)
    first = np.repeat(daily[:, :1], 1 if before else 0, axis=1)
    last = np.repeat(daily[:, -1:], int(days[-1]), axis=1)
    beyond = np.concatenate([first, daily, last], axis=1)
    found = np.zeros_like(daily)
    for day in days:
        found += serves[day] * beyond[:, day : day + whole]
    return found


def best_cycle(pile: Pile, packs: Packs, chance: Chance, deal: Deal) -> Cycle:
    """Give the best order of these items from here on, and whether to place it now.

    For each length in days it is filled as far as keeps the risk of its last day where the next order would be placed,
    the dearest risk first; the length with the least cost a day is the best one. What ends an order follows from what
    the best one costs, so it is found in two rounds. Limits do not bear on when to order, only on what is in it then.
    Source: joint replenishment with a shared order cost (Silver 1976; Snyder and Shen, 2nd ed., chapter 3); a marginal
    rule for when to stop waiting, renewal theory. The combination is our own.
    """
    if not len(pile.lost):
        return Cycle(np.zeros(0), np.zeros(0), 0, 0.0, 0.0, math.inf, barred=False, cut=False)
    losses = ahead(pile.chances(), chance.serves)
    waits = losses[:, : chance.review_days]
    waiting = float((pile.lost @ waits).mean())
    tables = list(_tables(pile, packs, chance))
    lies = float(packs.holding @ np.maximum(pile.held - pile.mean, 0.0)[:, min(chance.middle, pile.days)])
    worth = _steady(pile, packs, chance)
    for _ in range(_TIMES):
        found = _shortest(tables, pile, packs, chance, deal=deal, ends=ENDS_AT * worth)
        worth = max(EAGER * (found.rate_minor - lies), _LEAST_SHARE * found.rate_minor)
    barred = bool((waits.max(axis=1) > pile.risk).any())
    if found.packs.any() and not (deal.taken(found.packs) and deal.fits(found.packs)):
        found = _cut(tables, pile, packs, chance, deal=deal, ends=ENDS_AT * worth)
    lies_a_day = float(packs.holding @ (found.packs * packs.mg))
    pays = _pays(pile.lost @ losses, worth=worth, order_minor=chance.order_minor, lies_a_day=lies_a_day)
    return Cycle(found.packs, found.needed, found.days, found.rate_minor, waiting, worth, barred, found.cut, pays)


def _pays(along: Floats, *, worth: float, order_minor: float, lies_a_day: float) -> bool:
    """Tell whether what waiting costs, along the coming days, is worth an order.

    What is over by itself, as something comes, must in all be worth the order, and that it lies until it is asked for.
    """
    begins = int((along >= worth).argmax())
    over = np.flatnonzero(along[begins:] < worth)
    if not len(over):
        return True
    ends = begins + int(over[0])
    again = np.flatnonzero(along[ends:] >= worth)
    lies_days = int(again[0]) if len(again) else len(along) - ends
    return float(along[:ends].sum()) >= order_minor + lies_a_day * lies_days


def _steady(pile: Pile, packs: Packs, chance: Chance) -> float:
    """Give what the best order costs a day if all is drawn steadily: sqrt(2KD/h) of all at once costs sqrt(2KDh).

    Source: the economic order quantity, Harris 1913; Snyder and Shen, 2nd ed., section 3.2 (from memory).
    """
    lies = float(packs.holding @ pile.mean[:, -1]) / pile.days
    return math.sqrt(2.0 * chance.order_minor * lies)


class _Table(NamedTuple):
    """What may be bought for an order of one length."""

    days: int
    packs: Floats
    """(items, amounts)."""
    loss: Floats
    """What its last day costs in what may run out."""
    barred: npt.NDArray[np.bool_]


class _Found(NamedTuple):
    packs: Floats
    needed: Floats
    days: int
    rate_minor: float
    weighed_minor: float
    """The same with what its prices spare: orders are chosen by it, but who waits spares that too."""
    cut: bool


def _lengths(chance: Chance, days: int) -> Iterator[int]:
    most = min(chance.most_days, max(days - chance.late, 1))
    length = _FIRST
    while round(length) <= most:
        yield round(length)
        length = max(length + 1.0, length * _GROWS)
    if most < _FIRST:
        yield most


def _tables(pile: Pile, packs: Packs, chance: Chance) -> Iterator[_Table]:
    last, late = chance.middle, chance.late
    for length in _lengths(chance, pile.days):
        on = min(length + last, pile.days)
        end = min(length + late, pile.days)
        lows = np.array([end, *_gaps(pile, chance, length).values()], dtype=np.intp)
        most = (pile.mean + 6.0 * np.sqrt(pile.variance) - pile.held)[:, lows].max(axis=1)
        least = pile.mean[:, on] - np.sqrt(pile.variance[:, on]) - pile.held[:, on]
        base = np.floor(np.maximum(least, 0.0) / packs.mg)
        top = np.maximum(np.ceil(np.maximum(most, 0.0) / packs.mg), packs.first)
        span = top - base
        stride = np.maximum(np.ceil(span / _STEPS), 1.0)
        some = np.minimum(base[:, None] + stride[:, None] * np.arange(_STEPS + 1), top[:, None])
        some = np.where(some > 0, np.maximum(some, packs.first[:, None]), 0.0)
        amounts: Floats = np.concatenate([np.zeros((len(base), 1)), some], axis=1)
        chances = _at_its_worst(pile, chance, length, amounts * packs.mg[:, None])
        barred = chances > pile.risk[:, None]
        barred[:, -1] = False
        yield _Table(length, amounts, pile.lost[:, None] * chances, barred)


def _at_its_worst(pile: Pile, chance: Chance, length: int, added: Floats) -> Floats:
    """Give the chance of being out, (items, amounts), on the last day of an order, or in a gap before something comes.

    A parcel that is awaited late leaves a gap that an order of today closes, and for which the next one is too late.
    """
    on = chance.days + length + (chance.review_days - 1) // 2
    found = pile.chances_on(on, added) @ chance.weights
    for row, day in _gaps(pile, chance, length).items():
        one = pile.only(np.array([row]))
        found[row] = np.maximum(found[row], one.chances_on(np.array([day]), added[row : row + 1])[0, :, 0])
    return np.asarray(found)


def _gaps(pile: Pile, chance: Chance, length: int) -> dict[int, int]:
    """Give by item the day in the course of an order on which it stands worst, where something comes after it."""
    begins, ends = chance.middle, min(chance.middle + length, pile.days)
    if begins >= ends:
        return {}
    some = np.flatnonzero(pile.held[:, begins] < pile.held[:, ends])
    days = slice(begins, ends + 1)
    spread = np.sqrt(pile.variance[some, days]) + _HARDLY
    standing = (pile.held[some, days] - pile.mean[some, days]) / spread
    worst = standing.argmin(axis=1)
    return {int(row): begins + int(day) for row, day in zip(some, worst, strict=True) if begins + day < ends}


def _lies(pile: Pile, packs: Packs, amounts: Floats) -> Floats:
    """Give what each amount costs that lies until it is used up, (items, amounts): also what the days do not reach."""
    along = np.arange(0, pile.days + 1, _EVERY)
    here = (pile.held - pile.mean)[:, along]
    added = amounts * packs.mg[:, None]
    more = (
        np.maximum(here[:, None, :] + added[:, :, None], 0.0).sum(axis=2) - np.maximum(here, 0.0).sum(axis=1)[:, None]
    )
    pace = np.maximum(pile.mean[:, -1] / pile.days, _HARDLY)[:, None]
    rest = np.maximum(here[:, -1, None] + added, 0.0) ** 2 - np.maximum(here[:, -1, None], 0.0) ** 2
    return np.asarray(packs.holding[:, None] * (more * _EVERY + rest / pace / 2.0))


def _shortest(tables: Sequence[_Table], pile: Pile, packs: Packs, chance: Chance, *, deal: Deal, ends: float) -> _Found:
    """Give the order with the least cost a day, of all lengths: one that is taken, where there is such a one."""
    every = list(_weighed(tables, pile, packs, chance, deal=deal, ends=ends))
    some = [one for one in every if one.packs.any()]
    taken = [one for one in some if deal.taken(one.packs)]
    return min(taken or some or every, key=lambda one: one.weighed_minor)


def _weighed(
    tables: Sequence[_Table], pile: Pile, packs: Packs, chance: Chance, *, deal: Deal, ends: float
) -> Iterator[_Found]:
    """Give the orders of all lengths, as they are filled and as they may be raised."""
    for table in tables:
        needed = _needed(table, packs, ends)
        for filled in _fillings(table, pile, packs, deal, needed=needed):
            wanted = deal.raised(filled, table.days)
            yield _found(_Order(wanted, needed, table.days), pile, packs, chance, deal=deal)


def _found(order: "_Order", pile: Pile, packs: Packs, chance: Chance, *, deal: Deal) -> _Found:
    rate = _rate(order, pile, packs, chance, deal=deal)
    return _Found(*order, rate, rate + deal.dearer(order.packs), cut=False)


def _cut(tables: Sequence[_Table], pile: Pile, packs: Packs, chance: Chance, *, deal: Deal, ends: float) -> _Found:
    """Give the best order that passes no limit: a shorter one for all items, else what spares most until the next."""
    every = _weighed(tables, pile, packs, chance, deal=deal, ends=ends)
    some = (one for one in every if one.packs.any() and deal.taken(one.packs) and deal.fits(one.packs))
    fitting = min(some, key=lambda one: one.weighed_minor, default=None)
    if fitting is None:
        kept = _most_spared(pile, packs, chance, deal=deal, until=tables[0].days)
        fitting = _found(_Order(kept, kept, tables[0].days), pile, packs, chance, deal=deal)
    return fitting._replace(cut=True)


class _Order(NamedTuple):
    packs: Floats
    needed: Floats
    days: int


def _rate(order: _Order, pile: Pile, packs: Packs, chance: Chance, *, deal: Deal) -> float:
    """Give what an order costs a day.

    What it is raised by lies until the rest is used up, or the next order, and then half of what it lasts; the next
    order is later by as much as it is of all that is drawn.
    """
    pace = np.maximum(pile.mean[:, -1] / pile.days, _HARDLY)
    more = np.maximum(order.packs - order.needed, 0.0) * packs.mg
    lasts = order.days + float(more.sum() / pace.sum())
    halfway = min(round(chance.middle + lasts / 2), pile.days)
    lies = np.maximum(pile.held[:, halfway] + order.needed * packs.mg - pile.mean[:, halfway], 0.0)
    without = (pile.held[:, halfway] + order.needed * packs.mg) / pace - chance.middle
    early = more * (np.maximum(without, order.days) + more / pace / 2.0)
    loss = float(pile.lost @ _at_its_worst(pile, chance, order.days, (order.packs * packs.mg)[:, None])[:, 0])
    once = deal.costs(order.packs) + float(packs.holding @ early) + loss * (chance.review_days + 0.5)
    return once / lasts + float(packs.holding @ lies)


def _needed(table: _Table, packs: Packs, ends: float) -> Floats:
    """Give what keeps the risk of an order's last day, of each item: each pack is taken to lie as long as any."""
    rows = np.arange(len(table.packs))
    lies = (packs.holding * packs.mg)[:, None] * table.packs
    at = _fewest(table, lies, lambda where: -float(table.loss[rows, where].sum()), -ends)
    return np.asarray(table.packs[rows, at])


def _fillings(table: _Table, pile: Pile, packs: Packs, deal: Deal, *, needed: Floats) -> Iterator[Floats]:
    """Give what an order may be filled with: what is needed, and more to what it must or may reach.

    What is bought beyond need is what is soonest used up.
    """
    yield needed
    reaches = [one for one in (*deal.must, *deal.may) if float(one.each @ needed) < one.target]
    if not needed.any() or not reaches:
        return
    rows, lies = np.arange(len(table.packs)), _lies(pile, packs, table.packs)
    kept = np.where(table.packs < needed[:, None], _BARRED, 0.0)
    for reach in reaches:
        at = _fewest(table, lies + kept, _counts(table, reach), reach.target)
        more = table.packs[rows, at]
        if float(reach.each @ more) >= reach.target:
            yield more


def _counts(table: _Table, reach: Reach) -> Callable[[Whole], float]:
    rows = np.arange(len(table.packs))
    return lambda at: float(reach.each @ table.packs[rows, at])


def _fewest(table: _Table, lies: Floats, counts: Callable[[Whole], float], target: float) -> Whole:
    """Give the place of each item's amount in the table, bought where risk falls most for what lies, to reach a target.

    What lies is weighed against what may run out, at a price that is halved until the target is reached. Source:
    Lagrangian relaxation (Everett 1963, from memory).
    """
    loss = np.where(table.barred, _BARRED, table.loss)
    low, high = -_WIDE, _WIDE
    found: Whole = (loss + 10.0**low * lies).argmin(axis=1)
    for _ in range(_HALVINGS):
        middle = (low + high) / 2
        at: Whole = (loss + 10.0**middle * lies).argmin(axis=1)
        if counts(at) >= target:
            low, found = middle, at
        else:
            high = middle
    return found


def _most_spared(pile: Pile, packs: Packs, chance: Chance, *, deal: Deal, until: int) -> Floats:
    """Give what passes no limit, pack by pack where the risk falls most for the money; nothing where it is not taken.

    A pack must spare more than it costs to lie. Of an item whose risk alone is told, a day without is taken to cost as
    much as of any.
    """
    rows, lies = np.arange(len(packs.mg)), packs.holding * packs.mg
    amounts = np.concatenate([np.zeros((len(rows), 1)), packs.first[:, None] + np.arange(_STEPS)], axis=1)
    chances = pile.chances_on(chance.days + until, amounts * packs.mg[:, None]) @ chance.weights
    lost = np.where(pile.risk < 1.0, max(pile.lost.max(), _DEAR * lies.max()), pile.lost)
    spared = -np.diff(lost[:, None] * chances, axis=1) / np.diff(amounts, axis=1)
    pays = np.where(spared > lies[:, None], spared / np.maximum(packs.minor, 1.0)[:, None], 0.0)
    at, kept, going = np.zeros(len(rows), dtype=np.intp), np.zeros(len(rows)), np.ones(len(rows), dtype=bool)
    while going.any():
        gain = np.where(going, pays[rows, np.minimum(at, _STEPS - 1)], 0.0)
        row = int(gain.argmax())
        if gain[row] <= 0.0:
            break
        tried = kept.copy()
        tried[row] = amounts[row, at[row] + 1]
        if deal.fits(tried):
            kept, at[row] = tried, at[row] + 1
        going[row] = kept is tried and at[row] < _STEPS
    return kept if deal.taken(kept) else np.zeros(len(kept))
